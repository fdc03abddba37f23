"""The fleet over a pool of designs, with the coupling between sites relaxed by multipliers.

A fleet buys each SKU k in one mode v (`planner.fleet.curves`), so every unit that a site s uses is bought in
that mode. Label each use with a mode and relax, with multipliers, that the labelled needs add up to what is
bought (`mu[v]`, currency a unit) and that a site may use a mode only if the fleet is in it (`w[s,v] >= 0`):

    L(mu, w) = sites(min_d (c[s,d] + sum_k phi[s,k](a[k,d])))
             + sum_{k taken} min_v min_{low_v <= n <= high_v} (G_k(n) - mu[v] n) - sum_s w[s,v]
    phi[s,k](a) = min_{v of k} (mu[v] a + w[s,v])   for a > 0,  phi(0) = 0

The sites' side sums the least cost of every site that is served: of each group of sites the cheapest, as
many as the rules ask at least (no site costs less than nothing); where a region has batteries of one kind,
the kind that is cheapest for the whole region. Taken are the required SKUs and those that lower `L`; of a
category with a cap, as many as it allows, those that lower it most. `L` is a lower bound for every `mu` and
every `w >= 0`, if the site minima are taken over every design.
"""

from copy import copy
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from planner.fleet.buying import FloatArray, IntArray
from planner.fleet.curves import Curves
from planner.fleet.labels import make_labels
from planner.fleet.needs import Needs
from planner.fleet.pool import Pool
from planner.fleet.rules import Rules

BoolArray = NDArray[np.bool_]
NOBODY = -1  # chosen design of a site that is not served
BREACH = 10.0  # what breaking a rule once costs a search, in whole fleets


@dataclass(slots=True, kw_only=True)
class Incumbent:
    """Best choice of a design for each site so far, and its cost; a broken rule costs more than a fleet."""

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

    def phi(self, curves: Curves, s: int, units: int, of: IntArray | None = None) -> FloatArray:
        """What 0..units of each tiered SKU, or of those at some places, cost at site s (T, units + 1)."""
        of = np.arange(len(curves.tiered)) if of is None else of
        number = np.arange(units + 1)
        first, end = (np.searchsorted(curves.mode_sku, of, side=side) for side in ("left", "right"))
        start = np.append(0, np.cumsum(end - first))
        v = np.arange(start[-1]) + np.repeat(first - start[:-1], end - first)
        each = self.mu[v, None] * number
        each += self.w[s, v, None]
        short = np.flatnonzero(curves.high[v] < units)
        each[short] = np.where(number > curves.high[v[short], None], np.inf, each[short])
        least = np.minimum.reduceat(each, start[:-1]) if len(of) else each
        least[:, 0] = 0.0
        return least

    @property
    def borne(self) -> FloatArray:
        """What all sites bear of each mode (V,)."""
        return np.asarray(self.w.sum(axis=0))

    def of_parts(self, parts: IntArray) -> "Multipliers":
        """The same for modes that are parts of these."""
        return Multipliers(mu=self.mu[parts], w=self.w[:, parts])


@dataclass(frozen=True, slots=True, kw_only=True)
class Purchase:
    """The purchase's side of `L`: its value, which modes SKUs are bought in (V,), and the need there (V,)."""

    value: float
    active: BoolArray
    units: FloatArray


