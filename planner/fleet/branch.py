"""Where one bound over all plans stays too low: plans parted by what they buy of some SKU, each part bounded.

A part of the plans is told by modes that it leaves (`closed`) and SKUs that it buys (`required`). The part
with the lowest bound is parted again, at a need of a SKU that its multipliers cannot decide on: plans that
buy as much of it, and plans that buy less or none. The least bound of all parts holds for every plan. Which
SKU and need parts best is tried by a few steps of the bound for each of the likeliest.

References
----------
Achterberg, Koch and Martin (2005), Branching rules revisited, Operations Research Letters 33: the trial of
candidates before one is branched on.
"""

from dataclasses import dataclass, replace

import numpy as np

from planner.fleet.bound import Bound, ascend
from planner.fleet.buying import FloatArray, IntArray
from planner.fleet.relaxation import BoolArray, Incumbent, Relaxation
from planner.fleet.search import settle
from planner.fleet.stop import Stop

CANDIDATES, TRIAL_STEPS = 4, 30  # places that a part could be parted at, and steps of the bound for each
STEPS, SCALE = 300, 0.125  # steps of the bound for the parts that come of it, which begin near the end
HIGHER = 0.2  # what the higher of two bounds counts beside the lower


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """Plans in none of some modes (V,) that buy some tiered SKUs (T,), and their bound over a pool."""

    closed: BoolArray
    required: BoolArray
    bound: Bound

    def of(self, relax: Relaxation) -> Relaxation:
        """The relaxation of these plans alone."""
        rules = relax.rules
        required = rules.required.copy()
        required[relax.curves.tiered[self.required]] = True
        curves = relax.curves.without(self.closed)
        return relax.limited(curves, replace(rules, required=required))


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """When a bound is high enough: within a gap of the best plan, or beyond a target."""

    gap: float
    target: float | None

    def value(self, best: Incumbent) -> float:
        """The bound that is enough."""
        return best.cost * (1 - self.gap) if self.target is None else self.target


def whole(relax: Relaxation, bound: Bound) -> Part:
    """All plans."""
    return Part(
        closed=np.zeros(relax.curves.modes, dtype=bool),
        required=np.zeros(len(relax.curves.tiered), dtype=bool),
        bound=bound,
    )


def parted(
    relax: Relaxation, part: Part, best: Incumbent, goal: Goal, *, parts_max: int, stop: Stop
) -> list[Part]:
    """Parts of a part, so many at most, the lowest parted first until every bound is high enough."""
    parts = [part]
    while len(parts) < parts_max and not stop.due():
        lowest = min(parts, key=lambda one: one.bound.value)
        if lowest.bound.value >= goal.value(best):
            break
        two = halves(relax, lowest, best, goal, stop)
        if two is None:
            break
        parts = [one for one in parts if one is not lowest]
        for one in two:
            parts.append(raised(relax, one, best, goal, STEPS, stop))
            try_part(relax, parts[-1], best, stop)
    return parts


def try_part(relax: Relaxation, part: Part, best: Incumbent, stop: Stop) -> None:
    """Offer the plan that sites come to by themselves from a part's multipliers."""
    limited = part.of(relax)
    choice = limited.sites_side(limited.cost_at(part.bound.at))[1]
    near = Incumbent(cost=relax.cost(choice), choice=choice)
    settle(relax, near, stop)
    best.offer(near.cost, near.choice)


def reopened(part: Part) -> Part:
    """The part as if its bound were not known, but for where it was reached."""
    return replace(part, bound=replace(part.bound, value=-np.inf))


def halves(
    relax: Relaxation, part: Part, best: Incumbent, goal: Goal, stop: Stop
) -> tuple[Part, Part] | None:
    """The two parts of a part whose bounds rise most by a few steps; None where nothing is left to decide."""
    top, enough = None, goal.value(best)
    for mode in undecided(relax, part)[:CANDIDATES].tolist():
        two = [raised(relax, half, best, goal, TRIAL_STEPS, stop) for half in cut(relax, part, mode)]
        low, high = sorted(min(half.bound.value, enough) for half in two)
        if top is None or low + HIGHER * high > top[0]:
            top = low + HIGHER * high, (two[0], two[1])
    return top[1] if top else None


def undecided(relax: Relaxation, part: Part) -> IntArray:
    """Modes of which the bound's steps bought as much or more at some times and not at others, dearest first.

    How dear is what the mode's greatest need costs.
    """
    curves, often = relax.curves, part.bound.often
    beyond = np.append(np.cumsum(often[::-1])[::-1], 0.0)
    last = np.searchsorted(curves.mode_sku, curves.mode_sku, side="right")
    share = beyond[:-1] - beyond[last]
    cost = np.zeros(curves.modes)
    np.maximum.at(cost, curves.corner_mode, curves.corner_cost)
    score: FloatArray = np.where(part.closed, 0.0, np.minimum(share, 1 - share)) * cost
    order = np.argsort(-score, kind="stable")
    return order[score[order] > 0]


def cut(relax: Relaxation, part: Part, mode: int) -> tuple[Part, Part]:
    """Plans that buy less of a mode's SKU than the mode holds, or none, and plans that buy as much."""
    sku = relax.curves.mode_sku
    mine, later = sku == sku[mode], np.arange(len(sku)) >= mode
    required = part.required.copy()
    required[sku[mode]] = True
    return (
        replace(part, closed=part.closed | (mine & later)),
        replace(part, closed=part.closed | (mine & ~later), required=required),
    )


def raised(
    relax: Relaxation, part: Part, best: Incumbent, goal: Goal, steps: int, stop: Stop
) -> Part:
    """The part with its bound raised by so many steps at most; no lower than it was."""
    if part.bound.value >= goal.value(best):
        return part
    top = ascend(
        part.of(relax),
        part.bound.at,
        best,
        steps=steps,
        gap=goal.gap if goal.target is None else 0.0,
        stop=stop,
        target=goal.target,
        scale=SCALE,
    )
    return replace(part, bound=top if top.value > part.bound.value else replace(part.bound, often=top.often))
