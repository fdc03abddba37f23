"""Why sites have no design: parts without a price on the day, and every tilt that was tried."""

from dataclasses import replace
from pathlib import Path

import pytest

from planner.grounds import fleet_kits, prepare
from planner.pipeline import plan_fleet
from planner.scenario import read_scenario
from planner.sizing import explain
from tests.support import table, write_scenario

SKUS = {
    "modules": ("M-100/36",), "batteries": ("B-AGM (100)",), "controllers": ("C-20+L",),
    "switches": ("S-8#W",), "mounts": ("MT-4",), "enclosures": ("EN-60",),
}  # fmt: skip


@pytest.mark.parametrize("category", SKUS)
def test_a_category_whose_prices_have_all_run_out(tmp_path: Path, category: str) -> None:
    """Two parts of it exist, each with a price that ended in 2025."""
    (sku,) = SKUS[category]
    name = "balance" if category in ("mounts", "enclosures") else category
    first = next(row for row in table(f"catalogue/{name}") if row["sku"] == sku)
    tables = {f"catalogue/{name}": [*table(f"catalogue/{name}"), first | {"sku": "TWIN"}]}
    if category == "switches":
        ports = table("catalogue/switch_ports")
        tables["catalogue/switch_ports"] = [*ports, *(row | {"sku": "TWIN"} for row in ports)]
    prices = [row for row in table("catalogue/prices") if row["sku"] != sku]
    over = {"valid_from": "2025-01-01", "valid_to": "2025-12-31"}
    old = next(row for row in table("catalogue/prices") if row["sku"] == sku) | over
    tables["catalogue/prices"] = [*prices, old, old | {"sku": "TWIN"}]
    place = table("sites")[0] | {"autonomy_days": "1"}
    folder = write_scenario(tmp_path, tables={"sites": [place]} | tables)
    plan = plan_fleet(read_scenario(folder))
    refusal = plan.unserved["0012"]
    assert (refusal.rule, refusal.subject) == ("not-for-sale", category)
    assert (
        refusal.message
        == f"none of the 2 {category} of the catalogue has a price that is valid on 2026-11-25"
    )


def test_the_nearest_miss_of_all_tilts_is_told(tmp_path: Path) -> None:
    """A cramped site in the Alps: its array falls short by less on a steep plane than on a flat one."""
    place = table("sites")[0] | {"autonomy_days": "1", "module_area_max_m2": "0.7"}
    folder = write_scenario(tmp_path, tables={"sites": [place]})
    scenario = read_scenario(folder)
    fleet = prepare(scenario)
    fleet_kits(fleet)
    tilts = fleet.plane.surface_tilt_deg[0].tolist()
    flat, steep = tilts.index(10.0), tilts.index(60.0)
    told = {
        some: explain(replace(fleet, tilts=[some]), 0, fleet.gear[0])
        for some in ((flat,), (steep,), (flat, steep))
    }
    assert told[flat,].rule == told[steep,].rule == "array-area"
    assert told[flat,].value != told[steep,].value
    assert (
        told[flat, steep] == told[steep,] == explain(replace(fleet, tilts=[(steep, flat)]), 0, fleet.gear[0])
    )
