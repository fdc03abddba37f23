"""Where a search may begin: designs, plan and multipliers that an earlier one over the same sites ended with.

A start proves nothing. The designs are the sites' own as long as nothing but prices and rules of the purchase
has changed, and no multiplier is below nothing; what they lead to is priced and certified as ever.
"""

from dataclasses import dataclass

import numpy as np

from planner.fleet.buying import FloatArray, IntArray
from planner.fleet.curves import Curves
from planner.fleet.pool import Pool
from planner.fleet.relaxation import Multipliers


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """What is known of a fleet's sites (S) before its search begins.

    Attributes
    ----------
    skus : sequence of str
        The market's (K,); no start fits another market.
    pool : Pool
        Designs that came near the plan, with the most units of each SKU in any design by site.
    choice : (S,)
        Places in the pool of the earlier plan's designs, `NOBODY` for sites that it did not serve.
    sku, high, unit_cost, mu : (V,)
        SKU, greatest need, least mean cost of a unit and multiplier of each mode, by SKU and need.
    w : (S, V)
        Multipliers of the sites' uses of modes.
    gap : float
        That of the earlier plan, or of one before it where that was less.
    """

    skus: tuple[str, ...]
    pool: Pool
    choice: IntArray
    sku: IntArray
    high: FloatArray
    unit_cost: FloatArray
    mu: FloatArray
    w: FloatArray
    gap: float

    def most_by_place(self) -> dict[int, FloatArray]:
        """Most units of each SKU (K,) in any design of the sites, by their place in the table."""
        assert self.pool.greatest is not None
        return dict(zip(self.pool.place.tolist(), self.pool.greatest, strict=True))

    def multipliers(self, curves: Curves) -> Multipliers:
        """The multipliers for modes of today, in proportion to what a unit costs in them."""
        unit, sku = curves.unit_cost(), curves.tiered[curves.mode_sku]
        if not len(self.sku):
            return Multipliers(mu=unit, w=np.zeros((self.pool.sites, len(unit))))
        beyond = max(float(self.high.max()), float(curves.high.max(initial=0.0))) + 1.0
        place = np.searchsorted(self.sku * beyond + self.high, sku * beyond + curves.high)
        place = np.minimum(place, len(self.sku) - 1)
        place = np.where(self.sku[place] == sku, place, np.maximum(place - 1, 0))  # more than ever before
        known = self.sku[place] == sku
        share = np.where(known, unit / self.unit_cost[place], 0.0)
        mu, w = _no_less(self.mu[place]) * share, _no_less(self.w[:, place]) * share
        return Multipliers(mu=np.where(known, mu, unit), w=w)


def _no_less(multipliers: FloatArray) -> FloatArray:
    """Multipliers that prove something, whatever a plan's folder has: finite, and no less than nothing."""
    return np.where(np.isfinite(multipliers), np.maximum(multipliers, 0.0), 0.0)


def make_start(
    skus: tuple[str, ...], pool: Pool, choice: IntArray, curves: Curves, at: Multipliers, gap: float
) -> Start:
    """A start from what a search ended with."""
    return Start(
        skus=skus,
        pool=pool,
        choice=choice,
        sku=curves.tiered[curves.mode_sku],
        high=curves.high,
        unit_cost=curves.unit_cost(),
        mu=at.mu,
        w=at.w,
        gap=gap,
    )
