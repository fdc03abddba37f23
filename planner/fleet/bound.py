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
from planner.fleet.search import settle
from planner.fleet.stop import Stop

DEFLECTION = 0.4  # share of the new subgradient in the step's direction
STALL = 40  # steps without a better bound after which the step is halved
HALVINGS = 14  # then the steps are too small to matter
SITE_WEIGHT = 2.0  # how far `w` moves beside `mu`, for each site of the fleet; by trial on 24 and 240 sites
LATEST = 0.02  # weight of the last step in `often`
CHECK = 50  # steps after which what they found is checked over the whole pool
FEW, FEW_LEAST = 3_000, 8  # designs that are looked at between: in the fleet, and of a site
WORTH = 2  # times as many designs in a pool make that worth while
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
class Point:
    """A value of `L`, and its multipliers: `mu` (V,) and shares `w` (P,)."""

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

    def ends(value: float) -> bool:
        hopeless = value > relax.dearest  # no plan over the pool, so the bound has no end
        # Beyond what any plan costs, the best choice breaks a rule, whatever the target allows.
        passed = target is not None and (best.cost <= min(target, relax.dearest) or value > target)
        return best.cost - value <= gap * best.cost or hopeless or passed

    ascent = _Ascent(relax, start, best, scale, stop)
    for _ in range(steps):
        if not ascent.step():
            break
        if stop.due() or (ends(ascent.top.value) and ends(ascent.checked())):
            break
    return ascent.bound()


