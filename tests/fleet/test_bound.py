"""The bound under every plan, whatever the multipliers; minima over all designs; local search."""

from dataclasses import replace
from itertools import combinations
from math import isfinite

import numpy as np
import pytest

from planner.fleet import bound, candidates
from planner.fleet.bound import ascend
from planner.fleet.buying import FloatArray
from planner.fleet.curves import make_curves
from planner.fleet.exact import Exact, price_out
from planner.fleet.pricing import SiteOffer
from planner.fleet.relaxation import NOBODY, Incumbent, Multipliers, Relaxation
from planner.fleet.search import settle
from planner.fleet.standards import settle_standards
from planner.fleet.stop import Stop
from tests.fleet.brute import cheapest, designs, sku_costs
from tests.fleet.instances import equipped, goods, site
from tests.fleet.policies import Policy, random_policy, rules_of, under


class Case:
    """A small fleet with its relaxation over the candidates; with rules, of every sort that there is."""

    def __init__(
        self,
        seed: int,
        *,
        sites: int = 2,
        suppliers: int = 1,
        few: int = 20,
        there: bool = False,
        ruled: bool = False,
    ) -> None:
        self.rng = np.random.default_rng(seed)
        g = goods(self.rng, (1, 3, 7), suppliers, terms=ruled)
        self.offers: list[SiteOffer] = [site(self.rng, g, s) for s in range(sites)]
        if there:
            self.offers = [equipped(self.rng, g, offer) for offer in self.offers]
        self.policy = random_policy(self.rng, sites) if ruled else Policy()
        self.g, self.rules = under(g, self.policy), rules_of(g, self.policy, sites)
        pool = candidates(self.g.pricer, self.offers, sites=sites)
        assert pool is not None
        self.needs = self.g.pricer.market.needs(pool.most)
        self.curves = make_curves(self.needs, counted=self.rules.counted)
        some = np.unique(np.append(pool.start, self.rng.integers(0, pool.size, few)))
        self.relax = Relaxation(pool.take(some), self.needs, self.curves, self.rules)
        self.true = [sku_costs(g.terms, g.ladders[k], k, int(most)) for k, most in enumerate(pool.most)]

    def best(self) -> float:
        """Least cost of any plan."""
        return cheapest(self.g, self.offers, self.policy)

    def whole(self) -> Relaxation:
        """The relaxation over every design."""
        every = self.price_out(self.relax.start(), slack=1e12, designs_max=10**6)
        pool = self.relax.pool.with_designs(every.designs)
        usage = [units for offer in self.offers for _, units, _ in designs(self.g, offer)]
        assert pool.size >= sum((np.array(units) <= self.needs.most).all() for units in usage)
        return Relaxation(pool, self.needs, self.curves, self.rules)

    def multipliers(self, spread: float) -> Multipliers:
        """Unit costs of the modes, wrong by a factor, and shares of which many are none."""
        shape = len(self.offers), self.curves.modes
        price = self.curves.unit_cost()
        shares = self.rng.exponential(spread * price, shape) * (self.rng.random(shape) < 0.3)
        return Multipliers(mu=price * self.rng.uniform(1 - spread, 1 + spread, shape[1]), w=shares)

    def price_out(self, at: Multipliers, *, slack: float = 0.0, designs_max: int = 10) -> Exact:
        """Every design priced at multipliers."""
        return price_out(
            self.g.pricer,
            self.offers,
            self.curves,
            at,
            slack=slack,
            designs_max=designs_max,
            kind=self.rules.kind,
        )

    def value(self, at: Multipliers) -> float:
        """`L` over all designs."""
        return self.rules.select(self.price_out(at).least)[0] + self.relax.purchase(at.mu, at.borne).value

    def phi(self, at: Multipliers, s: int, k: int, units: int) -> float:
        """What units of a SKU cost a site: by the only price, or in the cheapest mode that holds them."""
        curves = self.curves
        if k not in curves.tiered:
            return float(curves.unit_price[k]) * units
        modes = np.flatnonzero(curves.tiered[curves.mode_sku] == k).tolist()
        holding = [v for v in modes if curves.high[v] >= units]
        costs = [float(at.mu[v]) * units + float(at.w[s, v]) for v in holding]
        return min(costs, default=np.inf) if units else 0.0

    def costs(self, at: Multipliers, s: int, kind: int = 0) -> list[float]:
        """Cost of every design of a site with a kind of battery at multipliers, one by one, rising."""
        return sorted(
            other + sum(self.phi(at, s, k, n) for k, n in enumerate(units))
            for other, units, battery in designs(self.g, self.offers[s])
            if self.policy.battery_kind[battery] == kind
        )

    def purchase(self, at: Multipliers) -> float:
        """The purchase's side of `L`, over every need and every set of SKUs that the rules allow."""
        curves, least = self.curves, {}
        for t, k in enumerate(curves.tiered.tolist()):
            least[k] = min(
                float(self.true[k][n] - at.mu[v] * n - at.w[:, v].sum())
                for v in np.flatnonzero(curves.mode_sku == t).tolist()
                for n in range(int(curves.low[v]), int(curves.high[v]) + 1)
            )
        total, caps = 0.0, dict(self.policy.caps)
        for letter in {name[0] for name in self.g.names}:
            of = [k for k in least if self.g.names[k][0] == letter]
            total += min(
                sum(least[k] for k in some)
                for number in range(min(len(of), caps.get(letter, len(of))) + 1)
                for some in combinations(of, number)
                if {k for k in of if self.rules.required[k]} <= set(some)
            )
        return total


