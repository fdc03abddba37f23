"""The bundled fleets of the desert and the Amazon: earthed positive poles, heat, devices behind inverters.

The first site of each profile and some others are planned. Rules are checked from the raw tables, in plain
arithmetic.
"""

import json
from pathlib import Path

import pandas as pd
import pytest

from planner.pipeline import plan_folder
from planner.units import shipped
from tests.plan.fleets import part_of
from tests.support import write_rows

CATALOGUE = shipped("data") / "catalogue"
ROUGH = {"solver.gap": "0.1", "policy.system_voltages_v": "[12]"}  # a single voltage is quick
MORE = {"ochrevane": ("alice-springs", "quorn"), "selvabruma": ("puyo", "beruri", "anori")}
QUITE_SLOW = ("school",)  # thousands of ways to feed it
CELL_RISE_K = 30.0  # of modules in full sun above the air
TOLERANCE = 1e-6


def raw(folder: Path, name: str, key: str) -> pd.DataFrame:
    return pd.read_csv(folder / f"{name}.csv").set_index(key)


def plan(scenario: str, folder: Path, sites: list[str]) -> Path:
    cut = part_of(scenario, folder / "fleet", sites)
    plan_folder(cut, folder / "plan", overrides=ROUGH)
    return folder


@pytest.fixture(scope="module", params=MORE)
def folder(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    sites = pd.read_csv(shipped("scenarios") / request.param / "sites.csv").drop_duplicates("load_profile")
    chosen = [*sites[~sites.load_profile.isin(QUITE_SLOW)].site_id, *MORE[request.param]]
    return plan(request.param, tmp_path_factory.mktemp(request.param), chosen)


@pytest.fixture(scope="module")
def boxes() -> pd.DataFrame:
    """Switches and converters by SKU."""
    return pd.concat([raw(CATALOGUE, name, "sku") for name in ("switches", "converters")])


def designs(folder: Path) -> pd.DataFrame:
    return pd.read_parquet(folder / "plan" / "site_designs.parquet").set_index("site_id")


def fitted(folder: Path) -> pd.DataFrame:
    """Bill of materials, a row for a SKU at a site."""
    return pd.read_parquet(folder / "plan" / "bill_of_materials.parquet").set_index("site_id")


def test_every_site_is_served(folder: Path) -> None:
    manifest = json.loads((folder / "plan" / "manifest.json").read_text())
    sites = raw(folder / "fleet", "sites", "site_id")
    assert len(designs(folder)) == manifest["sites_planned"] == len(sites)
    assert manifest["unserved"] == {}
    assert manifest["outcome"] in ("optimal", "within_gap")


def test_every_part_stands_the_heat_of_its_site(folder: Path) -> None:
    """Parts in the enclosure stand the hottest air and the site's rise, cells 30 K more than the air."""
    settings = json.loads((folder / "plan" / "manifest.json").read_text())["settings"]
    sites = raw(folder / "fleet", "sites", "site_id")
    rise = sites.get("enclosure_rise_k", pd.Series(dtype=float)).reindex(sites.index)
    rise = rise.fillna(settings["battery.enclosure_rise_k"]["value"])
    air, bill = designs(folder).temp_air_max_c, fitted(folder)
    limits = {
        name: raw(CATALOGUE, name, "sku").temp_max_c
        for name in ("modules", "batteries", "controllers", "switches", "converters")
    }
    for site, row in bill[bill.category.isin(limits)].iterrows():
        above = CELL_RISE_K if row.category == "modules" else rise[site]
        assert limits[row.category][row.sku] >= air[site] + above - TOLERANCE, (site, row.sku)


def test_an_earthed_positive_pole_meets_no_box_tied_to_the_other(folder: Path, boxes: pd.DataFrame) -> None:
    """Neither a controller that joins through the negative pole, nor a box whose case is tied to it."""
    sites = raw(folder / "fleet", "sites", "site_id")
    grounding = sites.get("bus_grounding", pd.Series(dtype=object)).reindex(sites.index).fillna("negative")
    common = raw(CATALOGUE, "controllers", "sku").common_terminal
    plans, bill = designs(folder), fitted(folder)
    assert (plans.bus_grounding == grounding.reindex(plans.index)).all()
    positive = grounding[grounding == "positive"].index
    assert len(positive) >= (3 if "bus_grounding" in sites else 0)
    assert not (plans.controller_sku[positive].map(common) == "negative").any()
    assert not (plans.controller_sku[grounding == "negative"].map(common) == "positive").any()
    for site in positive:
        assert plans.system_voltage_v[site] == 48
        units = bill.loc[[site]]
        here = boxes.loc[units[units.category.isin(("switches", "converters"))].sku]
        tied = here[(here.case_ground == "negative") & ~here.isolated.astype(bool)]
        assert tied.empty, (site, list(tied.index))


def test_what_must_be_kept_stays_in_use(folder: Path) -> None:
    """Every unit of it, and no part is kept of which none stands there."""
    path = folder / "fleet" / "existing.csv"
    stands = (
        pd.read_csv(path) if path.exists() else pd.DataFrame(columns=["site_id", "sku", "quantity", "keep"])
    )
    assert (len(stands) > 0) == folder.name.startswith("selvabruma")
    bill = fitted(folder).reset_index().set_index(["site_id", "sku"])
    kept = bill.quantity_kept[bill.quantity_kept > 0]
    there = stands.set_index(["site_id", "sku"])
    must = there.quantity[there.keep == "must"]
    assert (bill.quantity_kept.reindex(must.index) == must).all()
    assert len(must) >= (2 if len(stands) else 0)
    assert (kept <= there.quantity.reindex(kept.index).fillna(0)).all()


def test_own_months_count_in_their_unit(folder: Path) -> None:
    """26.6 MJ a day are 7389 Wh; 3.5 kWh are 3500 Wh."""
    own = {"alice-springs": 7389.0, "puyo": 3500.0}
    energy = pd.read_parquet(folder / "plan" / "energy_balance.parquet").set_index(["site_id", "month"])
    here = set(own) & set(designs(folder).index)
    assert len(here) == 1
    for site in here:
        assert energy.ghi_wh_m2_day[site, 1] == pytest.approx(own[site], abs=1.0)


def test_devices_with_a_plug_stand_behind_an_inverter_of_their_voltage(folder: Path) -> None:
    """Its output lies in the window of each, at a frequency that suits, and carries all of them at once."""
    ports = pd.read_parquet(folder / "plan" / "port_assignments.parquet")
    rows, converters = raw(folder / "fleet", "devices", "device"), raw(CATALOGUE, "converters", "sku")
    plugged = ports[(ports.role == "power") & (ports.supply == "ac")]
    if folder.name.startswith("selvabruma"):
        assert len(plugged)
    for (_, sku), group in plugged.groupby(["site_id", "via_sku"]):
        box, devices = converters.loc[sku], rows.loc[group.device]
        assert box.kind == "inverter"
        assert ((devices.input_min_v <= box.output_v) & (devices.input_max_v >= box.output_v)).all()
        assert (devices.input_hz.isna() | (devices.input_hz == box.output_hz)).all()
        assert devices.max_w.sum() <= box.output_max_w


@pytest.fixture(scope="module")
def outposts(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A base station on a bus of 24 V, where no converter gives its vehicle input 80 W, and one on any."""
    sites = pd.read_csv(shipped("scenarios") / "selvabruma" / "sites.csv")
    posts = sites[sites.load_profile == "outpost"]
    of_24_v = posts.system_voltage_v == 24
    chosen = [posts[of_24_v].site_id.iloc[0], posts[~of_24_v].site_id.iloc[0]]
    return plan("selvabruma", tmp_path_factory.mktemp("outposts"), chosen)


def test_a_base_station_takes_the_input_that_its_bus_can_feed(outposts: Path) -> None:
    ports = pd.read_parquet(outposts / "plan" / "port_assignments.parquet").set_index("device")
    voltage = designs(outposts).system_voltage_v
    assert voltage[ports.site_id["vhf-base"]] == 24
    assert voltage[ports.site_id["vhf-base-12"]] == 12
    assert ports.port["vhf-base-12"] == "bus"


def test_a_choice_of_inputs_never_costs_more_than_the_plug_alone(outposts: Path, tmp_path: Path) -> None:
    """Without the other inputs both base stations stand behind inverters."""
    cut = tmp_path / "fleet"
    part_of("selvabruma", cut, list(designs(outposts).index))
    devices = pd.read_csv(cut / "devices.csv", dtype=str, keep_default_na=False)
    plugs = devices[devices.alternative_to == ""]
    write_rows(cut / "devices.csv", plugs.to_dict("records"))
    plan_folder(cut, tmp_path / "plan", overrides=ROUGH)
    choice, plug = (json.loads((one / "plan" / "manifest.json").read_text()) for one in (outposts, tmp_path))
    assert float(choice["best_bound"]) <= float(plug["total_cost"])
    assert float(choice["total_cost"]) < float(plug["best_bound"])  # and is cheaper by more than the gaps
    ports = pd.read_parquet(tmp_path / "plan" / "port_assignments.parquet")
    assert (ports.device == "vhf-base").sum() == 2
