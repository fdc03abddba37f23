"""A proven lower bound on the fleet's cost, and good plans on the way.

The multipliers of the labels (`planner.fleet.relaxation`) see price tiers, caps and the cost of taking a SKU
on: a site that alone would profit from a tier bears its share of the units that reach it. Deflected
subgradient steps in a counted number raise `L`.

References
----------
Camerini, Fratta and Maffioli (1975), On improving relaxation methods by modified gradient techniques,
Mathematical Programming Study 3, for the deflected direction; Held, Wolfe and Crowder (1974), Validation of
subgradient optimization, Mathematical Programming 6, for the step.
"""

from dataclasses import dataclass, field

import numpy as np

from planner.fleet.buying import FloatArray, IntArray
from planner.fleet.relaxation import NOBODY, Incumbent, Multipliers, Purchase, Relaxation
from planner.fleet.stop import Stop

DEFLECTION = 0.4  # share of the new subgradient in the step's direction
STALL = 40  # steps without a better bound after which the step is halved
HALVINGS = 14  # then the steps are too small to matter
SITE_WEIGHT = 2.0  # how far `w` moves beside `mu`, for each site of the fleet; by trial on 24 and 240 sites
LATEST = 0.02  # weight of the last step in `often`
REACH = 0.05  # the step aims at most this share above the bound: the plan may be far from it at first


@dataclass(frozen=True, slots=True, kw_only=True)
class Bound:
    """The greatest `L` over the pool, where it is reached, and how many steps it took.

    `often` (V,) is the share of the latest steps in which the purchase took each mode.
    """

    value: float
    at: Multipliers
    steps: int
    often: FloatArray = field(default_factory=lambda: np.zeros(0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Top:
    """The greatest `L` met, and its multipliers: `mu` (V,) and shares `w` (P,)."""

    value: float
    mu: FloatArray
    w: FloatArray


def ascend(
    relax: Relaxation,
    start: Multipliers,
    best: Incumbent,
    *,
    steps: int,
    gap: float,
    stop: Stop,
    target: float | None = None,
    scale: float = 1.0,
) -> Bound:
    """Raise `L` over the pool by deflected subgradient steps; every choice met is priced exactly.

    Ends when the bound comes within `gap` of the incumbent, either passes `target`, the steps are too small
    to matter, or `stop` is due. From a good start, steps had better begin at a smaller `scale`.
    """
    modes, span, sku = relax.curves.modes, relax.span(), relax.curves.mode_sku
    mu_weight = span[sku]
    reach = (span * np.maximum(relax.greatest, 1.0))[relax.share_site, sku[relax.share_mode]]
    w_weight = SITE_WEIGHT * relax.pool.sites * reach
    mu, w, top = start.mu, relax.shares(start), Top(value=-np.inf, mu=start.mu, w=relax.shares(start))
    toward_mu, toward_w = np.zeros_like(mu), np.zeros_like(w)
    stalled, step, often = 0, 0, np.zeros(modes)
    for step in range(1, steps + 1):
        phi, label = relax.label(mu, w)
        cost = relax.design_cost(phi)
        least, choice = relax.sites_side(cost)
        borne: FloatArray = np.bincount(relax.share_mode, w, minlength=modes).astype(float)
        bought = relax.purchase(mu, borne)
        value = least + bought.value
        often += max(LATEST, 1 / step) * (bought.active - often)
        try_choice(relax, cost, choice, bought, best)
        if not np.isfinite(value):  # the pool has no design of one kind for all sites of a region
            return Bound(value=value, at=relax.multipliers(mu, w), steps=step)
        improved = value > top.value + 1e-9 * abs(value)
        stalled = 0 if improved else stalled + 1
        if improved:
            top = Top(value=value, mu=mu, w=w)
        hopeless = top.value > relax.dearest  # no plan over the pool, so the bound has no end
        passed = target is not None and (best.cost <= target or top.value > target)
        if best.cost - top.value <= gap * best.cost or hopeless or passed or stop.due():
            break
        if stalled >= STALL:
            scale, stalled, mu, w = scale / 2, 0, top.mu, top.w
            toward_mu, toward_w = np.zeros_like(mu), np.zeros_like(w)
            if scale < 0.5**HALVINGS:
                break
            continue
        slope_mu, slope_w = slopes(relax, mu, w, choice, label, bought)
        toward_mu = DEFLECTION * slope_mu + (1 - DEFLECTION) * toward_mu
        toward_w = DEFLECTION * slope_w + (1 - DEFLECTION) * toward_w
        norm = float((toward_mu**2 * mu_weight).sum() + (toward_w**2 * w_weight).sum())
        if norm < 1e-12:
            break
        aim = min(best.cost, max(top.value, value) * (1 + REACH) + 1.0)
        length = scale * (aim - value) / norm
        mu = np.maximum(mu + length * toward_mu * mu_weight, 0.0)
        w = np.maximum(w + length * toward_w * w_weight, 0.0)
    return Bound(value=top.value, at=relax.multipliers(top.mu, top.w), steps=step, often=often)


def try_choice(
    relax: Relaxation, cost: FloatArray, choice: IntArray, bought: Purchase, best: Incumbent
) -> None:
    """Price the choice met, and where a category has a cap the one from the SKUs that the purchase takes."""
    if not relax.caps or not len(best.choice):
        best.offer(relax.cost(choice), choice)
    if not relax.caps:
        return
    within = relax.within_caps(cost, bought.active)
    _, other = relax.sites_side(within)
    if np.isfinite(within[other[other != NOBODY]]).all():
        best.offer(relax.cost(other), other)


def slopes(
    relax: Relaxation, mu: FloatArray, w: FloatArray, choice: IntArray, label: IntArray, bought: Purchase
) -> tuple[FloatArray, FloatArray]:
    """Subgradient of `L`: labelled needs less what is bought (V,), and uses less the modes bought (P,)."""
    made = relax.made_by[choice[choice != NOBODY]].indices
    label = label[made]
    mode, share = relax.label_mode[label], relax.label_share[label]
    slope_mu = np.bincount(mode, relax.use_units[made], minlength=relax.curves.modes) - bought.units
    slope_w = -bought.active[relax.share_mode].astype(float)
    slope_w[share] += 1.0
    slope_mu[(mu <= 0) & (slope_mu < 0)] = 0.0
    slope_w[(w <= 0) & (slope_w < 0)] = 0.0
    return slope_mu, slope_w