@pytest.mark.parametrize("seed", range(60))
def test_bound_is_under_the_optimum_at_any_multipliers(seed: int) -> None:
    """Weak duality, against enumeration of every plan; half of the fleets buy under rules."""
    ruled = seed % 2 == 1
    case = Case(seed, sites=1 + seed % 3, suppliers=1 + seed % 5 % 2, there=seed >= 40, ruled=ruled)
    best = case.best()
    values = [case.value(case.multipliers(spread)) for spread in (0.02, 0.1, 0.3, 1.0) for _ in range(6)]
    assert max(values) <= best + 1e-6
    if not ruled:
        assert max(values) > 0.8 * best  # multipliers near the prices say something


@pytest.mark.parametrize("seed", range(14))
def test_raised_bound_is_under_the_optimum_and_near_it(seed: int) -> None:
    """With rules the bound may stay away: caps, and sites left out of a region, are hard to see in prices."""
    case = Case(100 + seed, suppliers=1 + seed % 2, ruled=seed >= 8)
    relax, best, incumbent = case.whole(), case.best(), Incumbent()
    start = relax.start()
    top = ascend(relax, start, incumbent, steps=300, gap=0.0, stop=Stop())
    assert top.value == pytest.approx(case.value(top.at), abs=1e-6)
    assert case.value(start) <= top.value + 1e-6
    assert relax.cost(incumbent.choice) == pytest.approx(incumbent.cost)
    assert incumbent.cost >= best - 1e-6 or not relax.keeps_rules(incumbent.choice)
    assert top.value <= best + 1e-6
    if seed < 8:
        assert top.value >= 0.97 * best


