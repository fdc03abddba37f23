"""A proven lower bound on the fleet's cost, and good plans on the way: a Lagrangian relaxation with labels.

A fleet buys each SKU k in one mode v (`planner.fleet.curves`), so every unit that a site s uses is bought in
that mode. Label each use with a mode and relax, with multipliers, that the labelled needs add up to what is
bought (`mu[v]`, currency a unit) and that a site may use a mode only if the fleet is in it (`w[s,v] >= 0`):

    L(mu, w) = sum_s min_d (c[s,d] + sum_k phi[s,k](a[k,d]))
             + sum_k min(0, min_v min_{low_v <= n <= high_v} (G_k(n) - mu[v] n) - sum_s w[s,v])
    phi[s,k](a) = min_{v of k} (mu[v] a + w[s,v])   for a > 0,  phi(0) = 0

`L` is a lower bound for every `mu` and every `w >= 0`, if the site minima are taken over every design. The
second kind of multiplier is what sees price tiers: a site that alone would profit from a tier bears its share
of the units that reach it. Deflected subgradient steps in a counted number raise `L`.

References
----------
Camerini, Fratta and Maffioli (1975), On improving relaxation methods by modified gradient techniques,
Mathematical Programming Study 3, for the deflected direction; Held, Wolfe and Crowder (1974), Validation of
subgradient optimization, Mathematical Programming 6, for the step.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from planner.fleet.curves import Curves
from planner.fleet.market import FloatArray, IntArray, Market
from planner.fleet.pool import Pool

DEFLECTION = 0.4  # share of the new subgradient in the step's direction
STALL = 40  # steps without a better bound after which the step is halved
HALVINGS = 14  # then the steps are too small to matter
SITE_WEIGHT = 0.4  # how far `w` moves beside `mu`, for each site of the fleet; by trial


@dataclass(slots=True, kw_only=True)
class Incumbent:
    """Best choice of a design for each site so far, and its exact cost."""

    cost: float = np.inf
    choice: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))

    def offer(self, cost: float, choice: IntArray) -> bool:
        """Keep the choice if it is cheaper."""
        if cost < self.cost - 1e-9:
            self.cost, self.choice = cost, choice.copy()
            return True
        return False


@dataclass(frozen=True, slots=True, kw_only=True)
class Multipliers:
    """`mu` (V,) of the labelled needs, and `w` (S, V) of each site's use of a mode."""

    mu: FloatArray
    w: FloatArray

    def phi(self, curves: Curves, s: int, units: int) -> FloatArray:
        """What 0..units of each tiered SKU cost at site s (T, units + 1)."""
        each = self.mu[:, None] * np.arange(units + 1) + self.w[s][:, None]
        each[np.arange(units + 1)[None, :] > curves.high[:, None]] = np.inf
        starts = np.searchsorted(curves.mode_sku, np.arange(len(curves.tiered)))
        least = np.minimum.reduceat(each, starts, axis=0)
        least[:, 0] = 0.0
        return np.asarray(least)


@dataclass(frozen=True, slots=True, kw_only=True)
class Purchase:
    """The purchase's side of `L`: its value, which modes SKUs are bought in (V,), and the need there (V,)."""

    value: float
    active: NDArray[np.bool_]
    units: FloatArray


