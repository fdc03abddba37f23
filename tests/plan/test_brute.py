"""Proven plans against a brute force over the shipped catalogue: neither cheaper nor dearer."""

from math import inf
from pathlib import Path

import pytest

from planner.designs import SiteInputs
from planner.grounds import fleet_kits, prepare
from planner.pipeline import plan_fleet
from planner.scenario import Scenario, read_scenario
from planner.sizing import site_inputs, site_voltages
from tests.plan.brute import CENT, Shop, Site, cheapest, mounts_at, tilts_of
from tests.plan.fleets import Cut
from tests.support import Rows, write_rows


def sites_of(scenario: Scenario, shop: Shop) -> list[Site]:
    """The sites with the planner's sky and temperatures, at every tilt that some mount takes."""
    fleet = prepare(scenario)
    fleet_kits(fleet)
    sites = []
    for i, site in enumerate(scenario.tables.sites):
        columns = {tilt: t for t, tilt in enumerate(fleet.plane.surface_tilt_deg[i].tolist())}
        inputs: dict[float, dict[int, SiteInputs]] = {}
        for tilt in tilts_of(scenario, site):
            if any(row.sku in {*shop.tiers, *fleet.gear[i].units} for row in mounts_at(scenario, site, tilt)):
                made = {
                    v: site_inputs(fleet, i, v, columns[tilt], fleet.gear[i])
                    for v in site_voltages(site.system_voltage_v, scenario)
                }
                inputs[tilt] = {v: one for v, one in made.items() if one is not None}
        sites.append(Site(scenario, shop, site, inputs))
    return sites


def check(cut: Cut, *, unserved: int = 0, overrides: dict[str, str] | None = None) -> None:
    """The plan is proven and as cheap as the brute force finds it, which serves no other site either."""
    scenario = read_scenario(cut.folder, overrides=overrides or {})
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
    others = {row["sku"] for row in cut.rows("catalogue/converters") if row["kind"] not in kinds}
    return cut.change("catalogue/prices", lambda rows: [row for row in rows if row["sku"] not in others])


def profile(cut: Cut, *loads: tuple[str, int]) -> Cut:
    """All sites carry these devices, each with its cable in m."""
    rows: Rows = [
        {"load_profile": "own", "device": device, "quantity": "1", "cable_m": str(m)} for device, m in loads
    ]
    return cut.change("loads", lambda _: rows).each("sites", load_profile=lambda _: "own")


def test_whole_catalogue(tmp_path: Path) -> None:
    cut = profile(always(Cut(tmp_path / "fleet", ["tyin"])), ("radio-24w", 8), ("level-radar", 15))
    check(cut)


@pytest.mark.parametrize(
    ("sites", "load", "places"),
    [(["finse"], ("camera-3", 40), (0, 1)), (["klaustur", "haines"], ("level-radar", 20), (1, 2))],
)
def test_two_thirds_of_the_catalogue(
    tmp_path: Path, sites: list[str], load: tuple[str, int], places: tuple[int, int]
) -> None:
    check(profile(always(Cut(tmp_path / "fleet", sites)), load).thin(3, *places))


@pytest.mark.parametrize("first", [0, 1])
def test_camera_on_half_the_catalogue(tmp_path: Path, first: int) -> None:
    check(profile(always(Cut(tmp_path / "fleet", ["finse"])), ("camera-3", 40)).thin(2, first))


@pytest.mark.parametrize("first", [0, 1])
def test_radio_and_gauge_on_half_the_catalogue(tmp_path: Path, first: int) -> None:
    cut = profile(always(Cut(tmp_path / "fleet", ["ustaoset"])), ("radio-24w", 8), ("level-radar", 15))
    check(cut.thin(2, first))


@pytest.mark.parametrize("first", [0, 1])
def test_two_sites_on_a_third_of_the_catalogue(tmp_path: Path, first: int) -> None:
    cut = profile(always(Cut(tmp_path / "fleet", ["klaustur", "corrour"])), ("sat-modem", 4))
    check(cut.thin(3, first))


@pytest.mark.parametrize(("first", "unserved"), [(0, 1), (1, 2)])
def test_sites_that_half_the_catalogue_cannot_serve(tmp_path: Path, first: int, unserved: int) -> None:
    """A logger takes 10 to 16 V, and one site's bus is 24 V."""
    cut = profile(always(Cut(tmp_path / "fleet", ["kuhmo", "kuusamo"])), ("logger", 3))
    check(cut.thin(2, first), unserved=unserved)


def state(cut: Cut, name: str, *cells: dict[str, str]) -> Cut:
    """Set cells of a table's rows, each set for the next row, and again from the first."""
    return cut.change(name, lambda rows: [row | cells[i % len(cells)] for i, row in enumerate(rows)])