@pytest.mark.parametrize("seed", range(12))
def test_steps_that_look_at_few_designs_raise_the_bound_over_all(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What they find is checked over the whole pool, whenever the ascent ends."""
    for name, few in (("FEW", 3), ("FEW_LEAST", 1), ("CHECK", 7)):
        monkeypatch.setattr(bound, name, few)
    case = Case(150 + seed, sites=2 + seed % 2, suppliers=1 + seed % 2, ruled=seed >= 8)
    relax, best, incumbent = case.whole(), case.best(), Incumbent()
    for steps in (5, 300):
        top = ascend(relax, relax.start(), incumbent, steps=steps, gap=0.0, stop=Stop())
        assert top.value == pytest.approx(case.value(top.at), abs=1e-6)
        assert top.value <= best + 1e-6
        assert relax.cost(incumbent.choice) == pytest.approx(incumbent.cost)
    assert case.value(relax.start()) <= top.value + 1e-6
    if seed < 8:
        assert top.value >= 0.97 * best


@pytest.mark.parametrize("seed", range(8))
def test_steps_go_by_slopes_of_the_bound(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """`L` is concave, so it lies under the plane of a slope at every other point that steps come to.

    That of few designs is nowhere lower than that of all.
    """
    for name, few in (("FEW", 3), ("FEW_LEAST", 1), ("CHECK", 7)):
        monkeypatch.setattr(bound, name, few)
    planes, move = [], bound._Ascent.moved

    def noted(self: bound._Ascent, value: float, slope: tuple[FloatArray, FloatArray]) -> bool:
        planes.append((value, self.mu, self.w, *slope))
        return move(self, value, slope)

    monkeypatch.setattr(bound._Ascent, "moved", noted)
    relax = Case(150 + seed, sites=2 + seed % 2, suppliers=1 + seed % 2).whole()
    ascend(relax, relax.start(), Incumbent(), steps=60, gap=0.0, stop=Stop())
    assert len(planes) > 7
    for _, mu, w, *_ in planes:
        at = relax.multipliers(mu, w)
        value = relax.sites_side(relax.cost_at(at))[0] + relax.purchase(mu, at.borne).value
        for height, from_mu, from_w, slope_mu, slope_w in planes:
            assert value <= height + slope_mu @ (mu - from_mu) + slope_w @ (w - from_w) + 1e-6


@pytest.mark.parametrize("seed", range(4))
def test_a_site_that_cannot_be_served_takes_no_design_of_another(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """None of its designs is near the least, as more is asked by each than there is."""
    for name, few in (("FEW", 3), ("FEW_LEAST", 1), ("CHECK", 7)):
        monkeypatch.setattr(bound, name, few)
    relax, incumbent = Case(150 + seed, sites=3).whole(), Incumbent()
    of_first = np.flatnonzero(relax.share_site[relax.labels.share] == 0)
    relax.labels = replace(relax.labels, closed=of_first)
    relax.rules = relax.rules.serving(np.array([2]))
    ascend(relax, relax.start(), incumbent, steps=60, gap=0.0, stop=Stop())
    assert incumbent.choice[0] == NOBODY
    assert relax.pool.designs.site[incumbent.choice[1:]].tolist() == [1, 2]


@pytest.mark.parametrize("seed", range(24))
def test_minima_are_those_over_every_design(seed: int) -> None:
    case = Case(200 + seed, sites=3, suppliers=1 + seed % 2, there=seed % 3 == 2, ruled=seed >= 12)
    for spread in (0.05, 0.5):
        at = case.multipliers(spread)
        exact = case.price_out(at)
        for kind in range(case.rules.kinds):
            least = [min(case.costs(at, s, kind), default=np.inf) for s in range(3)]
            assert exact.least[:, kind] == pytest.approx(least, abs=1e-6)
        pooled, _ = case.relax.least(case.relax.cost_at(at))
        assert (pooled >= exact.least - 1e-6).all()  # fewer designs, no smaller minimum
        assert case.relax.purchase(at.mu, at.borne).value == pytest.approx(case.purchase(at), abs=1e-6)


@pytest.mark.parametrize(
    ("seed", "designs_max"), [(s, n) for s in (301, 302, 303, 304, 305, 306) for n in (1, 5, 500)]
)
def test_designs_left_out_cost_as_much_as_said(seed: int, designs_max: int) -> None:
    """Over the least of their kind of battery, where a region has one kind."""
    case = Case(seed, ruled=seed > 303)
    at, slack = case.multipliers(0.1), 60.0
    exact = case.price_out(at, slack=slack, designs_max=designs_max)
    assert exact.left_out <= slack
    for s, kept in enumerate(exact.designs):
        made: dict[int, list[float]] = {kind: [] for kind in range(case.rules.kinds)}
        rows = zip(kept.other_cost, kept.usage.toarray(), kept.column.battery, strict=True)
        for other, units, battery in rows:
            cost = float(other) + sum(case.phi(at, s, k, int(n)) for k, n in enumerate(units))
            made[case.policy.battery_kind[battery]].append(cost)
        for kind, some in made.items():
            costs = case.costs(at, s, kind)
            below = [cost for cost in costs if cost < costs[0] + exact.left_out - 1e-6]
            assert sorted(some)[: len(below)] == pytest.approx(below, abs=1e-6)
        assert sum(map(len, made.values())) <= designs_max
        if designs_max == 500:
            assert exact.left_out == pytest.approx(slack)


@pytest.mark.parametrize("seed", range(16))
def test_settling_never_makes_a_plan_dearer(seed: int) -> None:
    """From any choice, one that breaks rules too; no change of one site betters what comes out."""
    case = Case(400 + seed, sites=4, suppliers=1 + seed % 2, few=60, ruled=seed >= 8)
    relax, pool = case.relax, case.relax.pool
    ends = np.append(pool.start[1:], pool.size)
    for _ in range(5):
        choice = case.rng.integers(pool.start, ends)
        before = relax.cost(choice)
        best = Incumbent(cost=before, choice=choice)
        settle(relax, best, Stop())
        assert best.cost <= before
        assert best.cost == pytest.approx(relax.cost(best.choice))
        served = best.choice != NOBODY
        assert (pool.designs.site[best.choice[served]] == np.flatnonzero(served)).all()
        group, count = relax.rules.group, relax.rules.count
        for s in range(4):
            own = relax.kind[best.choice[s]]  # the kind of a region is not its to change
            every = range(int(pool.start[s]), int(ends[s]))
            others = [d for d in every if not served[s] or relax.kind[d] == own]
            if (group[served] == group[s]).sum() > count[group[s]]:
                others.append(NOBODY)
            for d in others:
                other = best.choice.copy()
                other[s] = d
                assert relax.cost(other) >= best.cost - 1e-5


@pytest.mark.parametrize("seed", range(10))
def test_cost_of_a_plan_is_that_of_its_units_counted_one_by_one(seed: int) -> None:
    case = Case(500 + seed, sites=3, suppliers=2, ruled=seed >= 5)
    designs_, choice = case.relax.pool.designs, case.relax.pool.start.copy()
    choice[1] = NOBODY if seed % 2 else choice[1]
    chosen = choice[choice != NOBODY]
    need = designs_.usage[chosen].toarray().sum(axis=0).astype(int)
    assert case.relax.need(choice).tolist() == need.tolist()
    true = sum(float(costs[n]) for costs, n in zip(case.true, need, strict=True))
    if isfinite(true):
        broken = case.relax.penalty * case.relax.breaches(choice, need)
        assert case.relax.cost(choice) == pytest.approx(true + designs_.other_cost[chosen].sum() + broken)
    else:
        assert case.relax.breaches(choice, need) > 0


def test_a_stop_ends_the_ascent_at_its_next_step() -> None:
    case, stop = Case(600, ruled=True), Stop()
    stop.ask()
    top = ascend(case.relax, case.relax.start(), Incumbent(), steps=300, gap=0.0, stop=stop)
    assert top.steps == 1
    assert top.value <= case.best() + 1e-6 or not np.isfinite(case.best())


def test_a_stop_before_a_set_of_skus_is_sought_leaves_out_none() -> None:
    capped = 0
    for seed in range(600, 620):
        case, stop, best = Case(seed, ruled=True), Stop(), Incumbent()
        if not case.relax.caps:
            continue
        stop.ask()
        choice = case.relax.sites_side(case.relax.cost_at(case.relax.start()))[1]
        protected = np.zeros(len(case.curves.tiered), dtype=bool)
        assert not settle_standards(case.relax, choice, best, protected, stop).any()
        if case.relax.keeps_rules(best.choice):
            assert best.cost >= case.best() - 1e-6
        capped += 1
    assert capped > 3
