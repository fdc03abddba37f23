"""Break-even prices: where a SKU would enter the plan, lose units, or leave it.

All prices of the SKU, tier by tier and supplier by supplier, are multiplied by one factor. At a factor the
fleet is solved anew by local search over a pool that has each site's best designs with the SKU and without
it: from the plan as bought, from more and more sites with the SKU, and from the result at the nearest factor
tried; the cheapest counts. The factor where the SKU's number changes is closed in on by
halving.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from functools import cached_property
from math import sqrt

import numpy as np

from planner.explain.bought import Bought
from planner.explain.free import Search, joined, relaxed
from planner.fleet import make_market
from planner.fleet.buying import FloatArray, IntArray
from planner.fleet.pool import Designs, Pool
from planner.fleet.relaxation import Relaxation
from planner.sizing.site import bare_offer
from planner.sweep.axes import at_factors

FACTOR_MAX, FACTOR_MIN = 100.0, 0.01  # a price that many times as high or low ends the search
STEP, GROWTH = 0.05, 2.0  # first step from today's price, and how the next ones grow
MIXED, TAKEN = 65, 3  # numbers of sites that take the SKU that are priced, and the best that are settled
DIGITS = 6  # of factors


@dataclass(kw_only=True)
class Trials:
    """The fleet at factors on one SKU's prices, as local search finds it."""

    bought: Bought
    pool: Pool
    k: int
    found: dict[float, tuple[int, IntArray, float]] = field(default_factory=dict)
    last: tuple[float, Search] | None = None

    @classmethod
    def over(cls, bought: Bought, designs: Sequence[Designs], most: FloatArray, k: int) -> "Trials":
        """Over a pool in which each site has the plan's design first."""
        return cls(bought=bought, pool=joined(bought, [bought.designs, *designs], most), k=k)

    def number(self, factor: float) -> int:
        """Units of the SKU that sites buy at a factor."""
        factor = round(factor, DIGITS)
        if factor not in self.found:
            relax = self._relax(factor)
            search, starts = Search(relax=relax), [self.pool.start, *self._extremes(relax)]
            if self.last is not None:
                own = relax.curves.tiered[relax.curves.mode_sku] == self.k
                search = Search.like(relax, self.last[1], np.where(own, factor / self.last[0], 1.0))
                near = min(self.found, key=lambda one: abs(one - factor))
                starts.append(self.found[near][1])
            best, self.last = search.improve(starts), (factor, search)
            self.found[factor] = int(relax.need(best.choice)[self.k]), best.choice, best.cost
        return self.found[factor][0]

    def _relax(self, factor: float) -> Relaxation:
        sku = self.bought.fleet.market.skus[self.k]
        scenario = at_factors(self.bought.scenario, {sku: Decimal(str(factor))})
        market = make_market(scenario)
        dearer = float(market.list_price[self.k] - self.bought.fleet.market.list_price[self.k])
        designs = self.pool.designs
        designs = replace(designs, other_cost=designs.other_cost + dearer * self._replaced)
        return relaxed(market, self.bought.rules, replace(self.pool, designs=designs))

    @cached_property
    def _replaced(self) -> FloatArray:
        """Units of the SKU that each design (D,) replaces over the years, discounted, where that counts."""
        fleet, designs, k = self.bought.fleet, self.pool.designs, self.k
        column, each = designs.column, np.zeros(len(self.bought.served))
        if fleet.scenario.settings.objective == "lifetime":
            for s, i in enumerate(self.bought.served.tolist()):
                offer = bare_offer(fleet, i, fleet.gear[i])
                unit = fleet.market.list_price[k] + fleet.pricer.landing(offer)[k]
                each[s] = fleet.upkeep[i].unit[k] / unit if unit > 0 else 0.0
        blocks = column.batteries_series * column.batteries_parallel
        return np.asarray(each[designs.site] * blocks * (fleet.pricer.parts.battery[column.battery] == k))

    def _extremes(self, relax: Relaxation) -> list[IntArray]:
        """All sites that can with the SKU, none with it, and the best of those between.

        Sites take it in the order of what it costs them at the plan's mean prices, or at the SKU's lowest: so
        many as make its tier pay change at once.
        """
        pool, need = self.pool, self.bought.need
        skus = np.arange(len(need))
        single = np.minimum(np.maximum(need, 1), np.maximum(relax.needs.most, 1))
        unit = relax.needs.of(skus, single) / single
        curve = relax.needs.curve(self.k)
        unit[self.k] = float((curve[1:] / np.arange(1, len(curve))).min(initial=unit[self.k]))
        cost = pool.designs.other_cost + pool.designs.usage @ unit
        has = pool.designs.usage[:, self.k].toarray().ravel() > 0
        most, having = pool.cheapest(np.where(has, cost, np.inf))
        least, lacking = pool.cheapest(np.where(has, np.inf, cost))
        can, must = np.isfinite(most), ~np.isfinite(least)
        lacking = np.where(must, having, np.where(has[pool.start], lacking, pool.start))
        order = np.argsort(np.where(must, -np.inf, most - cost[lacking]), kind="stable")
        order = order[can[order]]
        numbers = np.unique(np.linspace(0, len(order), MIXED).round().astype(int)).tolist()
        mixed = []
        for number in numbers:
            choice = lacking.copy()
            choice[order[:number]] = having[order[:number]]
            mixed.append(choice)
        best = sorted(range(len(mixed)), key=lambda m: (round(relax.cost(mixed[m]), 6), m))[:TAKEN]
        return [mixed[m] for m in dict.fromkeys([*best, 0, len(mixed) - 1])]

    @property
    def can_have(self) -> bool:
        """Whether some site has a design with the SKU."""
        return bool(self.pool.designs.usage[:, self.k].nnz)

    def cannot_leave(self) -> list[int]:
        """Sites, by number, without a design that does without the SKU."""
        has = self.pool.designs.usage[:, self.k].toarray().ravel() > 0
        least = np.minimum.reduceat(has, self.pool.start)
        return np.flatnonzero(least).tolist()


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """Where the number of a SKU changes: the last factors tried on either side, numbers and costs there."""

    event: str
    below: float
    above: float
    number_below: int
    number_above: int
    cost_below: float
    cost_above: float

    @property
    def factor(self) -> float:
        """Between the two."""
        return sqrt(self.below * self.above)


