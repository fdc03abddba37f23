"""The cost of each SKU's need, cut into modes.

A mode is a run of needs, and the fleet is in one mode of each SKU that it uses, in it for every site alike.
Within a mode the model knows the lower convex hull of `G` (`planner.fleet.needs`) by its corners: the hull is
never above `G`, so what is proven with it holds, and it equals `G` at the corners. Modes are cut where the
hull is furthest below `G` - at price tiers, packs, the steps of spares - until it is near everywhere, or
there are many; `refined` cuts again at needs that a plan has.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from planner.fleet.buying import FloatArray, IntArray
from planner.fleet.needs import Needs

MODES_MAX = 8  # of a SKU, before refinement
NEAR = 3e-4  # of the cost of the greatest need: a hull this near to `G` is not cut further
EXACT = 1e-6  # currency: closer is rounding
DROPPED_SHARE = 20  # one in so many needs that a round must rule out, for another one to pay
#: First and last needs of runs, with the corners of their hulls.
Runs = dict[tuple[int, int], IntArray]
UNSOLD = 1e9  # price of a unit of what cannot be bought: no plan has it, and none of it costs nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class Curves:
    """Modes (V) of the SKUs (T) that the fleet shares more than a price of, and their corners (X).

    Attributes
    ----------
    tiered : (T,)
        SKUs in the market, rising: those whose cost is not proportional to the need, or that a rule or stock
        limits.
    unit_price : (K,)
        Price of a unit of every other SKU; 0 of the tiered ones.
    mode_sku : (V,)
        Place of the mode's SKU in `tiered`; modes of a SKU stand together, by need.
    low, high : (V,)
        Least and greatest need of the mode.
    corner_mode, corner_units, corner_cost : (X,)
        Corners of the lower convex hull of `G` within each mode, by need; a linear function takes its least
        value on the hull at one of them.
    """

    tiered: IntArray
    unit_price: FloatArray
    mode_sku: IntArray
    low: FloatArray
    high: FloatArray
    corner_mode: IntArray
    corner_units: FloatArray
    corner_cost: FloatArray

    @property
    def modes(self) -> int:
        """Number of modes."""
        return len(self.mode_sku)

    def hull(self, v: int, units: float) -> float:
        """The hull of a mode at a need."""
        at = self.corner_mode == v
        return float(np.interp(units, self.corner_units[at], self.corner_cost[at]))

    def mode_of(self, t: int, units: float) -> int:
        """The mode of the t-th tiered SKU that holds a need of one unit or more."""
        first, end = np.searchsorted(self.mode_sku, [t, t + 1])
        return int(first + np.searchsorted(self.high[first:end], units))

    def without(self, closed: NDArray[np.bool_]) -> "Curves":
        """Curves on which nothing can be bought in some modes (V,)."""
        return replace(
            self,
            high=np.where(closed, 0.0, self.high),
            corner_cost=np.where(closed[self.corner_mode], np.inf, self.corner_cost),
        )

    def unit_cost(self) -> FloatArray:
        """Least mean cost of a unit within each mode (V,); infinite where nothing can be bought."""
        cost = np.full(self.modes, np.inf)
        np.minimum.at(cost, self.corner_mode, self.corner_cost / self.corner_units)
        return cost


def make_curves(needs: Needs, *, counted: NDArray[np.bool_]) -> Curves:
    """Curves of SKUs (K); those that a rule counts (K,) or a stock ends have modes even at a single price."""
    straight = np.array([_straight(needs.curve(k)) for k in range(len(needs.first))], dtype=bool)
    tiered = np.flatnonzero((~straight | counted | needs.limited) & (needs.most > 0))
    price = np.array(
        [curve[1] if len(curve := needs.curve(k)) > 1 else UNSOLD for k in range(len(needs.first))]
    )
    price[tiered] = 0.0
    return _curves(needs, tiered, price, [_cut(needs.curve(k)) for k in tiered.tolist()])


def refined(curves: Curves, needs: Needs, units: Mapping[int, int]) -> tuple[Curves, IntArray]:
    """Curves with modes cut after the given needs of tiered SKUs, where the hull lies below `G` there.

    Returns them, and the mode that each new mode was part of (V,).
    """
    runs = []
    for t, k in enumerate(curves.tiered.tolist()):
        curve, ends = needs.curve(k), curves.high[curves.mode_sku == t].astype(np.int64).tolist()
        n = units.get(t, 0)
        if n and curves.hull(curves.mode_of(t, n), n) < curve[n] - EXACT:
            ends = sorted({*ends, n})
        firsts = [1, *(last + 1 for last in ends[:-1])]
        runs.append({run: _hull(curve, *run) for run in zip(firsts, ends, strict=True)})
    finer = _curves(needs, curves.tiered, curves.unit_price, runs)
    parts = [curves.mode_of(int(t), n) for t, n in zip(finer.mode_sku, finer.high, strict=True)]
    return finer, np.array(parts, dtype=np.int64)


def _straight(curve: FloatArray) -> bool:
    return len(curve) < 2 or bool(np.allclose(curve, curve[1] * np.arange(len(curve)), rtol=0, atol=EXACT))


def _curves(needs: Needs, tiered: IntArray, price: FloatArray, runs: Sequence[Runs]) -> Curves:
    """Curves of SKUs (T) with a mode for each run of each."""
    sku: list[int] = []
    low: list[int] = []
    high: list[int] = []
    corners: list[tuple[int, int, float]] = []
    for t, k in enumerate(tiered.tolist()):
        curve = needs.curve(k)
        for (first, last), hull in runs[t].items():
            corners += [(len(sku), n, float(curve[n])) for n in hull.tolist()]
            sku.append(t)
            low.append(first)
            high.append(last)
    mode, units, cost = (
        (np.array(part) for part in zip(*corners, strict=True)) if corners else [np.zeros(0)] * 3
    )
    return Curves(
        tiered=tiered,
        unit_price=price,
        mode_sku=np.array(sku, dtype=np.int64),
        low=np.array(low, dtype=float),
        high=np.array(high, dtype=float),
        corner_mode=mode.astype(np.int64),
        corner_units=units.astype(float),
        corner_cost=cost.astype(float),
    )


def _cut(curve: FloatArray) -> Runs:
    """Modes of a SKU: the worst one is cut in two until all are near, or there are many."""
    near = max(EXACT, NEAR * float(curve[-1]))
    runs, worst = {}, {}
    new = [(1, len(curve) - 1)]
    while new:
        for run in new:
            runs[run] = _hull(curve, *run)
            worst[run] = _worst(curve, *run, runs[run])
        first, last = max(worst, key=lambda run: (worst[run][0], -run[0]))
        below, cut = worst[first, last]
        if len(runs) >= MODES_MAX or below <= near:
            break
        del runs[first, last], worst[first, last]
        new = [(first, cut), (cut + 1, last)]
    return dict(sorted(runs.items()))


def _worst(curve: FloatArray, first: int, last: int, corners: IntArray) -> tuple[float, int]:
    """How far the hull of a run is below the curve at most, and the need before the step that makes it so."""
    run = curve[first : last + 1]
    below = run - np.interp(np.arange(first, last + 1), corners, curve[corners])
    worst = int(np.argmax(below))
    if below[worst] <= EXACT:
        return 0.0, last
    # A plateau ahead of the next tier is as dear at its start: the cut goes before it.
    start = int(np.searchsorted(run, run[worst] - EXACT))
    step = first + start - 1 if first + start > first else first + worst
    return float(below[worst]), min(max(step, first), last - 1)


def _hull(curve: FloatArray, first: int, last: int) -> IntArray:
    """Corners (needs) of the lower convex hull of a run."""
    units = _without_bulges(curve, _turns(curve, first, last))
    kept: list[int] = []
    for n in units.tolist():
        while len(kept) > 1 and _left(curve, kept[-2], kept[-1], n):
            kept.pop()
        kept.append(n)
    return np.array(kept, dtype=np.int64)


def _turns(curve: FloatArray, first: int, last: int) -> IntArray:
    """Needs at which the curve turns upward, and the ends: no other can be a corner of the hull."""
    rise = np.diff(curve[first : last + 1])
    turn = np.flatnonzero(np.diff(rise) > EXACT / 10) + first + 1
    return np.concatenate(([first], turn, [last] if last > first else [])).astype(np.int64)


def _without_bulges(curve: FloatArray, units: IntArray) -> IntArray:
    """Needs without those that lie above a line between two others, again while that drops many."""
    dropped = len(units)
    while dropped * DROPPED_SHARE > len(units):
        a, b, c, cost = units[:-2], units[1:-1], units[2:], curve[units]
        rise, line = cost[1:-1] - cost[:-2], cost[2:] - cost[:-2]
        keep = np.ones(len(units), dtype=bool)
        keep[1:-1] = rise * (c - a) <= line * (b - a)
        dropped, units = len(units) - int(keep.sum()), units[keep]
    return units


def _left(curve: FloatArray, a: int, b: int, c: int) -> bool:
    """Whether b lies on or above the line from a to c."""
    return bool((curve[b] - curve[a]) * (c - a) >= (curve[c] - curve[a]) * (b - a) - EXACT / 10)
