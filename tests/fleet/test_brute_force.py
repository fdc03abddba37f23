"""The fleet's optimum against enumeration of every combination of designs, written from the definitions."""

from itertools import product
from math import ceil, floor

import numpy as np
import pytest

from planner.fleet import FleetSolution, Outcome, candidates, solve_fleet
from planner.fleet.market import Market
from planner.fleet.pricing import SiteOffer
from planner.settings import SolverSettings
from tests.fleet.instances import Goods, goods, site

MODULE_KG = 1.0  # every SKU of the instances
EXACT = SolverSettings(gap=0.0)


def designs(g: Goods, offer: SiteOffer) -> list[tuple[float, tuple[int, ...]]]:
    """Every design of a site as (freight and fixed cost, units of each SKU)."""
    o, index, fit = offer.options[0].designs, g.pricer.market.index, g.pricer.fittings
    found = set()
    for p, a in zip(*np.nonzero(o.modules_parallel), strict=True):
        n, nb = int(o.modules_parallel[p, a]), int(o.batteries_parallel[p, a])
        litres = o.kit_volume_l[p] + o.controller_volume_l[a] + nb * o.string_volume_l[p]
        for t, e in product((0, 1), (0, 1)):
            if (offer.wind_design_m_s or 0.0) > fit.mount_wind_max_m_s[t]:
                continue
            carries = floor(
                min(fit.mount_area_m2[t] / o.module_area_m2[a] + 1e-9, fit.mount_weight_max_kg[t] / MODULE_KG)
            )
            units = [0] * len(g.names)
            units[index[f"m{o.module[a]}"]] += n
            units[index[f"c{o.controller[a]}"]] += 1
            units[index[f"b{o.battery[p]}"]] += nb
            units[index[f"s{o.kit[p]}"]] += 1
            units[index[f"t{t}"]] += ceil(n / carries)
            units[index[f"e{e}"]] += ceil(litres / fit.enclosure_volume_l[e] - 1e-9)
            found.add((offer.fixed_cost + offer.freight_per_kg * sum(units), tuple(units)))
    return sorted(found)


def goods_cost(market: Market, units: np.ndarray) -> float:
    """Each SKU at its cheapest tier: fixed + price x max(units, threshold)."""
    total = 0.0
    for k in np.flatnonzero(units):
        tiers = [v for v in range(len(market.price)) if market.offer_sku[v] == k]
        total += min(market.fixed[v] + market.price[v] * max(units[k], market.least[v]) for v in tiers)
    return total


def cheapest(g: Goods, offers: list[SiteOffer]) -> float:
    """Least cost over every combination."""
    options = [designs(g, offer) for offer in offers]
    return min(
        sum(cost for cost, _ in combination)
        + goods_cost(g.pricer.market, np.sum([units for _, units in combination], axis=0))
        for combination in product(*options)
    )


def solved(g: Goods, offers: list[SiteOffer], settings: SolverSettings) -> FleetSolution:
    """The planner's own plan."""
    pool = candidates(g.pricer, offers, sites=len(offers))
    assert pool is not None
    return solve_fleet(g.pricer, offers, pool, settings=settings)


@pytest.mark.parametrize("seed", range(25))
def test_optimum_equals_enumeration(seed: int) -> None:
    rng = np.random.default_rng(seed)
    g = goods(rng, (1, 3, 7))
    offers = [site(rng, g, s) for s in range(2)]
    best = cheapest(g, offers)
    found = solved(g, offers, EXACT)
    assert found.cost == pytest.approx(best, abs=1e-6)
    assert found.best_bound <= best + 1e-6
    assert found.outcome is Outcome.OPTIMAL


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