class Relaxation:
    """The relaxed fleet over a pool of designs: evaluates both sides of `L` and the exact cost of a choice.

    A use is a distinct (site, SKU, units) that some of the pool's designs make; `made_by` (D, U) says which.
    Its `labels` are the modes that it may be bought in. A site bears shares of the modes that its uses may be
    labelled with alone: those pairs of a site and a mode (P) are `share_site` and `share_mode`.
    """

    def __init__(self, pool: Pool, needs: Needs, curves: Curves, rules: Rules) -> None:
        self.pool, self.needs, self.curves, self.rules = pool, needs, curves, rules
        self.kind = rules.kind[pool.designs.column.battery]
        self.base = pool.designs.other_cost + pool.designs.usage @ curves.unit_price
        tiered = pool.designs.usage[:, curves.tiered].tocoo()
        units, skus = tiered.data.astype(np.int64), len(curves.tiered)
        width = int(units.max(initial=0)) + 1
        code = (pool.designs.site[tiered.row] * skus + tiered.col) * width + units
        uses, which = np.unique(code, return_inverse=True)
        first = np.searchsorted(curves.mode_sku, np.arange(skus + 1))
        place = np.arange(int(np.diff(first).max(initial=1)))[None, :]
        sku, units = uses // width % max(1, skus), uses % width
        modes = np.where(place < np.diff(first)[sku, None], first[sku, None] + place, -1)  # (U, M)
        high = np.append(curves.high, 0.0)  # of no mode: mode -1
        barred = (modes < 0) | (high[modes] < units[:, None])
        order = np.argsort((~barred).sum(axis=1), kind="stable")
        which = np.argsort(order)[which]
        self.use_units, self.use_sku = units[order].astype(float), sku[order]
        self.use_site = (uses // width // max(1, skus))[order]
        self.modes, self.barred = modes[order], barred[order]
        self.made_by = sparse.csr_matrix(
            (np.ones(len(which)), (tiered.row, which)), shape=(pool.designs.usage.shape[0], len(uses))
        )
        pair = self.use_site[:, None] * curves.modes + np.maximum(self.modes, 0)
        self.labels, pairs = make_labels(self.modes, self.barred, self.use_units, pair)
        self.share_site, self.share_mode = np.divmod(pairs, max(1, curves.modes))
        self.corner_sku = np.searchsorted(curves.mode_sku[curves.corner_mode], np.arange(skus))
        #: Units of a SKU at a site that its greatest use makes; how far a multiplier of it may move the site.
        self.greatest = np.zeros((pool.sites, skus))
        np.maximum.at(self.greatest, (self.use_site, self.use_sku), self.use_units)
        #: Places of the capped SKUs among the tiered ones.
        self.caps = [(np.flatnonzero(np.isin(curves.tiered, cap.skus)), cap.most) for cap in self.rules.caps]
        self.required = self.rules.required[curves.tiered]
        dearest = np.maximum.reduceat(self.base, pool.start).sum()
        #: No plan over the pool costs more.
        self.dearest = 1.0 + self.needs.dearest + float(dearest)
        self.penalty = BREACH * self.dearest

    def limited(self, curves: Curves, rules: Rules) -> "Relaxation":
        """The same pool where some modes are closed and more SKUs required; not for the integer model."""
        other = copy(self)
        other.curves, other.rules = curves, rules
        other.required = rules.required[curves.tiered]
        other.labels = self.labels.without(curves)
        return other

    def some(self, places: IntArray) -> "Relaxation":
        """The same over the designs at some places, rising; uses, labels and pairs stay those of all."""
        other = copy(self)
        other.pool = self.pool.take(places)
        other.kind, other.base, other.made_by = self.kind[places], self.base[places], self.made_by[places]
        return other

    def compact(self) -> "Relaxation":
        """The same without the uses that none of its designs makes: to price choices, as it has no labels."""
        uses, which = np.unique(self.made_by.indices, return_inverse=True)
        other = copy(self)
        shape = len(self.base), len(uses)
        other.made_by = sparse.csr_matrix((self.made_by.data, which, self.made_by.indptr), shape=shape)
        other.use_units, other.use_sku = self.use_units[uses], self.use_sku[uses]
        other.use_site = self.use_site[uses]
        return other

    def need(self, choice: IntArray) -> IntArray:
        """Units of every SKU (K,) that a choice of designs needs."""
        usage = self.pool.designs.usage
        at = places_in(usage, choice)
        need = np.bincount(usage.indices[at], usage.data[at], minlength=usage.shape[1])
        return np.asarray(need.round().astype(np.int64))

    def uses(self, choice: IntArray) -> IntArray:
        """Uses that a choice of designs makes, site by site."""
        return np.asarray(self.made_by.indices[places_in(self.made_by, choice)])

    def cost(self, choice: IntArray) -> float:
        """Cost of a choice of designs: exact where it keeps all rules, beyond any fleet's where not."""
        need, chosen = self.need(choice), choice[choice != NOBODY]
        goods = float(self.needs.of(np.arange(len(need)), need).sum())
        own = float(self.pool.designs.other_cost[chosen].sum())
        return goods + own + self.penalty * self.breaches(choice, need)

    def breaches(self, choice: IntArray, need: IntArray) -> int:
        """How often a choice breaks a rule: served sites, stock, cap, required SKU, one kind in a region."""
        used, served = need > 0, choice != NOBODY
        count = int(np.maximum(-self.rules.beyond_asked(served), 0).sum())
        count += int((need > self.needs.most).sum()) + int((self.rules.required & ~used).sum())
        count += sum(max(0, int(used[cap.skus].sum()) - cap.most) for cap in self.rules.caps)
        if self.rules.kinds > 1:
            pairs = np.stack([self.rules.region[served], self.kind[choice[served]]], axis=1)
            count += len(np.unique(pairs, axis=0)) - len(np.unique(pairs[:, 0]))
        return count

    def keeps_rules(self, choice: IntArray) -> bool:
        """Whether a choice is a plan."""
        return len(choice) > 0 and self.breaches(choice, self.need(choice)) == 0

    def shares(self, at: Multipliers) -> FloatArray:
        """Shares of the modes that each site may bear (P,)."""
        return np.asarray(at.w[self.share_site, self.share_mode])

    def multipliers(self, mu: FloatArray, shares: FloatArray) -> Multipliers:
        """Multipliers of shares (P,); no site bears another one."""
        w = np.zeros((self.pool.sites, self.curves.modes))
        w[self.share_site, self.share_mode] = shares
        return Multipliers(mu=mu, w=w)

    def cost_at(self, at: Multipliers) -> FloatArray:
        """Cost of each design of the pool (D,) at the multipliers."""
        return self.design_cost(self.labels.least(self.labels.cost(at.mu, self.shares(at))))

    def design_cost(self, phi: FloatArray) -> FloatArray:
        """Cost of each design of the pool (D,) at the costs of its uses (U,)."""
        cost: FloatArray = self.base + self.made_by @ phi
        return cost

    def least(self, cost: FloatArray) -> tuple[FloatArray, IntArray]:
        """Least of `cost` (D,) at each site by kind of battery (S, C), and the first design that has it."""
        found = [
            self.pool.cheapest(cost if self.rules.kinds == 1 else np.where(self.kind == c, cost, np.inf))
            for c in range(self.rules.kinds)
        ]
        return np.stack([least for least, _ in found], axis=1), np.stack([d for _, d in found], axis=1)

    def sites_side(self, cost: FloatArray) -> tuple[float, IntArray]:
        """The sites' side of `L` at costs of the designs (D,), and the choice that has it."""
        least, design = self.least(cost)
        value, kind, served = self.rules.select(least)
        return value, np.where(served, design[np.arange(len(kind)), kind], NOBODY)

    def purchase(self, mu: FloatArray, borne: FloatArray) -> Purchase:
        """Each SKU's cheapest mode and need, or none of it, where sites bear so much of each mode (V,)."""
        c, value = self.curves, self._corner_values(mu, borne)
        active, units = np.zeros(c.modes, dtype=bool), np.zeros(c.modes)
        if not len(value):
            return Purchase(value=0.0, active=active, units=units)
        least = np.minimum.reduceat(value, self.corner_sku)
        taken = self._taken(least)
        sku = c.mode_sku[c.corner_mode]
        hits = np.flatnonzero((value <= least[sku]) & taken[sku])
        first = hits[np.diff(sku[hits], prepend=-1) > 0]
        active[c.corner_mode[first]] = True
        units[c.corner_mode[first]] = c.corner_units[first]
        return Purchase(value=float(least[taken].sum()), active=active, units=units)

    def _corner_values(self, mu: FloatArray, borne: FloatArray) -> FloatArray:
        c = self.curves
        return np.asarray(c.corner_cost - mu[c.corner_mode] * c.corner_units - borne[c.corner_mode])

    def _taken(self, least: FloatArray) -> BoolArray:
        """SKUs (T,) that the purchase takes at their least values."""
        taken = (least < 0) | self.required
        for skus, most in self.caps:
            free = skus[~self.required[skus]]
            room = most - int(self.required[skus].sum())
            taken[free[np.argsort(least[free], kind="stable")[max(0, room) :]]] = False
        return taken

    def lifted(self, at: Multipliers, unit_cost: FloatArray) -> Multipliers:
        """Multipliers with `mu` up to costs of a unit (T,), or as far as the purchase's value lets it.

        `L` does not fall: its sites' side rises with `mu`, and the purchase's side stays what it is.
        """
        c, value = self.curves, self._corner_values(at.mu, at.borne)
        least = np.full(len(c.tiered), np.inf)
        sku = c.mode_sku[c.corner_mode]
        np.minimum.at(least, sku, value)
        floor = np.where(self.required & np.isfinite(least), least, np.minimum(least, 0.0))
        highest = np.full(c.modes, np.inf)
        np.minimum.at(highest, c.corner_mode, at.mu[c.corner_mode] + (value - floor[sku]) / c.corner_units)
        return Multipliers(mu=np.maximum(at.mu, np.minimum(highest, unit_cost[c.mode_sku])), w=at.w)

    def modes_within(self, at: Multipliers, slack: float) -> IntArray:
        """Modes that the purchase can be forced into for at most `slack`."""
        c, value = self.curves, self._corner_values(at.mu, at.borne)
        mode = np.full(c.modes, np.inf)
        np.minimum.at(mode, c.corner_mode, value)
        least = np.where(self.required, np.inf, 0.0)
        np.minimum.at(least, c.mode_sku, mode)
        return np.flatnonzero(mode - least[c.mode_sku] <= slack)

    def within_caps(self, cost: FloatArray, active: BoolArray) -> FloatArray:
        """Costs of the designs (D,), infinite for those with a capped SKU that no active mode buys."""
        if not self.caps:
            return cost
        bought = np.zeros(len(self.curves.tiered), dtype=bool)
        bought[self.curves.mode_sku[active]] = True
        barred = np.zeros(len(bought), dtype=bool)
        for skus, _ in self.caps:
            barred[skus] = ~bought[skus]
        return np.where(self.made_by @ barred[self.use_sku].astype(float) > 0, np.inf, cost)

    def reduced_cost(self, at: Multipliers) -> FloatArray:
        """By how much `L` rises at least when the fleet is made to take each design of the pool (D,)."""
        return self.over_least(self.cost_at(at))

    def over_least(self, cost: FloatArray) -> FloatArray:
        """How far costs (D,) are over the least of their site and kind of battery."""
        least = self.least(cost)[0][self.pool.designs.site, self.kind]
        return np.where(np.isfinite(least), cost - np.where(np.isfinite(least), least, 0.0), np.inf)

    def start(self) -> Multipliers:
        """Every mode at its least mean cost of a unit, no site bearing a share."""
        return Multipliers(mu=self.curves.unit_cost(), w=np.zeros((self.pool.sites, self.curves.modes)))

    def span(self) -> FloatArray:
        """How far the cost of a unit ranges over the needs of each tiered SKU (T,), currency."""
        c = self.curves
        if not len(c.tiered):
            return np.zeros(0)
        first = np.searchsorted(c.mode_sku, np.arange(len(c.tiered)))
        unit = c.unit_cost()
        low = np.minimum.reduceat(unit, first)
        high = np.maximum.reduceat(np.where(np.isfinite(unit), unit, 0.0), first)
        low = np.where(np.isfinite(low), low, high)  # of a SKU that cannot be bought
        typical = np.median(np.maximum(self.greatest, 1.0), axis=0).astype(np.int64)
        typical = np.minimum(typical, self.needs.most[c.tiered])
        single = self.needs.of(c.tiered, typical) / typical
        return np.asarray(np.maximum(np.maximum(high, single) - low, 0.005 * low + 1e-9))


def places_in(matrix: sparse.csr_matrix, choice: IntArray) -> IntArray:
    """Places of the entries in the rows that are chosen."""
    chosen = choice[choice != NOBODY]
    first, length = matrix.indptr[chosen], matrix.indptr[chosen + 1] - matrix.indptr[chosen]
    end = np.cumsum(length)
    return np.asarray(np.repeat(first - end + length, length) + np.arange(int(end[-1]) if len(end) else 0))