@pytest.mark.parametrize(
    ("first", "table", "cells"),
    [
        (1, "sites", [{"wind_design_m_s": "52"}]),
        (1, "sites", [{"recovery_days_max": "25"}]),
        (0, "sites", [{"module_area_max_m2": "3.8"}]),
        (1, "sites", [{"surface_tilt_deg": "35"}]),
        (0, "catalogue/balance", [{"weight_max_kg": "14"}]),
        (0, "catalogue/balance", [{"tilt_min_deg": "0", "tilt_max_deg": "30"}, {"tilt_max_deg": "50"}]),
        (1, "catalogue/balance", [{"tilt_min_deg": "0", "tilt_max_deg": "30"}, {"tilt_max_deg": "50"}]),
    ],
)
def test_what_sites_and_mounts_limit(
    tmp_path: Path, first: int, table: str, cells: list[dict[str, str]]
) -> None:
    cut = profile(always(Cut(tmp_path / "fleet", ["ustaoset"])), ("radio-24w", 8), ("level-radar", 15))
    check(state(cut, table, *cells).thin(2, first))


def test_controllers_that_suit_an_earthed_positive_pole(tmp_path: Path) -> None:
    cut = profile(always(Cut(tmp_path / "fleet", ["klaustur"])), ("level-radar", 20))
    state(cut, "sites", {"bus_grounding": "positive"})
    poles = [{"common_terminal": pole} for pole in ("negative", "positive", "negative")]
    check(state(cut, "catalogue/controllers", *poles).thin(2, 0))


#: Parts that stand at a site: table, place in it, units, keep.
Gear = list[tuple[str, int, int, str]]
GEAR: list[Gear] = [
    [("modules", 4, 2, "may"), ("batteries", 6, 3, "may"), ("switches", 2, 1, "may")],
    [("balance", 0, 1, "may"), ("balance", 6, 1, "may"), ("batteries", 2, 1, "may")],
    [("modules", 6, 3, "must"), ("controllers", 2, 1, "may"), ("converters", 0, 1, "may")],
    [("batteries", 4, 4, "must"), ("modules", 2, 1, "may"), ("balance", 4, 2, "may")],
    [("controllers", 4, 2, "must"), ("batteries", 8, 2, "may")],
    [("switches", 0, 1, "may"), ("modules", 4, 5, "must"), ("controllers", 0, 2, "may")],
]


def equipped(cut: Cut, site_id: str, gear: Gear) -> Cut:
    """Parts stand at a site."""
    rows = [
        {"site_id": site_id, "sku": cut.rows(f"catalogue/{name}")[at]["sku"]}
        | {"quantity": str(n), "keep": keep}
        for name, at, n, keep in gear
    ]
    write_rows(cut.folder / "existing.csv", rows)
    return cut


@pytest.mark.parametrize("gear", GEAR)
@pytest.mark.parametrize("sold", [True, False])
def test_parts_that_stand_at_a_site(tmp_path: Path, gear: Gear, sold: bool) -> None:
    """Every second part is for sale; what stands there is among them, or just beside each of them."""
    cut = profile(always(Cut(tmp_path / "fleet", ["ustaoset"])), ("radio-24w", 8), ("level-radar", 15))
    equipped(cut, "ustaoset", [(name, at + (not sold), n, keep) for name, at, n, keep in gear])
    check(cut.thin(2, 0))


@pytest.mark.parametrize("at", [2, 5])
def test_a_switch_that_must_be_kept(tmp_path: Path, at: int) -> None:
    """Either has passive ports of 24 V; the second is not for sale."""
    cut = profile(always(Cut(tmp_path / "fleet", ["ustaoset"])), ("radio-24w", 8), ("level-radar", 15))
    check(equipped(cut, "ustaoset", [("switches", at, 1, "must")]).thin(2, 0))


@pytest.mark.parametrize("keep", ["may", "must"])
def test_parts_that_stand_at_one_of_two_sites(tmp_path: Path, keep: str) -> None:
    cut = profile(always(Cut(tmp_path / "fleet", ["klaustur", "corrour"])), ("sat-modem", 4))
    gear = [("batteries", 4, 3, keep), ("modules", 4, 2, keep), ("controllers", 2, 1, "may")]
    check(equipped(cut, "corrour", gear).thin(2, 0))


@pytest.mark.parametrize("required", ["false", "true"])
def test_equalising_that_some_parts_do_not_bear(tmp_path: Path, required: str) -> None:
    cut = profile(always(Cut(tmp_path / "fleet", ["klaustur"])), ("level-radar", 20))
    state(cut, "sites", {"system_voltage_v": "24"})
    lead = {"agm": "15.6", "gel": "16", "lfp": ""}
    cut.change(
        "catalogue/batteries", lambda rows: [row | {"equalise_v": lead[row["chemistry"]]} for row in rows]
    )
    check(cut.thin(2, 0), overrides={"battery.equalise_required": required})


@pytest.mark.parametrize("heater_w", ["10", "40"])
def test_heated_batteries(tmp_path: Path, heater_w: str) -> None:
    cut = profile(always(Cut(tmp_path / "fleet", ["klaustur"])), ("level-radar", 20))
    state(cut, "catalogue/batteries", {"heater_w": heater_w})
    lead = {row["sku"] for row in cut.rows("catalogue/batteries") if row["chemistry"] != "lfp"}
    check(cut.change("catalogue/prices", lambda rows: [row for row in rows if row["sku"] not in lead]))
