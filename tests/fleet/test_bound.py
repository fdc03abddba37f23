"""The bound under every plan, whatever the multipliers; minima over all designs; local search."""

import numpy as np
import pytest

from planner.fleet import candidates
from planner.fleet.bound import Incumbent, Multipliers, Relaxation, ascend
from planner.fleet.curves import Curves, make_curves
from planner.fleet.exact import Exact, price_out
from planner.fleet.pricing import SiteOffer
from planner.fleet.search import settle
from tests.fleet.brute import cheapest, designs, need_cost
from tests.fleet.instances import Goods, equipped, goods, site


class Case:
    """A small fleet with its relaxation over the candidates."""

    def __init__(
        self, seed: int, *, sites: int = 2, suppliers: int = 1, few: int = 20, there: bool = False
    ) -> None:
        self.rng = np.random.default_rng(seed)
        self.g: Goods = goods(self.rng, (1, 3, 7), suppliers)
        self.offers: list[SiteOffer] = [site(self.rng, self.g, s) for s in range(sites)]
        if there:
            self.offers = [equipped(self.rng, self.g, offer) for offer in self.offers]
        pool = candidates(self.g.pricer, self.offers, sites=sites)
        assert pool is not None
        self.curves: Curves = make_curves(self.g.pricer.market, pool.most)
        some = np.unique(np.append(pool.start, self.rng.integers(0, pool.size, few)))
        self.relax = Relaxation(pool.take(some), self.g.pricer.market, self.curves)

    def whole(self) -> Relaxation:
        """The relaxation over every design."""
        every = self.price_out(self.relax.start(), slack=1e6, designs_max=10**6)
        pool = self.relax.pool.with_designs(every.designs)
        assert pool.size >= sum(len(designs(self.g, offer)) for offer in self.offers)
        return Relaxation(pool, self.g.pricer.market, self.curves)

    def multipliers(self, spread: float) -> Multipliers:
        """Prices of the modes' offers, wrong by a factor, and shares of which many are none."""
        shape = len(self.offers), self.curves.modes
        price = self.g.pricer.market.price[self.curves.offer]
        shares = self.rng.exponential(spread * price, shape) * (self.rng.random(shape) < 0.3)
        return Multipliers(mu=price * self.rng.uniform(1 - spread, 1 + spread, shape[1]), w=shares)

    def price_out(self, at: Multipliers, *, slack: float = 0.0, designs_max: int = 10) -> Exact:
        """Every design priced at multipliers."""
        return price_out(self.g.pricer, self.offers, self.curves, at, slack=slack, designs_max=designs_max)

    def value(self, at: Multipliers) -> float:
        """`L` over all designs."""
        return float(self.price_out(at).least.sum()) + self.relax.purchase(at).value

    def phi(self, at: Multipliers, s: int, k: int, units: int) -> float:
        """What units of a SKU cost a site: by list price, or in the cheapest mode that holds them."""
        market, curves = self.g.pricer.market, self.curves
        if k not in curves.tiered:
            return float(market.list_price[k]) * units
        modes = np.flatnonzero(curves.tiered[curves.mode_sku] == k).tolist()
        holding = [v for v in modes if curves.high[v] >= units]
        return min(float(at.mu[v]) * units + float(at.w[s, v]) for v in holding) if units else 0.0

    def costs(self, at: Multipliers, s: int) -> list[float]:
        """Cost of every design of a site at multipliers, one by one, rising."""
        return sorted(
            other + sum(self.phi(at, s, k, n) for k, n in enumerate(units))
            for other, units in designs(self.g, self.offers[s])
        )

    def purchase(self, at: Multipliers) -> float:
        """The purchase's side of `L`, over every need of every mode."""
        market, curves, total = self.g.pricer.market, self.curves, 0.0
        for t in range(len(curves.tiered)):
            least = 0.0
            for v in np.flatnonzero(curves.mode_sku == t).tolist():
                i = int(curves.offer[v])
                for n in range(int(curves.low[v]), int(curves.high[v]) + 1):
                    goods = market.fixed[i] + market.price[i] * max(n, market.least[i])
                    least = min(least, float(goods - at.mu[v] * n - at.w[:, v].sum()))
            total += least
        return total


