"""The fleet's optimum against enumeration of every combination of designs, written from the definitions."""

from dataclasses import replace

import numpy as np
import pytest

from planner.fleet import FleetSolution, Outcome, candidates, solve_fleet
from planner.fleet.pricing import SiteOffer
from planner.fleet.rules import free_rules
from planner.settings import SolverSettings
from tests.fleet.brute import cheapest, designs
from tests.fleet.instances import Goods, equipped, goods, site, unsold

EXACT = SolverSettings(gap=0.0)


def solved(g: Goods, offers: list[SiteOffer], settings: SolverSettings) -> FleetSolution:
    """The planner's own plan."""
    pool = candidates(g.pricer, offers, sites=len(offers))
    assert pool is not None
    rules = free_rules(len(g.names), len(g.battery_wh), len(offers))
    return solve_fleet(g.pricer, offers, pool, rules=rules, settings=settings)


@pytest.mark.parametrize(
    ("sites", "suppliers", "thresholds", "seeds"),
    [
        (2, 1, (1, 3, 7), range(25)),
        (3, 1, (1, 3, 7), range(6)),
        (1, 1, (1, 3, 7), range(6)),
        (2, 2, (1, 3, 7), range(8)),
        (2, 3, (1, 2, 4, 9), range(6)),
        (2, 1, (1,), range(6)),  # every SKU at one price
    ],
)
def test_optimum_equals_enumeration(
    sites: int, suppliers: int, thresholds: tuple[int, ...], seeds: range
) -> None:
    for seed in seeds:
        rng = np.random.default_rng(seed)
        g = goods(rng, thresholds, suppliers)
        check_optimum(g, [site(rng, g, s) for s in range(sites)])


def check_optimum(g: Goods, offers: list[SiteOffer]) -> None:
    best = cheapest(g, offers)
    found = solved(g, offers, EXACT)
    assert found.cost == pytest.approx(best, abs=1e-6)
    assert found.best_bound <= best + 1e-6
    assert found.outcome is Outcome.OPTIMAL


@pytest.mark.parametrize("seed", range(40))
def test_optimum_equals_enumeration_where_parts_stand_at_sites(seed: int) -> None:
    """Half of the fleets use SKUs that nobody sells, where the sites have enough of them."""
    rng = np.random.default_rng(300 + seed)
    g = goods(rng, (1, 3, 7), 1 + seed % 2)
    offers = [equipped(rng, g, site(rng, g, s)) for s in range(1 + seed % 3)]
    if seed % 2:
        g = unsold(g, *(f"{kind}{rng.integers(2)}" for kind in ("b", "m", "e")))
        offers = [offer for offer in offers if g.pricer.buildable(offer)]
    if offers:
        check_optimum(g, offers)


@pytest.mark.parametrize("seed", range(6))
def test_a_site_that_has_everything_buys_nothing(seed: int) -> None:
    rng = np.random.default_rng(400 + seed)
    g = goods(rng, (1, 3, 7))
    offer = site(rng, g, 0)
    _, units, _ = designs(g, offer)[int(rng.integers(len(designs(g, offer))))]
    there = replace(offer, existing={k: n for k, n in enumerate(units) if n})
    assert solved(g, [there], EXACT).cost == pytest.approx(offer.fixed_cost)
    check_optimum(g, [there, site(rng, g, 1)])
    g = unsold(g, *g.names[:-1])
    assert solved(g, [there], EXACT).cost == pytest.approx(offer.fixed_cost)
    assert not g.pricer.buildable(offer)


@pytest.mark.parametrize("seed", range(5))
def test_order_of_sites_changes_nothing(seed: int) -> None:
    rng = np.random.default_rng(100 + seed)
    g = goods(rng, (1, 5, 20))
    offers = [site(rng, g, s) for s in range(6)]
    again = [
        SiteOffer(**{n: getattr(o, n) for n in o.__slots__} | {"site": s}) for s, o in enumerate(offers[::-1])
    ]
    one = solved(g, offers, EXACT)
    other = solved(g, again, EXACT)
    assert one.cost == pytest.approx(other.cost, abs=1e-6)


@pytest.mark.parametrize("seed", range(5))
def test_bound_never_exceeds_any_plan(seed: int) -> None:
    rng = np.random.default_rng(200 + seed)
    g = goods(rng, (1, 4, 15, 60))
    offers = [site(rng, g, s) for s in range(12)]
    loose = solved(g, offers, SolverSettings(gap=0.5))
    tight = solved(g, offers, EXACT)
    assert loose.best_bound <= tight.cost + 1e-6
    assert tight.cost <= loose.cost + 1e-6


@pytest.mark.parametrize("seed", range(3))
def test_designs_that_several_options_have_are_counted_once(seed: int) -> None:
    """Steps of an availability's curve have designs in common."""
    rng = np.random.default_rng(seed)
    g = goods(rng, (1, 3, 7), 1)
    offers = [site(rng, g, s) for s in range(3)]
    twice = [replace(offer, options=[*offer.options, *offer.options]) for offer in offers]
    one, two = (candidates(g.pricer, some, sites=3) for some in (offers, twice))
    assert one is not None
    assert two is not None
    assert one.size == two.size == two.with_designs([one.designs]).size
    found = solved(g, twice, EXACT)
    assert found.cost == pytest.approx(solved(g, offers, EXACT).cost)
