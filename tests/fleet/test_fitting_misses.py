"""Why no mount or enclosure suits a site: the rule with its value and the nearest limit."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from planner.fleet.fitting_misses import no_fitting
from planner.fleet.pricing import Fittings, Pricer, SiteOffer
from tests.fleet.instances import goods, site


def instance(wind: float | None = None, **fittings: object) -> tuple[Pricer, SiteOffer]:
    """A site at 60 degrees with modules of 1 kg from 1/3 m2, and fittings with other limits."""
    rng = np.random.default_rng(1)
    g = goods(rng, (1, 3))
    changed: Fittings = replace(g.pricer.fittings, **fittings)
    return replace(g.pricer, fittings=changed), replace(site(rng, g, 0), wind_design_m_s=wind, damping_k=12.0)


@pytest.mark.parametrize(
    ("fittings", "wind", "rule", "value", "limit", "unit"),
    [
        ({"mount_tilt_max_deg": np.array([30.0, 45.0])}, None, "mount-tilt", 60.0, 45.0, "degrees"),
        ({"mount_wind_max_m_s": np.array([35.0, 42.0])}, 50.0, "mount-wind", 50.0, 42.0, "m/s"),
        ({"mount_area_m2": np.array([0.2, 0.3])}, None, "mount-area", 60 / 180, 0.3, "m2"),
        ({"mount_weight_max_kg": np.array([0.5, 0.8])}, None, "mount-weight", 1.0, 0.8, "kg"),
        ({"enclosure_volume_l": np.array([4.0, 6.0])}, None, "enclosure-volume", 500 / 60, 6.0, "l"),
        ({"enclosure_damping_k": np.array([3.0, 8.0])}, None, "enclosure-damping", 12.0, 8.0, "K"),
    ],
)
def test_the_limit_that_nothing_meets_is_named(
    fittings: dict[str, object], wind: float | None, rule: str, value: float, limit: float, unit: str
) -> None:
    pricer, offer = instance(wind, **fittings)
    assert not pricer.buildable(offer)
    refusal = no_fitting("S1", pricer, offer)
    assert (refusal.rule, refusal.subject, refusal.unit) == (rule, "S1", unit)
    assert refusal.value == pytest.approx(value)
    assert refusal.limit == pytest.approx(limit)


def test_a_mount_carries_whole_modules_by_area_and_weight() -> None:
    pricer, _ = instance(mount_area_m2=np.array([4.0, 4.0]), mount_weight_max_kg=np.array([np.inf, 50.0]))
    modules = np.arange(1, 7)
    # 4 m2 hold two modules of 1.7 m2; 50 kg two of 20 kg, and one of 30
    assert pricer.mounts_for(modules, np.array(1.7), np.array(20.0), 0, 99).tolist() == [1, 1, 2, 2, 3, 3]
    assert pricer.mounts_for(modules, np.array(1.0), np.array(20.0), 1, 99).tolist() == [1, 1, 2, 2, 3, 3]
    assert pricer.mounts_for(modules, np.array(1.0), np.array(30.0), 1, 99).tolist() == [1, 2, 3, 4, 5, 6]
    assert (pricer.mounts_for(modules, np.array(1.0), np.array(51.0), 1, 99) == 99).all()  # none does


def test_mounts_cost_what_the_cheapest_number_of_one_kind_does() -> None:
    """Three kinds of modules on two of mounts, one of which is too weak for the heaviest."""
    pricer, _ = instance(mount_area_m2=np.array([4.0, 6.0]), mount_weight_max_kg=np.array([np.inf, 50.0]))
    table = np.random.default_rng(1).uniform(1.0, 9.0, (len(pricer.market.skus), 12)).cumsum(axis=1)
    area, kg = np.array([1.7, 1.0, 5.0]), np.array([20.0, 30.0, 51.0])
    found = pricer.mount_cost(area, kg, table, np.arange(2))
    for n, m in product(range(12), range(3)):
        by_kind = [
            table[pricer.fittings.mount_sku[kind], pricer.mounts_for(np.array(n), area[m], kg[m], kind, 11)]
            for kind in range(2)
        ]
        assert found[m, n] == min(by_kind)
    assert (pricer.mount_cost(area, kg, table, np.arange(0)) == np.inf).all()
    assert pricer.mount_cost(area[:0], kg[:0], table, np.arange(2)).shape == (0, 12)


def test_wind_that_a_site_does_not_state_excludes_no_mount() -> None:
    pricer, offer = instance(None)
    option = offer.options[0]
    assert pricer.mounts_allowed(option.surface_tilt_deg, offer).tolist() == [0, 1]
    assert pricer.mounts_allowed(option.surface_tilt_deg, replace(offer, wind_design_m_s=35.0)).tolist() == [
        0,
        1,
    ]
    assert pricer.mounts_allowed(option.surface_tilt_deg, replace(offer, wind_design_m_s=36.0)).tolist() == [
        1
    ]


def test_batteries_part_over_no_more_enclosures_than_allowed() -> None:
    pricer, _ = instance(enclosure_volume_l=np.array([40.0, 110.0]))  # at most two a site
    litres, block = np.array([39.0, 80.0, 81.0, 220.0, 221.0]), np.full(5, 20.0)
    assert pricer.boxes_for(litres, block, 0, 99).tolist() == [1, 2, 99, 99, 99]
    assert pricer.boxes_for(litres, block, 1, 99).tolist() == [1, 1, 1, 2, 99]
    assert (pricer.boxes_for(litres, np.full(5, 111.0), 1, 99) == 99).all()  # a block alone is too large


def test_too_much_for_all_enclosures_is_named_with_its_litres() -> None:
    pricer, offer = instance(enclosure_volume_l=np.array([9.0, 9.0]))
    assert not pricer.buildable(offer)
    refusal = no_fitting("S1", pricer, offer)
    assert (refusal.rule, refusal.limit, refusal.unit) == ("enclosures-volume", 18.0, "l")
    assert refusal.value is not None
    assert refusal.value > 18.0


def test_an_enclosure_damps_the_cold_as_far_as_designs_count_on() -> None:
    pricer, offer = instance(enclosure_damping_k=np.array([5.0, 15.0]))
    assert pricer.enclosures_allowed(replace(offer, damping_k=5.0)).tolist() == [0, 1]
    assert pricer.enclosures_allowed(replace(offer, damping_k=5.1)).tolist() == [1]