@pytest.mark.parametrize("seed", range(45))
def test_bound_is_under_the_optimum_at_any_multipliers(seed: int) -> None:
    """Weak duality, against enumeration of every plan."""
    case = Case(seed, sites=1 + seed % 3, suppliers=1 + seed % 2, there=seed >= 30)
    best = cheapest(case.g, case.offers)
    values = [case.value(case.multipliers(spread)) for spread in (0.02, 0.1, 0.3, 1.0) for _ in range(6)]
    assert max(values) <= best + 1e-6
    assert max(values) > 0.8 * best  # multipliers near the prices say something


@pytest.mark.parametrize("seed", range(10))
def test_raised_bound_is_under_the_optimum_and_near_it(seed: int) -> None:
    case = Case(100 + seed, suppliers=1 + seed % 2)
    relax, best, incumbent = case.whole(), cheapest(case.g, case.offers), Incumbent()
    start = relax.start()
    top = ascend(relax, start, incumbent, steps=300, gap=0.0)
    assert top.value == pytest.approx(case.value(top.at), abs=1e-6)
    assert case.value(start) <= top.value <= best + 1e-6
    assert top.value >= 0.97 * best
    assert incumbent.cost >= best - 1e-6
    assert relax.cost(incumbent.choice) == pytest.approx(incumbent.cost)


@pytest.mark.parametrize("seed", range(18))
def test_minima_are_those_over_every_design(seed: int) -> None:
    case = Case(200 + seed, sites=3, suppliers=1 + seed % 2, there=seed >= 12)
    for spread in (0.05, 0.5):
        at = case.multipliers(spread)
        exact = case.price_out(at)
        assert exact.least == pytest.approx([case.costs(at, s)[0] for s in range(3)], abs=1e-6)
        pooled, _ = case.relax.pool.cheapest(case.relax.design_cost(case.relax.label(at)[0]))
        assert (pooled >= exact.least - 1e-6).all()  # fewer designs, no smaller minimum
        assert case.relax.purchase(at).value == pytest.approx(case.purchase(at), abs=1e-6)


@pytest.mark.parametrize(("seed", "designs_max"), [(s, n) for s in range(4) for n in (1, 5, 500)])
def test_designs_left_out_cost_as_much_as_said(seed: int, designs_max: int) -> None:
    case = Case(300 + seed)
    at, slack = case.multipliers(0.1), 60.0
    exact = case.price_out(at, slack=slack, designs_max=designs_max)
    assert exact.left_out <= slack
    for s, kept in enumerate(exact.designs):
        costs = case.costs(at, s)
        below = [cost for cost in costs if cost < costs[0] + exact.left_out - 1e-6]
        made = [
            float(other) + sum(case.phi(at, s, k, int(n)) for k, n in enumerate(units))
            for other, units in zip(kept.other_cost, kept.usage.toarray(), strict=True)
        ]
        assert sorted(made)[: len(below)] == pytest.approx(below, abs=1e-6)
        assert len(made) <= designs_max
        if designs_max == 500:
            assert exact.left_out == pytest.approx(slack)


@pytest.mark.parametrize("seed", range(12))
def test_settling_never_makes_a_plan_dearer(seed: int) -> None:
    """From any plan; what comes out cannot be bettered by a change of one site."""
    case = Case(400 + seed, sites=4, suppliers=1 + seed % 2, few=60)
    relax, pool = case.relax, case.relax.pool
    ends = np.append(pool.start[1:], pool.size)
    for _ in range(5):
        choice = case.rng.integers(pool.start, ends)
        before = relax.cost(choice)
        best = Incumbent(cost=before, choice=choice)
        settle(relax, best)
        assert best.cost <= before
        assert best.cost == pytest.approx(relax.cost(best.choice))
        assert (pool.designs.site[best.choice] == np.arange(4)).all()
        for s in range(4):
            for d in range(int(pool.start[s]), int(ends[s])):
                other = best.choice.copy()
                other[s] = d
                assert relax.cost(other) >= best.cost - 1e-5


@pytest.mark.parametrize("seed", range(5))
def test_cost_of_a_plan_is_that_of_its_units_at_the_ladders(seed: int) -> None:
    case = Case(500 + seed, sites=3, suppliers=2)
    designs_, choice = case.relax.pool.designs, case.relax.pool.start
    need = designs_.usage[choice].toarray().sum(axis=0).astype(int)
    assert case.relax.need(choice).tolist() == need.tolist()
    goods_cost = sum(need_cost(ladders, int(n)) for ladders, n in zip(case.g.ladders, need, strict=True))
    expected = goods_cost + designs_.other_cost[choice].sum()
    assert case.relax.cost(choice) == pytest.approx(expected)
