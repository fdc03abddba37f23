"""The fleet where everything may move: a pool of designs for all sites, and plans improved by local search.

A plan's gap is wider than what a watt costs, so two whole plans must not be subtracted. Instead the plan as
bought is improved site by site (`planner.fleet.search`), once as it is and once with what is asked more, each
from the other's rest in turn: what both have in common cancels.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.explain.beside import DESIGNS_MAX, Look, beside_all, rest_of
from planner.explain.bought import Bought
from planner.fleet.bound import ascend
from planner.fleet.buying import FloatArray, IntArray
from planner.fleet.curves import make_curves
from planner.fleet.expand import make_pool
from planner.fleet.market import Market
from planner.fleet.pool import Designs, Pool
from planner.fleet.relaxation import Incumbent, Multipliers, Relaxation
from planner.fleet.rules import Rules
from planner.fleet.search import settle
from planner.fleet.stop import Stop
from planner.pipeline import Progress
from planner.sizing import Fleet, FleetSites

POOL_MAX, POOL_LEAST = 24_000, 60  # cheapest designs over the fleet at the lowest prices; and of a site
STEPS, MORE_STEPS = 1_500, 400  # of the bound, for the choices met on the way; from a like search's end
TURNS = 3  # each plan from the other's rest, as often at most


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """Designs of the sites that the plan serves, by their number among them, and what the best one costs.

    `designs` begin, at each site, with the cheapest beside the rest as bought. `best` (S,) is what that costs
    the fleet, infinite where a site has none; no plan takes more units of a SKU than `most` (K,).
    """

    designs: Designs
    best: FloatArray
    most: FloatArray


def make_field(bought: Bought, fleet: Fleet, *, workers: int | None, progress: Progress) -> Field:
    """Size every site of a fleet, the plan's own or one that asks more, beside what the plan buys."""
    number = {int(i): s for s, i in enumerate(bought.served)}
    with FleetSites(fleet, workers=workers, progress=progress) as sites:
        designs_max = max(POOL_LEAST, POOL_MAX // len(number))
        whole = make_pool(fleet.pricer, sites, designs_max=designs_max)
        best, most = np.full(len(number), np.inf), bought.need.astype(float)
        if whole is None:
            return Field(designs=bought.designs.take(np.zeros(0, dtype=np.int64)), best=best, most=most)
        names = [number.get(int(i)) for i in whole.place]
        most = np.maximum(whole.most, most)
        look = Look(needs=fleet.market.needs(most + _most_at_once(whole)), designs_max=DESIGNS_MAX)
        found = beside_all(sites, look, [None if s is None else rest_of(bought, s) for s in names])
    for s, one in zip(names, found, strict=True):
        if s is not None and one is not None:
            best[s] = one.cost[0]
    joint = Designs.join([*(one.designs for one in found if one is not None), whole.designs])
    renumber = np.array([-1 if s is None else s for s in names], dtype=np.int64)
    joint = replace(joint, site=renumber[joint.site])
    return Field(designs=joint.take(np.flatnonzero(joint.site >= 0)), best=best, most=most)


def _most_at_once(pool: Pool) -> FloatArray:
    """Most units of each SKU (K,) that one design of the pool takes: a site beside all others."""
    return np.asarray(pool.designs.usage.max(axis=0).toarray().ravel())


def joined(bought: Bought, designs: Sequence[Designs], most: FloatArray) -> Pool:
    """A pool of designs by number of the site among those served, those named first in front.

    Every site has one.
    """
    every = Designs.join(designs).distinct()
    return Pool(
        place=bought.served,
        designs=every,
        start=np.searchsorted(every.site, np.arange(len(bought.served))).astype(np.int64),
        most=most,
    )


def relaxed(market: Market, rules: Rules, pool: Pool) -> Relaxation:
    """The fleet over a pool; of pools with the same `most` the SKUs have the same modes."""
    needs = market.needs(pool.most)
    return Relaxation(pool, needs, make_curves(needs, counted=rules.counted), rules)


@dataclass(slots=True, kw_only=True)
class Search:
    """Good choices over a pool, found from others; it remembers where its bound was greatest.

    Choices are settled site by site. Then the bound is raised, as choices met on the way move many sites at
    once, which tiers ask for; from where a like search ended, that takes fewer steps.
    """

    relax: Relaxation
    at: Multipliers | None = None

    @classmethod
    def like(cls, relax: Relaxation, other: "Search", factor: FloatArray | float = 1.0) -> "Search":
        """A search that begins where another ended, costs of modes multiplied, where both have like modes."""
        same = np.array_equal(relax.curves.mode_sku, other.relax.curves.mode_sku)
        at = other.at
        if at is None or not same or relax.pool.sites != other.relax.pool.sites:
            return cls(relax=relax)
        return cls(relax=relax, at=Multipliers(mu=at.mu * factor, w=at.w * factor))

    def improve(self, starts: Sequence[IntArray]) -> Incumbent:
        """The cheapest choice that is reached from some choices."""
        relax, best = self.relax, Incumbent()
        for choice in starts:
            one = Incumbent(cost=relax.cost(choice), choice=choice.copy())
            settle(relax, one, Stop())
            best.offer(one.cost, one.choice)
        steps, at = (STEPS, relax.start()) if self.at is None else (MORE_STEPS, self.at)
        other = Incumbent(cost=best.cost, choice=best.choice)
        self.at = ascend(relax, at, other, steps=steps, gap=0.0, stop=Stop()).at
        settle(relax, other, Stop())
        best.offer(other.cost, other.choice)
        return best


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """The fleet as it is and with what is asked more, each improved as far as local search goes."""

    before: Incumbent
    after: Incumbent


def improve_pair(
    before: Search, after: Search, known: Incumbent, plain: IntArray, moved: Sequence[int]
) -> Pair:
    """Improve the fleet with and without a change, each from the other's rest in turn.

    Parameters
    ----------
    before, after : Search
        Over the same sites; those that did not ask more have the same designs in both, in the same order.
    known : Incumbent
        The fleet without the change, improved.
    plain : (S,)
        The plan as bought, as places in the pool of `before`.
    moved : sequence of int
        The sites that ask more; the first design of each in `after` is where they start.
    """
    at = np.asarray(moved, dtype=np.int64)

    def over(choice: IntArray, one: Search, other: Search, own: IntArray) -> IntArray:
        """A choice as places in the other's pool, with the moved sites as told."""
        there = choice - one.relax.pool.start + other.relax.pool.start
        there[at] = own[at]
        return there

    starts = [over(choice, before, after, after.relax.pool.start) for choice in (plain, known.choice)]
    then, now = after.improve(starts), known
    for _ in range(TURNS):
        other = before.improve([over(then.choice, after, before, now.choice)])
        if not now.offer(other.cost, other.choice):
            break
        back = after.improve([over(now.choice, before, after, then.choice)])
        then.offer(back.cost, back.choice)
    return Pair(before=now, after=then)