def turns(trials: Trials, tolerance: float) -> list[Turn]:
    """Where a SKU of the plan loses units and where it leaves; where one outside of it enters."""
    now = trials.number(1.0)
    if now == 0:
        events: list[tuple[str, Callable[[int], bool], bool]] = [("enters", lambda n: n > 0, False)]
    else:
        events = [("fewer", lambda n: n < now, True), ("leaves", lambda n: n == 0, True)]
    found: list[Turn] = []
    for event, happened, upward in events:
        turn = _turn(trials, event, happened, upward, tolerance)
        if turn is not None and not (found and turn.number_below == now and turn.above == found[-1].above):
            found.append(turn)
        elif turn is not None:
            found = [turn]  # it loses all its units at once
    return found


def _turn(
    trials: Trials, event: str, happened: Callable[[int], bool], upward: bool, tolerance: float
) -> Turn | None:
    """The first factor, from today's on, at which something happens; None where it does not."""
    near, far = 1.0, None
    for factor in _ladder(upward):
        if happened(trials.number(factor)):
            far = factor
            break
        near = factor
    if far is None:
        return None
    while max(near, far) / min(near, far) - 1 > tolerance:
        middle = round(sqrt(near * far), DIGITS)
        if middle in (near, far):
            break
        if happened(trials.number(middle)):
            far = middle
        else:
            near = middle
    below, above = sorted(round(factor, DIGITS) for factor in (near, far))
    return Turn(
        event=event,
        below=below,
        above=above,
        number_below=trials.number(below),
        number_above=trials.number(above),
        cost_below=trials.found[below][2],
        cost_above=trials.found[above][2],
    )


def _ladder(upward: bool) -> Iterator[float]:
    """Factors from today's price on, in growing steps."""
    step, factor = STEP, 1.0
    while True:
        factor = 1.0 + step if upward else 1.0 / (1.0 + step)
        step *= GROWTH
        if not FACTOR_MIN < factor < FACTOR_MAX:
            break
        yield factor
    yield FACTOR_MAX if upward else FACTOR_MIN
