"""What any number of units of a SKU costs the fleet, cut into modes.

`G_k(n) = min_v f[v] + p[v] max(n, q[v])` is what a need of `n` units of SKU k costs over its offers v. A mode
is a run of needs for which the same offer is the cheapest: the fleet is in one mode of each SKU that it uses,
and in it for every site alike.
"""

from dataclasses import dataclass

import numpy as np

from planner.fleet.market import FloatArray, IntArray, Market


@dataclass(frozen=True, slots=True, kw_only=True)
class Curves:
    """Modes (V) of the SKUs (T) whose cost is not proportional to the need, and their corners (X).

    Attributes
    ----------
    tiered : (T,)
        SKUs in the market, rising.
    mode_sku : (V,)
        Place of the mode's SKU in `tiered`; modes of a SKU stand together, by need.
    low, high : (V,)
        Least and greatest need of the mode.
    offer : (V,)
        The mode's offer in the market.
    corner_mode, corner_units, corner_cost : (X,)
        Points `(n, G(n))` between which `G` is straight within its mode, so a linear function takes its least
        value at one of them.
    """

    tiered: IntArray
    mode_sku: IntArray
    low: FloatArray
    high: FloatArray
    offer: IntArray
    corner_mode: IntArray
    corner_units: FloatArray
    corner_cost: FloatArray

    @property
    def modes(self) -> int:
        """Number of modes."""
        return len(self.mode_sku)


def make_curves(market: Market, most: FloatArray) -> Curves:
    """Curves of a market for needs of up to `most` units of each SKU (K,)."""
    single = np.bincount(market.offer_sku, minlength=len(market.skus)) == 1
    tiered = np.flatnonzero(market.for_sale & ~(single & (market.low_price == market.list_price)))
    modes: list[tuple[int, int, int, int]] = []
    corners: list[tuple[int, float, float]] = []
    for t, k in enumerate(tiered.tolist()):
        v = np.flatnonzero(market.offer_sku == k)
        for first, last, offer in runs(market, v, int(max(1.0, most[k]))):
            f, p, q = market.fixed[offer], market.price[offer], market.least[offer]
            units = np.unique([first, min(max(q, first), last), last])
            corners += [(len(modes), n, f + p * max(n, q)) for n in units.tolist()]
            modes.append((t, first, last, offer))
    sku, low, high, offers = np.array(modes, dtype=np.int64).reshape(-1, 4).T
    mode, units, cost = (np.array(part) for part in zip(*corners, strict=True)) if corners else _nothing()
    return Curves(
        tiered=tiered,
        mode_sku=sku,
        low=low.astype(float),
        high=high.astype(float),
        offer=offers,
        corner_mode=mode.astype(np.int64),
        corner_units=units.astype(float),
        corner_cost=cost.astype(float),
    )


def _nothing() -> tuple[IntArray, FloatArray, FloatArray]:
    return np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0)


def runs(market: Market, offers: IntArray, most: int) -> list[tuple[int, int, int]]:
    """Runs of needs 1..most (first, last) with the offer that serves them at least cost."""
    need = np.arange(1, most + 1)
    cost = market.fixed[offers][:, None] + market.price[offers][:, None] * np.maximum(
        need[None, :], market.least[offers][:, None]
    )
    best = offers[np.round(cost, 6).argmin(axis=0)]
    cuts = np.flatnonzero(np.diff(best)) + 1
    firsts, lasts = np.concatenate(([0], cuts)), np.concatenate((cuts, [most]))
    return [(int(a) + 1, int(b), int(best[a])) for a, b in zip(firsts, lasts, strict=True)]