class _Ascent:
    """Where the steps are, which way they go, and how far; the highest point met.

    Most steps look at few designs alone, those near the least of their sites: what they find is checked
    over the whole pool now and then, and designs that came near it are looked at from then on.
    """

    def __init__(
        self, relax: Relaxation, start: Multipliers, best: Incumbent, scale: float, stop: Stop
    ) -> None:
        self.relax, self.best, self.scale, self.stop = relax, best, scale, stop
        sku, span = relax.curves.mode_sku, relax.span()
        reach = (span * np.maximum(relax.greatest, 1.0))[relax.share_site, sku[relax.share_mode]]
        self.mu_weight, self.w_weight = span[sku], SITE_WEIGHT * relax.pool.sites * reach
        self.mu, self.w = start.mu, relax.shares(start)
        self.toward_mu, self.toward_w = np.zeros_like(self.mu), np.zeros_like(self.w)
        self.steps, self.stalled, self.often = 0, 0, np.zeros(relax.curves.modes)
        self.top = self.sure = Point(value=-np.inf, mu=self.mu, w=self.w)
        self.few = max(FEW, FEW_LEAST * relax.pool.sites)
        self.places = np.arange(relax.pool.size)
        self.part = self.few_uses = relax
        if relax.pool.size > WORTH * self.few and not relax.caps:
            self.places = relax.pool.start  # a site without a design would take the next one's
            self.look_near(self.mu, self.w)

    def bound(self) -> Bound:
        """The highest point over the whole pool."""
        self.checked()
        at = self.relax.multipliers(self.top.mu, self.top.w)
        return Bound(value=self.top.value, at=at, steps=self.steps, often=self.often)

    def checked(self) -> float:
        """The highest point's value over the whole pool."""
        if self.part is not self.relax and self.top is not self.sure:
            value = self.look_near(self.top.mu, self.top.w)
            top = Point(value=value, mu=self.top.mu, w=self.top.w)
            self.top = self.sure = top if value > self.sure.value else self.sure
        return self.top.value

    def look_near(self, mu: FloatArray, w: FloatArray) -> float:
        """`L` over the whole pool; its designs near the least are looked at from now on."""
        relax = self.relax
        cost = relax.design_cost(relax.labels.least(relax.labels.cost(mu, w)))
        over = relax.over_least(cost)
        near = np.flatnonzero(over <= np.partition(over, self.few)[self.few])
        self.places = np.union1d(self.places, near)
        if self.best.choice.size:
            self.places = np.union1d(self.places, self.best.choice[self.best.choice != NOBODY])
        self.part = relax.some(self.places)
        self.few_uses = self.part.compact()
        return relax.sites_side(cost)[0] + relax.purchase(mu, self.borne(w)).value

    def borne(self, w: FloatArray) -> FloatArray:
        """What all sites bear of each mode (V,)."""
        return np.bincount(self.relax.share_mode, w, minlength=self.relax.curves.modes).astype(float)

    def step(self) -> bool:
        """Evaluate `L`, and go on; whether there is anywhere to go."""
        relax, mu, w = self.relax, self.mu, self.w
        self.steps += 1
        each = relax.labels.cost(mu, w)
        cost = self.part.design_cost(relax.labels.least(each))
        least, choice = self.part.sites_side(cost)
        bought = relax.purchase(mu, self.borne(w))
        value = least + bought.value
        self.often += max(LATEST, 1 / self.steps) * (bought.active - self.often)
        self.try_choice(cost, choice, bought)
        if not np.isfinite(value):  # the pool has no design of one kind for all sites of a region
            self.top = self.sure = Point(value=value, mu=mu, w=w)
            return False
        if value > self.top.value + 1e-9 * abs(value):
            self.top, self.stalled = Point(value=value, mu=mu, w=w), 0
        else:
            self.stalled += 1
        made = self.part.uses(choice)  # a check changes which designs are looked at
        if self.steps % CHECK == 0:
            self.settle(choice)
            self.checked()
        if self.stalled >= STALL:
            return self.turned_back()
        return self.moved(value, slopes(relax, mu, w, made, relax.labels.cheapest(made, each), bought))

    def turned_back(self) -> bool:
        """Begin again at the highest point, steps half as long; whether these are long enough to matter."""
        self.checked()
        self.scale, self.stalled, self.mu, self.w = self.scale / 2, 0, self.top.mu, self.top.w
        self.toward_mu, self.toward_w = np.zeros_like(self.mu), np.zeros_like(self.w)
        return self.scale >= 0.5**HALVINGS

    def moved(self, value: float, slope: tuple[FloatArray, FloatArray]) -> bool:
        """Take a step from where `L` has a value and a slope; whether there is a way up."""
        self.toward_mu = DEFLECTION * slope[0] + (1 - DEFLECTION) * self.toward_mu
        self.toward_w *= 1 - DEFLECTION
        self.toward_w += DEFLECTION * slope[1]
        up_mu, up_w = self.toward_mu * self.mu_weight, self.toward_w * self.w_weight
        norm = float(np.einsum("v,v", self.toward_mu, up_mu) + np.einsum("p,p", self.toward_w, up_w))
        if norm < 1e-12:
            return False
        aim = min(self.best.cost, max(self.top.value, value) * (1 + REACH) + 1.0)
        length = self.scale * (aim - value) / norm
        self.mu = np.maximum(self.mu + length * up_mu, 0.0)
        up_w *= length
        up_w += self.w
        self.w = np.maximum(up_w, 0.0, out=up_w)
        return True

    def try_choice(self, cost: FloatArray, choice: IntArray, bought: Purchase) -> None:
        """Price the choice met while there is none; under caps, that from the SKUs the purchase takes.

        Later on what is met is settled now and then, which comes to no more (`settle`).
        """
        part = self.part
        if not len(self.best.choice):
            self.offer(choice)
        if part.caps:
            within = part.within_caps(cost, bought.active)
            _, other = part.sites_side(within)
            if np.isfinite(within[other[other != NOBODY]]).all():
                self.offer(other)

    def settle(self, choice: IntArray) -> None:
        """Offer what a choice of the designs looked at comes to when sites change theirs one by one."""
        near = Incumbent(cost=self.part.cost(choice), choice=choice)
        settle(self.few_uses, near, self.stop)
        self.offer(near.choice)

    def offer(self, choice: IntArray) -> None:
        """Keep a choice of the designs looked at if it is the best."""
        self.best.offer(self.part.cost(choice), np.where(choice == NOBODY, NOBODY, self.places[choice]))


def slopes(
    relax: Relaxation, mu: FloatArray, w: FloatArray, uses: IntArray, label: IntArray, bought: Purchase
) -> tuple[FloatArray, FloatArray]:
    """Subgradient of `L` at the uses (N,) made, and their labels (N,).

    Labelled needs less what is bought (V,), and uses less the modes bought (P,).
    """
    mode, share = relax.labels.mode[label], relax.labels.share[label]
    slope_mu = np.bincount(mode, relax.use_units[uses], minlength=relax.curves.modes) - bought.units
    slope_mu[(mu <= 0) & (slope_mu < 0)] = 0.0
    slope_w = -(bought.active[relax.share_mode] & (w > 0)).astype(float)
    slope_w[share] = 1.0 - bought.active[mode]  # a site labels one use of a SKU
    return slope_mu, slope_w
