"""Local search: sites change their designs while the fleet gets cheaper, from one plan after another.

A descent gives sites their cheapest designs beside what the others need, at what the needs truly cost, until
no site alone can do better. Where sites may be left out, one more is served for the sake of a required SKU
that nobody uses, and those that are more than asked are left out where that is cheaper. What one site cannot
do alone - leave a SKU, take up another, reach a price tier, save a spare - is tried from starts around the
best plan: each site's cheapest design at the mean costs of a unit that some other need of one SKU would
give, or one SKU in place of another of its category, and the plan with a few sites moved by a tilt of one
price.
Counted work; a stop ends it with the best plan so far.
"""

from collections.abc import Iterator, Sequence
from itertools import chain

import numpy as np
from scipy import sparse

from planner.fleet.buying import FloatArray, IntArray
from planner.fleet.relaxation import NOBODY, Incumbent, Relaxation
from planner.fleet.stop import Stop

WORK = 30_000_000  # designs priced by `improve`, over all its steps
DESIGNS, DESIGNS_LEAST = 10_000, 8  # that it chooses from: in the fleet, and of a site
ALMOST, ALMOST_LEAST = 0.5, 0.006  # how much dearer a start may be than the best plan: mean sites; its share
TILTS = (0.03, -0.03, 0.1, -0.1, 0.3, -0.3)  # of the mean cost of a unit
MOVED = 10  # sites that a tilt moves at most
CENT = 1e-6  # currency: less is rounding


def settle(relax: Relaxation, best: Incumbent, stop: Stop) -> None:
    """Improve the incumbent until no site alone can."""
    if len(best.choice):
        trial = Tentative(relax, best.choice)
        trial.descend(stop)
        best.offer(trial.cost, trial.choice)


