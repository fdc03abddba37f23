"""Proven plans against a brute force over the shipped catalogue: neither cheaper nor dearer."""

from math import inf
from pathlib import Path

import pytest

from planner.pipeline import choose_tilts, fleet_kits, plan_fleet, prepare, site_inputs, site_voltages
from planner.scenario import Scenario, read_scenario
from tests.plan.brute import CENT, Shop, Site, cheapest
from tests.plan.fleets import Cut
from tests.support import Rows

SKU_TABLES = ("modules", "batteries", "controllers", "switches", "converters", "balance")


def sites_of(scenario: Scenario, shop: Shop) -> list[Site]:
    """The sites with the planner's sky and temperatures, and nothing else of it."""
    fleet = prepare(scenario)
    fleet.kits.update(fleet_kits(scenario, frozenset(fleet.market.skus)))
    fleet.tilt[:] = choose_tilts(fleet)
    sites = []
    for i, site in enumerate(scenario.tables.sites):
        by_voltage = {v: site_inputs(fleet, i, v) for v in site_voltages(site.system_voltage_v, scenario)}
        tilt = float(fleet.plane.surface_tilt_deg[i, fleet.tilt[i]])
        known = {v: one for v, one in by_voltage.items() if one is not None}
        sites.append(Site(scenario, shop, site, tilt, known))
    return sites


def check(cut: Cut, *, unserved: int = 0) -> None:
    """The plan is proven and as cheap as the brute force finds it, which serves no other site either."""
    scenario = read_scenario(cut.folder)
    plan = plan_fleet(scenario)
    shop = Shop(scenario)
    sites = {one.site.site_id: one for one in sites_of(scenario, shop)}
    assert len(plan.unserved) == unserved
    for site_id in plan.unserved:
        assert not sites.pop(site_id).designs(inf)
    if sites:
        assert plan.manifest["outcome"] == "optimal"
        costs = plan.tables["site_designs"]["site_cost"]
        shares = [float(cost) + 0.01 for cost in costs]
        shares[0] += float(plan.total_cost - sum(costs))  # surplus of the tiers
        best = cheapest(list(sites.values()), shop, shares)
        assert abs(best - plan.total_cost) <= CENT * len(sites)  # freight is rounded after the choice


def always(cut: Cut) -> Cut:
    """Devices that never rest, and only kinds of converters that the brute force knows."""
    cut.each("devices", schedule=lambda _: "always")
    kinds = ("dc_dc", "poe_injector", "load_disconnect")
    other = {row["sku"] for row in cut.rows("catalogue/converters") if row["kind"] not in kinds}
    for name in ("converters", "prices", "stock"):
        cut.change(f"catalogue/{name}", lambda rows: [row for row in rows if row["sku"] not in other])
    return cut


def every_second(cut: Cut, first: int) -> Cut:
    """Prices for every second SKU of each table only."""
    sold = {row["sku"] for name in SKU_TABLES for row in cut.rows(f"catalogue/{name}")[first::2]}
    return cut.change("catalogue/prices", lambda rows: [row for row in rows if row["sku"] in sold])


def profile(cut: Cut, *loads: tuple[str, int]) -> Cut:
    """All sites carry these devices, each with its cable in m."""
    rows: Rows = [
        {"load_profile": "own", "device": device, "quantity": "1", "cable_m": str(m)} for device, m in loads
    ]
    return cut.change("loads", lambda _: rows).each("sites", load_profile=lambda _: "own")


@pytest.mark.parametrize(
    ("sites", "loads"),
    [
        (["finse"], [("camera-3", 40)]),
        (["tyin"], [("radio-24w", 8), ("level-radar", 15)]),
        (["klaustur", "haines"], [("level-radar", 20)]),
    ],
)
def test_whole_catalogue(tmp_path: Path, sites: list[str], loads: list[tuple[str, int]]) -> None:
    check(profile(always(Cut(tmp_path / "fleet", sites)), *loads))


@pytest.mark.parametrize("first", [0, 1])
def test_camera_on_half_the_catalogue(tmp_path: Path, first: int) -> None:
    check(every_second(profile(always(Cut(tmp_path / "fleet", ["finse"])), ("camera-3", 40)), first))


@pytest.mark.parametrize("first", [0, 1])
def test_radio_and_gauge_on_half_the_catalogue(tmp_path: Path, first: int) -> None:
    cut = profile(always(Cut(tmp_path / "fleet", ["ustaoset"])), ("radio-24w", 8), ("level-radar", 15))
    check(every_second(cut, first))


@pytest.mark.parametrize("first", [0, 1])
def test_two_sites_on_half_the_catalogue(tmp_path: Path, first: int) -> None:
    cut = profile(always(Cut(tmp_path / "fleet", ["klaustur", "corrour"])), ("sat-modem", 4))
    check(every_second(cut, first))


@pytest.mark.parametrize(("first", "unserved"), [(0, 1), (1, 2)])
def test_sites_that_half_the_catalogue_cannot_serve(tmp_path: Path, first: int, unserved: int) -> None:
    """A logger takes 10 to 16 V, and one site's bus is 24 V."""
    cut = profile(always(Cut(tmp_path / "fleet", ["kuhmo", "kuusamo"])), ("logger", 3))
    check(every_second(cut, first), unserved=unserved)
