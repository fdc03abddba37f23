"""What a number of units of one SKU costs, over its suppliers: tiers, packs, least orders, stock.

From supplier j one buys nothing, or `u` units: whole packs, its least order at least, its stock at most,
at the cheapest tier that `u` reaches,

    F_j(u) = min over tiers v with q[v] <= u of f[v] + p[v] u.

A need of `n` units costs

    H(n) = min { sum_j F_j(u_j) : sum_j u_j >= n }.

`F_j` is straight between its corners, so of two suppliers that are both away from their corners one can take
over units of the other at no loss, in lots of the least common multiple of their packs: in some cheapest
purchase all suppliers but one stand within a lot of a corner. `H` is therefore a minimum over few purchases
of the others, exactly, for any need.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from math import lcm

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

CENT = 1e-6  # costs closer than this are equal


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A supplier of one SKU: tiers (T) by rising quantity, and how it sells.

    `offers` are the tiers' places in the market; `stock_qty` None is not limited.
    """

    supplier: str
    offers: tuple[int, ...]
    price: FloatArray
    fixed: FloatArray
    min_qty: IntArray
    pack_qty: int = 1
    min_order_qty: int = 1
    stock_qty: int | None = None

    @property
    def first(self) -> int:
        """Least order, in whole packs."""
        return self.packs(max(self.min_order_qty, int(self.min_qty[0]), 1))

    @property
    def last(self) -> int | None:
        """Greatest order, in whole packs; 0 where the stock does not reach the least order."""
        if self.stock_qty is None:
            return None
        whole = self.stock_qty // self.pack_qty * self.pack_qty
        return whole if whole >= self.first else 0

    def packs(self, units: int) -> int:
        """Units rounded up to whole packs."""
        return -(-units // self.pack_qty) * self.pack_qty

    def exact(self, units: IntArray) -> FloatArray:
        """`F` of orders (N,): infinite for those that it does not sell, 0 for none."""
        cost = np.full(len(units), np.inf)
        for least, fixed, price in zip(self.min_qty, self.fixed, self.price, strict=True):
            np.minimum(cost, fixed + price * units, out=cost, where=units >= least)
        last = self.last
        sold = (units % self.pack_qty == 0) & (units >= self.first) & (last is None or units <= last)
        cost[~sold] = np.inf
        cost[units == 0] = 0.0
        return cost

    def at_least(self, needs: IntArray) -> tuple[FloatArray, IntArray]:
        """Least cost of needs (N,) from this supplier alone, and the order that has it."""
        most = max(int(needs.max(initial=0)), self.first, int(self.min_qty[-1])) + self.pack_qty
        orders = np.arange(0, most + self.pack_qty, self.pack_qty)
        cost = self.exact(orders)
        rounded = np.round(cost, 6)
        tail = np.minimum.accumulate(rounded[::-1])[::-1]
        # The first order at or after each place whose cost is that of the tail: fewest units of equal cost.
        hit = np.isfinite(cost) & (rounded <= tail)
        hits = np.flatnonzero(hit)
        if not len(hits):
            return np.where(needs > 0, np.inf, 0.0), np.zeros(len(needs), dtype=np.int64)
        place: IntArray = (np.cumsum(hit) - hit)[-(-needs // self.pack_qty)]
        none = place == len(hits)
        best = hits[np.minimum(place, len(hits) - 1)]
        bought = np.where(needs > 0, orders[best], 0)
        return np.where(needs > 0, np.where(none, np.inf, cost[best]), 0.0), bought

    def tier(self, units: int) -> int:
        """The tier (its place in the market) at which an order costs least."""
        reached = np.flatnonzero(self.min_qty <= units)
        cost = np.round(self.fixed[reached] + self.price[reached] * units, 6)
        return self.offers[int(reached[np.argmin(cost)])]

    def corners(self, lot: int, most: int) -> list[int]:
        """Orders within a lot of a corner of `F`, up to one lot beyond `most` units."""
        starts = {self.first, *(self.packs(max(int(q), self.first)) for q in self.min_qty)}
        ends = {start - self.pack_qty for start in starts} | ({self.last} if self.last is not None else set())
        steps = range(0, lot, self.pack_qty)
        near = {start + step for start in starts for step in steps} | {
            e - step for e in ends for step in steps
        }
        last = self.last if self.last is not None else most + lot
        return sorted(u for u in near if self.first <= u <= min(last, most + lot))


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """An order from some suppliers (place, units) beside which another fills up the need."""

    orders: tuple[tuple[int, int], ...]
    units: int
    cost: float


def need_cost(sources: Sequence[Source], needs: IntArray) -> FloatArray:
    """`H` of needs (N,); infinite where the suppliers together do not hold the need."""
    most = int(needs.max(initial=0))
    least = np.full(most + 1, np.inf)
    for i, source in enumerate(sources):
        alone, _ = source.at_least(np.arange(most + 1))
        for beside in _besides(sources, i, most):
            held, beyond = slice(beside.units + 1), slice(beside.units + 1, None)
            np.minimum(least[held], beside.cost, out=least[held])
            rest = alone[1 : max(1, most + 1 - beside.units)]
            np.minimum(least[beyond], beside.cost + rest, out=least[beyond])
    least[0] = 0.0
    return np.asarray(least[np.maximum(needs, 0)])


def purchase(sources: Sequence[Source], need: int) -> list[tuple[int, int]]:
    """The cheapest purchase of a need, as (place of the supplier, units ordered).

    Of equal costs the one from fewest suppliers, of fewest units, from the first suppliers.

    Raises
    ------
    ValueError
        The suppliers do not hold the need.
    """
    found: list[tuple[float, int, int, list[tuple[int, int]]]] = []
    for i, source in enumerate(sources):
        for beside in _besides(sources, i, need):
            cost, bought = source.at_least(np.array([max(need - beside.units, 0)]))
            orders = sorted([*beside.orders, *([(i, int(bought[0]))] if bought[0] else [])])
            units = sum(u for _, u in orders)
            found.append((round(float(cost[0]) + beside.cost, 6), len(orders), units, orders))
    best = min(found, default=None)
    if best is None or not np.isfinite(best[0]):
        raise ValueError(f"the suppliers do not hold {need} units")
    return best[3]


def _besides(sources: Sequence[Source], i: int, most: int) -> list[Beside]:
    """Orders from suppliers other than i that no other such order beats: more units cost more."""
    nothing = Beside(orders=(), units=0, cost=0.0)
    others = [j for j in range(len(sources)) if j != i]
    if not others:
        return [nothing]
    lot = lcm(*(source.pack_qty for source in sources))
    choices = []
    for j in others:
        units = np.array([0, *sources[j].corners(lot, most)])
        choices.append(
            [(j, u, c) for u, c in zip(units.tolist(), sources[j].exact(units).tolist(), strict=True)]
        )
    every = [
        Beside(
            orders=tuple((j, u) for j, u, _ in some if u),
            units=sum(u for _, u, _ in some),
            cost=sum(c for _, _, c in some),
        )
        for some in product(*choices)
    ]
    every.sort(key=lambda one: (round(one.cost, 6), -one.units, len(one.orders), one.orders))
    kept: list[Beside] = []
    for one in every:
        if np.isfinite(one.cost) and (not kept or one.units > kept[-1].units):
            kept.append(one)
    return kept
