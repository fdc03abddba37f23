"""What a site states of its place reaches the plan: horizon, snow, shade, ground, wind, room, recovery.

All sites stand at one place with one load, so whatever differs follows from what each states.
"""

import json
from pathlib import Path

import pandas as pd
import pytest

from planner.pipeline import plan_folder
from tests.support import Rows, table, write_scenario

SITES = {
    "plain": {},
    "valley": {},
    "snowed": {},
    "shaded": {},
    "bright": {},
    "windy": {"wind_design_m_s": "50"},
    "stormy": {"wind_design_m_s": "70"},
    "cramped": {"module_area_max_m2": "0.5"},
    "positive": {"bus_grounding": "positive"},
    "quick": {"recovery_days_max": "2"},
    "stuffy": {"enclosure_rise_k": "40"},
}
MONTHS = {"snowed": ("snow_loss", "0.3"), "shaded": ("shading_loss", "0.2"), "bright": ("albedo", "0.7")}


def floating(name: str) -> Rows:
    """Parts of a table whose cases are tied to neither pole, so that kits take a bus of either."""
    return [row | {"case_ground": "floating"} for row in table(f"catalogue/{name}")]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Plan of the sites; a second, dearer mount stands more wind."""
    place = {
        "latitude_deg": "46.5", "longitude_deg": "8.25", "elevation_m": "1800", "load_profile": "camera",
        "autonomy_days": "1",
    }  # fmt: skip
    months = [
        {"site_id": site, "month": str(month), column: value}
        for site, (column, value) in MONTHS.items()
        for month in range(1, 13)
    ]
    ridge = [
        {"site_id": "valley", "azimuth_deg": str(azimuth), "elevation_deg": str(height)}
        for azimuth, height in ((0, 0), (100, 0), (120, 35), (240, 35), (260, 0))
    ]
    mount, box = table("catalogue/balance")
    mount["wind_max_m_s"] = "45"
    strong = {"sku": "MT-S", "wind_max_m_s": "60", "weight_max_kg": "16", "tilt_max_deg": "30"}
    prices = table("catalogue/prices")
    prices.append(next(row for row in prices if row["sku"] == "MT-4") | {"sku": "MT-S", "unit_price": "180"})
    scenario = write_scenario(
        tmp_path_factory.mktemp("scenario"),
        tables={
            "sites": [{"site_id": site} | place | own for site, own in SITES.items()],
            "loads": [row for row in table("loads") if row["load_profile"] == "camera"],
            "site_months": months,
            "horizon": ridge,
            "catalogue/balance": [mount, mount | strong, box],
            "catalogue/switches": floating("switches"),
            "catalogue/converters": floating("converters"),
            "catalogue/prices": prices,
        },
    )
    out = tmp_path_factory.mktemp("plan") / "plan"
    plan_folder(scenario, out, overrides={"solver.gap": "0.1"})
    return out


def by_site(folder: Path, name: str) -> pd.DataFrame:
    return pd.read_parquet(folder / f"{name}.parquet").set_index("site_id")


def poa(folder: Path, site: str) -> pd.Series:
    energy = by_site(folder, "energy_balance").loc[site].set_index("month")
    return energy.poa_wh_m2_day


def test_losses_multiply_the_plane_of_the_same_tilt(folder: Path) -> None:
    tilt = by_site(folder, "site_designs").surface_tilt_deg
    for site, kept in (("snowed", 0.7), ("shaded", 0.8)):
        assert tilt[site] == tilt["plain"]
        assert (poa(folder, site) / poa(folder, "plain")).to_list() == pytest.approx([kept] * 12, abs=1e-3)


def test_a_southern_ridge_takes_winter_and_leaves_midsummer(folder: Path) -> None:
    """At 46.5 N the noon sun is 20 degrees high in December and 67 in June; the ridge has 35."""
    if by_site(folder, "site_designs").surface_tilt_deg["valley"] == 0:
        pytest.fail("a flat array says nothing of a horizon")
    share = poa(folder, "valley") / poa(folder, "plain")
    assert share[12] < 0.6
    assert share.loc[5:7].min() > 0.8 * share.loc[5:7].max()


def test_bright_ground_adds_to_tilted_planes(folder: Path) -> None:
    assert (poa(folder, "bright") > poa(folder, "plain")).all()


def test_wind_chooses_the_mount_and_its_tilts(folder: Path) -> None:
    designs = by_site(folder, "site_designs")
    assert designs.mount_sku["plain"] == "MT-4"
    assert designs.mount_sku["windy"] == "MT-S"
    assert designs.surface_tilt_deg["windy"] <= 30 < designs.surface_tilt_deg["plain"]
    # a module has 7.5 kg, so 16 kg take two of them
    modules = designs.modules_series["windy"] * designs.modules_parallel["windy"]
    assert designs.mounts["windy"] == -(-modules // 2)


def test_sites_without_a_design_name_rule_value_and_limit(folder: Path) -> None:
    problems = by_site(folder, "problems")
    problems = problems[problems.severity == "unserved"]
    found = {site: (row.code, row.value, row.limit) for site, row in problems.iterrows()}
    assert found.pop("stormy") == ("mount-wind", 70.0, 60.0)
    code, reached, asked = found.pop("cramped")
    assert code == "array-area"
    assert reached < asked
    assert found.pop("positive")[0] == "controller-grounding"
    code, value, limit = found.pop("stuffy")
    assert code.endswith("-hot")
    assert value > limit == 60.0
    assert found == {}
    manifest = json.loads((folder / "manifest.json").read_text())
    assert manifest["sites_planned"] == len(SITES) - 4


def test_quick_recovery_asks_for_array(folder: Path) -> None:
    designs, energy = by_site(folder, "site_designs"), pd.read_parquet(folder / "energy_balance.parquet")
    assert designs.array_w["quick"] > designs.array_w["plain"]
    months = energy[energy.site_id == "quick"]
    used = months.load_wh_day * 1  # a day of autonomy; through the battery it is more
    assert (used / (months.array_wh_day - months.load_wh_day) <= 2.0).all()


def test_figures_of_recovery_heat_and_earth_stand_in_the_tables(folder: Path) -> None:
    designs, energy = by_site(folder, "site_designs"), pd.read_parquet(folder / "energy_balance.parquet")
    assert designs.recovery_days["quick"] <= 2.0 < designs.recovery_days["plain"]
    assert set(designs.bus_grounding) == {"negative"}
    assert (energy.heater_wh_day == 0).all()  # lead-acid has none