class Relaxation:
    """The relaxed fleet over a pool of designs: evaluates both sides of `L` and the exact cost of a choice.

    A use is a distinct (site, SKU, units) that some of the pool's designs make; `made_by` (D, U) says which.
    """

    def __init__(self, pool: Pool, market: Market, curves: Curves) -> None:
        self.pool, self.market, self.curves = pool, market, curves
        linear = np.where(market.for_sale, market.list_price, 0.0)  # of the others none is bought
        linear[curves.tiered] = 0.0
        self.base = pool.designs.other_cost + pool.designs.usage @ linear
        tiered = pool.designs.usage[:, curves.tiered].tocoo()
        units, skus = tiered.data.astype(np.int64), len(curves.tiered)
        width = int(units.max(initial=0)) + 1
        code = (pool.designs.site[tiered.row] * skus + tiered.col) * width + units
        uses, which = np.unique(code, return_inverse=True)
        self.use_units = (uses % width).astype(float)
        self.use_sku, self.use_site = uses // width % skus, uses // width // skus
        self.made_by = sparse.csr_matrix(
            (np.ones(len(which)), (tiered.row, which)), shape=(pool.designs.usage.shape[0], len(uses))
        )
        first = np.searchsorted(curves.mode_sku, np.arange(skus + 1))
        count = np.diff(first)
        place = np.arange(int(count.max(initial=1)))[None, :]
        self.modes = np.where(place < count[:, None], first[:-1][:, None] + place, -1)[self.use_sku]  # (U, M)
        self.barred = (self.modes < 0) | (curves.high[self.modes] < self.use_units[:, None])
        self.corner_sku = np.searchsorted(curves.mode_sku[curves.corner_mode], np.arange(skus))
        #: Units of a SKU at a site that its greatest use makes; how far a multiplier of it may move the site.
        self.greatest = np.zeros((pool.sites, skus))
        np.maximum.at(self.greatest, (self.use_site, self.use_sku), self.use_units)

    def need(self, choice: IntArray) -> IntArray:
        """Units of every SKU (K,) that a choice of designs needs."""
        usage = self.pool.designs.usage
        first, length = usage.indptr[choice], np.diff(usage.indptr)[choice]
        at = np.repeat(first - np.concatenate(([0], np.cumsum(length)[:-1])), length) + np.arange(
            length.sum()
        )
        need = np.bincount(usage.indices[at], usage.data[at], minlength=usage.shape[1])
        return np.asarray(need.round().astype(np.int64))

    def cost(self, choice: IntArray) -> float:
        """Exact cost of a choice of designs."""
        return self.market.cost(self.need(choice)) + float(self.pool.designs.other_cost[choice].sum())

    def label(self, at: Multipliers) -> tuple[FloatArray, IntArray]:
        """Cheapest way to label each use (U,), and its mode."""
        each = at.mu[self.modes] * self.use_units[:, None] + at.w[self.use_site[:, None], self.modes]
        each[self.barred] = np.inf
        best = each.argmin(axis=1)
        every = np.arange(len(best))
        return each[every, best], self.modes[every, best]

    def design_cost(self, phi: FloatArray) -> FloatArray:
        """Cost of each design of the pool (D,) at the costs of its uses (U,)."""
        cost: FloatArray = self.base + self.made_by @ phi
        return cost

    def purchase(self, at: Multipliers) -> Purchase:
        """Each SKU's cheapest mode and need, or none of it."""
        c = self.curves
        shares = at.w.sum(axis=0)
        value = c.corner_cost - at.mu[c.corner_mode] * c.corner_units - shares[c.corner_mode]
        active, units = np.zeros(c.modes, dtype=bool), np.zeros(c.modes)
        if not len(value):
            return Purchase(value=0.0, active=active, units=units)
        least = np.minimum.reduceat(value, self.corner_sku)
        sku = c.mode_sku[c.corner_mode]
        hits = np.flatnonzero((value <= least[sku]) & (value < 0))
        taken = hits[np.unique(sku[hits], return_index=True)[1]]
        active[c.corner_mode[taken]] = True
        units[c.corner_mode[taken]] = c.corner_units[taken]
        return Purchase(value=float(np.minimum(least, 0.0).sum()), active=active, units=units)

    def modes_within(self, at: Multipliers, slack: float) -> IntArray:
        """Modes that the purchase can be forced into for at most `slack`."""
        c = self.curves
        shares = at.w.sum(axis=0)
        value = c.corner_cost - at.mu[c.corner_mode] * c.corner_units - shares[c.corner_mode]
        mode = np.full(c.modes, np.inf)
        np.minimum.at(mode, c.corner_mode, value)
        least = np.zeros(len(c.tiered))
        np.minimum.at(least, c.mode_sku, mode)
        return np.flatnonzero(mode - least[c.mode_sku] <= slack)

    def start(self) -> Multipliers:
        """Every mode at its offer's price, no site bearing a share."""
        return Multipliers(
            mu=self.market.price[self.curves.offer], w=np.zeros((self.pool.sites, self.curves.modes))
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Bound:
    """The greatest `L` over the pool, where it is reached, and how many steps it took."""

    value: float
    at: Multipliers
    steps: int


def ascend(relax: Relaxation, start: Multipliers, best: Incumbent, *, steps: int, gap: float) -> Bound:
    """Raise `L` over the pool by deflected subgradient steps; every choice met is priced exactly.

    Stops when the bound comes within `gap` of the incumbent, or the steps are too small to matter.
    """
    curves, sku = relax.curves, relax.curves.mode_sku
    span = np.maximum(price_span(relax.market, curves.tiered), 1e-9)
    mu_weight = span[sku]
    w_weight = SITE_WEIGHT * relax.pool.sites * (span * np.maximum(relax.greatest, 1.0))[:, sku]
    at, top = start, Bound(value=-np.inf, at=start, steps=0)
    toward_mu, toward_w = np.zeros(curves.modes), np.zeros_like(start.w)
    scale, stalled = 1.0, 0
    for step in range(1, steps + 1):
        phi, mode = relax.label(at)
        least, choice = relax.pool.cheapest(relax.design_cost(phi))
        bought = relax.purchase(at)
        value = float(least.sum()) + bought.value
        best.offer(relax.cost(choice), choice)
        improved = value > top.value + 1e-9 * abs(value)
        stalled = 0 if improved else stalled + 1
        if improved:
            top = Bound(value=value, at=at, steps=step)
        if best.cost - top.value <= gap * best.cost:
            break
        if stalled >= STALL:
            scale, stalled, at = scale / 2, 0, top.at
            toward_mu, toward_w = np.zeros_like(toward_mu), np.zeros_like(toward_w)
            if scale < 0.5**HALVINGS:
                break
            continue
        made = relax.made_by[choice].indices
        slope_mu = np.bincount(mode[made], relax.use_units[made], minlength=curves.modes) - bought.units
        slope_w = np.broadcast_to(-bought.active.astype(float), at.w.shape).copy()
        slope_w[relax.use_site[made], mode[made]] += 1.0
        slope_mu[(at.mu <= 0) & (slope_mu < 0)] = 0.0
        slope_w[(at.w <= 0) & (slope_w < 0)] = 0.0
        toward_mu = DEFLECTION * slope_mu + (1 - DEFLECTION) * toward_mu
        toward_w = DEFLECTION * slope_w + (1 - DEFLECTION) * toward_w
        norm = float((toward_mu**2 * mu_weight).sum() + (toward_w**2 * w_weight).sum())
        if norm < 1e-12:
            break
        length = scale * (best.cost - value) / norm
        at = Multipliers(
            mu=np.maximum(at.mu + length * toward_mu * mu_weight, 0.0),
            w=np.maximum(at.w + length * toward_w * w_weight, 0.0),
        )
    return top


def price_span(market: Market, skus: IntArray) -> FloatArray:
    """How far the price of a unit ranges over the offers of each of some SKUs, currency."""
    return np.asarray(market.list_price[skus] - market.low_price[skus])