def improve(
    relax: Relaxation, best: Incumbent, near: FloatArray, category: Sequence[str], stop: Stop
) -> None:
    """Improve the incumbent from starts around it.

    `near` (D,) says which designs to choose from first, `category` (K,) which SKUs may stand for each other.
    """
    if not len(best.choice):
        return
    places = relax.pool.nearest(near, max(DESIGNS_LEAST, DESIGNS // relax.pool.sites))
    places = np.union1d(places, best.choice[best.choice != NOBODY])
    part = Relaxation(relax.pool.take(places), relax.needs, relax.curves, relax.rules)
    choice = np.where(best.choice == NOBODY, NOBODY, np.searchsorted(places, best.choice))
    alike = np.unique(category, return_inverse=True)[1][relax.curves.tiered]
    found = _Search(part, choice, alike, stop).run()
    best.offer(found.cost, np.where(found.choice == NOBODY, NOBODY, places[found.choice]))


class Tentative:
    """A choice that changes, and the need of each tiered SKU (T,) that it makes."""

    def __init__(self, relax: Relaxation, choice: IntArray) -> None:
        self.relax, self.choice = relax, choice.copy()
        self.own = np.zeros((relax.pool.sites, len(relax.curves.tiered)), dtype=np.int64)
        self.put(np.arange(relax.pool.sites), choice)
        self.cost, self.evaluations = relax.cost(self.choice), 0

    def put(self, sites: IntArray, designs: IntArray) -> None:
        """Give sites (N,) designs (N,), or nobody's."""
        self.choice[sites] = designs
        self.own[sites] = 0
        made = self.relax.uses(designs)
        self.own[self.relax.use_site[made], self.relax.use_sku[made]] = self.relax.use_units[made]

    @property
    def need(self) -> IntArray:
        """Units of each tiered SKU (T,)."""
        return np.asarray(self.own.sum(axis=0))

    def prices(self) -> FloatArray:
        """What each design (D,) costs beside what others need; broken rules cost more than fleets."""
        relax = self.relax
        others = (self.need[None, :] - self.own)[relax.use_site, relax.use_sku]
        extra = added_cost(relax, relax.use_sku, others, relax.use_units.astype(np.int64))
        self.evaluations += 1
        return np.asarray(relax.base + relax.made_by @ extra + self.penalties(others))

    def penalties(self, others: IntArray) -> FloatArray | float:
        """What designs (D,) cost for rules broken; the other sites need so much of each use's SKU (U,)."""
        relax, cost = self.relax, np.zeros(self.relax.pool.size)
        for skus, most in relax.caps:
            fresh = np.isin(relax.use_sku, skus) & (others == 0)
            used = (self.need[skus][None, :] > self.own[:, skus]).sum(axis=1)[relax.pool.designs.site]
            cost += relax.penalty * np.maximum(0.0, used + relax.made_by @ fresh.astype(float) - most)
        if relax.required.any():
            lacking = relax.required[relax.use_sku] & (others == 0)
            cost -= relax.penalty * (relax.made_by @ lacking.astype(float))
        if relax.rules.kinds > 1:
            now = self.kinds()[relax.pool.designs.site]
            cost[(now != NOBODY) & (relax.kind != now)] = np.inf
        return cost

    def kinds(self) -> IntArray:
        """Kind of battery of each site's design (S,); of a site without, its region's, nobody's if open."""
        region, served = self.relax.rules.region, self.choice != NOBODY
        own = np.where(served, self.relax.kind[self.choice], NOBODY)
        common = np.full(int(region.max(initial=0)) + 1, NOBODY)
        common[region[served]] = own[served]
        return np.where(served, own, common[region])

    def better(self, prices: FloatArray) -> tuple[IntArray, IntArray]:
        """Sites with a cheaper design, or better without one, that which gains most first; and the design."""
        rules, served = self.relax.rules, self.choice != NOBODY
        beyond = rules.beyond_asked(served)[rules.group]
        least, design = self.relax.pool.cheapest(prices)
        now = np.where(served, prices[self.choice], self.relax.penalty * (beyond < 0))
        leaves = served & (beyond > 0)
        if leaves.any():
            leaves &= (rules.rank(-now) < beyond) & (least > 0)
        gain = now - np.where(leaves, 0.0, least)
        order = np.argsort(-gain, kind="stable")
        sites = order[gain[order] > CENT]
        return sites, np.where(leaves, NOBODY, design)[sites]

    def descend(self, stop: Stop) -> None:
        """Move as many sites at once as make the fleet cheaper, until none alone does."""
        while not stop.due():
            sites, designs = self.better(self.prices())
            while len(sites) and not self.moved(sites, designs):
                sites, designs = sites[: len(sites) // 2], designs[: len(sites) // 2]
            if not len(sites):
                break

    def moved(self, sites: IntArray, designs: IntArray) -> bool:
        """Move sites (N,) to designs (N,) if that makes the fleet cheaper."""
        before = self.choice[sites]
        self.choice[sites] = designs
        cost = self.relax.cost(self.choice)
        if cost < self.cost - CENT / 2:
            self.put(sites, designs)
            self.cost = cost
            return True
        self.choice[sites] = before
        return False


class _Around:
    """A plan, and what designs (D,) cost beside it and at the mean costs of a unit that its needs (T,) give.

    `plain` is at those means, `barred` how many units of SKUs that the plan does without.
    """

    def __init__(self, plan: Tentative, units: sparse.csc_matrix, typical: IntArray) -> None:
        self.plan, self.need = plan, plan.need
        self.used = self.need > 0
        self.mean = mean_costs(plan.relax, np.where(self.used, self.need, np.maximum(self.need, typical)))
        self.plain = plan.relax.base + units @ self.mean
        self.barred = units @ (~self.used).astype(float)
        self.prices = plan.prices()


class _Search:
    """The best plan, and starts around it; tiered SKUs of one category are `alike` (T,)."""

    def __init__(self, relax: Relaxation, choice: IntArray, alike: IntArray, stop: Stop) -> None:
        self.relax, self.alike, self.stop = relax, alike, stop
        self.almost = max(ALMOST / relax.pool.sites, ALMOST_LEAST)
        self.units = relax.pool.designs.usage[:, relax.curves.tiered].tocsc()
        self.evaluations = 0
        self.typical = np.maximum(np.median(relax.greatest, axis=0), 1.0).astype(np.int64)
        self.seen: set[bytes] = set()
        self.best = Tentative(relax, choice)
        self.other: Tentative | None = None  # the best that was met on the way
        self.around: _Around | None = None

    def run(self) -> Tentative:
        """Starts by every SKU in turn; where none leads to a better plan, on from the best that was met."""
        self.best.descend(self.stop)
        top = self.best
        skus = np.flatnonzero(self.relax.needs.most[self.relax.curves.tiered] > 0).tolist()
        idle = 0
        while skus and self.goes_on():
            idle = 0 if self.tried(skus[0]) else idle + 1
            skus = [*skus[1:], skus[0]]
            if self.best.cost < top.cost - CENT:
                top = self.best
            if idle == len(skus):
                if self.other is None:
                    break
                self.best, self.other, idle = self.other, None, 0
        return top

    def goes_on(self) -> bool:
        """Whether there is work left to do."""
        return self.evaluations * self.relax.pool.size < WORK and not self.stop.due()

    def tried(self, t: int) -> bool:
        """Whether a start by the t-th tiered SKU leads to a better plan."""
        around = self.looked_around()
        for choice in chain(self.by_means(t, around), self.by_tilts(t, around)):
            if self.known(choice):
                continue
            trial = Tentative(self.relax, choice)
            trial.descend(self.stop)
            self.evaluations += trial.evaluations
            if self.known(trial.choice):
                continue
            if trial.cost < self.best.cost - CENT:
                self.best, self.other = trial, None
                return True
            if self.other is None or trial.cost < self.other.cost - CENT:
                self.other = trial
            if not self.goes_on():
                break
        return False

    def looked_around(self) -> _Around:
        """What designs cost beside the best plan."""
        if self.around is None or self.around.plan is not self.best:
            self.around = _Around(self.best, self.units, self.typical)
        return self.around

    def known(self, choice: IntArray) -> bool:
        """Whether a choice was met before."""
        key = choice.tobytes()
        if key in self.seen:
            return True
        self.seen.add(key)
        return False

    def by_means(self, t: int, around: _Around) -> Iterator[IntArray]:
        """Choices at the mean costs that other needs of the t-th tiered SKU would give, the others' as now.

        Where it is not used, it takes the place of each one of its category that is.
        """
        need, used, curves = around.need, around.used, self.relax.curves
        others = np.flatnonzero(used & (self.alike == self.alike[t]))
        moves = [(other, int(need[other])) for other in others.tolist()]
        if used[t]:
            tiers = curves.low[curves.mode_sku == t].astype(np.int64)
            moves = [(t, n) for n in (0, *tiers[tiers > need[t]].tolist())]
        for left, number in moves:
            asked = need.copy()
            asked[left], asked[t] = 0, min(number, int(self.relax.needs.most[curves.tiered[t]]))
            choice = self.settled(around, asked, {left, t})
            if self.relax.cost(choice) <= around.plan.cost * (1 + self.almost):
                yield choice

    def settled(self, around: _Around, asked: IntArray, changed: set[int]) -> IntArray:
        """Each site's cheapest design at needs (T,) that differ from the plan's in those of some SKUs.

        A unit of a SKU that is not asked for costs more than fleets.
        """
        self.evaluations += 1
        plain, barred = around.plain.copy(), around.barred.copy()
        mean = mean_costs(self.relax, asked)
        for t in changed:
            at, units = self.column(t)
            plain[at] += units * (mean[t] - around.mean[t])
            barred[at] += units * (float(around.used[t]) - float(asked[t] > 0))
        return self.relax.sites_side(plain + self.relax.penalty * barred)[1]

    def column(self, t: int) -> tuple[IntArray, FloatArray]:
        """Designs that use the t-th tiered SKU, and units of it."""
        first, end = self.units.indptr[t : t + 2]
        return self.units.indices[first:end], self.units.data[first:end]

    def by_tilts(self, t: int, around: _Around) -> Iterator[IntArray]:
        """Choices of the best plan but for a few sites, those that the tilted price of a SKU moves first."""
        self.evaluations += 1
        at, units = self.column(t)
        each = mean_costs(self.relax, around.need)[t] * units
        for tilt in TILTS if around.used[t] else [tilt for tilt in TILTS if tilt < 0]:
            tilted = around.prices.copy()
            tilted[at] += tilt * each
            sites, designs = around.plan.better(tilted)
            choice = around.plan.choice.copy()
            choice[sites[:MOVED]] = designs[:MOVED]
            if len(sites):
                yield choice


def mean_costs(relax: Relaxation, need: IntArray) -> FloatArray:
    """Mean cost of a unit (T,) of needs (T,)."""
    units = np.maximum(need, 1)
    return np.asarray(relax.needs.of(relax.curves.tiered, units) / units)


def added_cost(relax: Relaxation, sku: IntArray, need: IntArray, units: IntArray) -> FloatArray:
    """What `units` more of each SKU cost beside a need; more than there is breaks a rule."""
    needs, skus = relax.needs, relax.curves.tiered[sku]
    beyond = (need + units > needs.most[skus]) & (need <= needs.most[skus])
    return np.asarray(needs.of(skus, need + units) - needs.of(skus, need) + relax.penalty * beyond)
