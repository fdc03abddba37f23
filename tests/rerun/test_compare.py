"""Two plans compared: what changed is known by construction, and so is which inputs bring it about."""

import csv
import hashlib
import json
import math
import zipfile
from datetime import datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from typer.testing import CliRunner

from planner.cli import app
from planner.compare import Comparison, compare_folders
from planner.compare.mixing import GROUPS
from planner.errors import InputError
from planner.kept import unpack_inputs
from planner.pipeline import plan_folder
from planner.tables.plan_files import read_manifest, read_plan
from planner.tables.plan_rows import PLAN_TABLES
from planner.tables.registry import BY_NAME
from planner.tables.rerun_rows import COMPARE_TABLES
from tests.rerun.small import KNOWN, OTHER, VALLEY, Tables, fleet_tables, plan_at
from tests.support import Rows, table, write_scenario


def compared(folder: Path, before: Tables, after: Tables) -> Comparison:
    return compare_folders(plan_at(folder / "a", before), plan_at(folder / "b", after), workers=1)


def test_a_plan_compared_with_itself_is_empty(tmp_path: Path) -> None:
    plan = plan_at(tmp_path, fleet_tables())
    assert compare_folders(plan, plan).empty


def test_one_group_that_differs_is_the_cause_of_all(tmp_path: Path) -> None:
    found = compared(tmp_path, fleet_tables(), fleet_tables(other_price="200"))
    (site,) = found.changed_sites
    assert (site.site_id, site.change, site.cause) == (VALLEY, "design", "prices")
    assert f"battery_sku {KNOWN} -> {OTHER}" in site.what
    parts = {row.sku: row for row in found.changed_parts}
    blocks = -parts[KNOWN].quantity_change
    assert blocks == parts[OTHER].quantity_change > 0
    # 250 a block before and 200 after, as the two price rows say; all else stays
    assert site.cost_change == parts[KNOWN].cost_change + parts[OTHER].cost_change == -50 * blocks
    orders = {row.sku: row for row in found.changed_orders}
    assert (orders[KNOWN].price_before, orders[KNOWN].price_after) == (Decimal(250), None)
    assert (orders[OTHER].price_before, orders[OTHER].price_after) == (None, Decimal(200))
    assert [row.category for row in found.changed_totals] == ["batteries", "total"]
    assert {row.file for row in found.changed_inputs} == {"catalogue/prices.csv"}
    (cause,) = found.causes
    assert (cause.group, cause.differs, cause.cost_alone) == ("prices", "prices: 1 row", -50 * blocks)


def test_what_acts_only_jointly_is_named_so(tmp_path: Path) -> None:
    """The new battery is cheaper after, and on hand after: without either, the known one stays."""
    found = compared(tmp_path, fleet_tables(other_stock="0"), fleet_tables(other_price="200"))
    (site,) = found.changed_sites
    assert site.cause == "prices + stock"
    assert {row.cause for row in found.changed_orders} == {"prices + stock"}
    rows = {row.group: row for row in found.causes}
    assert rows["prices"].cost_alone == rows["stock"].cost_alone == 0
    assert rows["jointly"].cost_alone == site.cost_change
    assert rows["prices"].cost_of_leaving_out == rows["stock"].cost_of_leaving_out == site.cost_change
    assert (rows["prices"].sites_alone, rows["prices"].sites_jointly) == (0, 1)


def test_groups_that_are_each_enough_are_both_named(tmp_path: Path) -> None:
    dear = fleet_tables()
    prices = dear["catalogue/prices"]
    assert isinstance(prices, list)
    prices[2] |= {"unit_price": "400"}
    dear["sku_rules"] = [{"sku": KNOWN, "rule": "forbidden"}]
    found = compared(tmp_path, fleet_tables(), dear)
    assert [row.cause for row in found.changed_sites] == ["prices or rules"]
    assert {row.cause for row in found.changed_orders} == {"prices or rules"}


def test_groups_that_cannot_stand_alone_are_told(tmp_path: Path) -> None:
    """Sites that name a profile which only the other plan's loads have."""
    after = fleet_tables()
    loads = table("loads")
    after["loads"] = [*loads, loads[2] | {"load_profile": "relay", "quantity": "2"}]
    after["sites"] = [row | {"load_profile": "relay"} for row in after["sites"] if isinstance(row, dict)]
    found = compared(tmp_path, fleet_tables(), after)
    assert [row.cause for row in found.changed_sites] == ["loads + sites"]
    rows = {row.group: row for row in found.causes}
    assert rows["sites"].cost_alone is None
    assert "unknown-reference" in rows["sites"].note
    assert rows["loads"].cost_alone == 0


def test_sites_served_and_lost_and_settings(tmp_path: Path) -> None:
    """The ridge's largest battery carries under four days (`battery-size`), and over three."""
    tables: Tables = {"sites": table("sites")}
    four = plan_at(tmp_path / "a", tables)
    three = plan_at(tmp_path / "b", tables, **{"policy.autonomy_days": "3"})
    there = compare_folders(four, three)
    back = compare_folders(three, four)
    assert [(row.site_id, row.change, row.cause) for row in there.changed_sites] == [
        ("0012", "served", "settings policy")
    ]
    assert [(row.site_id, row.change, row.what) for row in back.changed_sites] == [
        ("0012", "lost", "not served: battery-size")
    ]
    assert there.changed_sites[0].cost_change == -back.changed_sites[0].cost_change > 0
    (setting,) = there.changed_settings
    assert (setting.setting, setting.value_before, setting.value_after, setting.origin_after) == (
        "policy.autonomy_days",
        "4.0",
        "3.0",
        "--set",
    )
    assert not there.changed_inputs


def test_every_table_that_decides_a_plan_is_in_a_group() -> None:
    grouped = [name for tables in GROUPS.values() for name in tables]
    assert len(grouped) == len(set(grouped))
    assert set(BY_NAME) - set(grouped) == {"price_columns", "supply_today"}


def test_order_of_rows_is_no_cause(tmp_path: Path) -> None:
    turned = fleet_tables()
    for name, rows in turned.items():
        turned[name] = list(reversed(rows)) if isinstance(rows, list) else rows
    found = compared(tmp_path, fleet_tables(), turned)
    assert not found.causes
    assert not found.changed_sites
    assert found.changed_inputs  # the files differ, what they say does not


def test_kept_inputs_are_a_scenario_that_plans_the_same(tmp_path: Path) -> None:
    plan = plan_at(tmp_path, fleet_tables(), **{"policy.autonomy_days": "5.5"})
    inputs = unpack_inputs(plan, read_manifest(plan), tmp_path / "inputs")
    plan_folder(inputs, tmp_path / "again")
    for name in PLAN_TABLES.keys() - {"problems"}:  # those of inputs name their files
        assert (plan / f"{name}.csv").read_bytes() == (tmp_path / "again" / f"{name}.csv").read_bytes()
    assert (plan / "inputs.zip").read_bytes() == (tmp_path / "again" / "inputs.zip").read_bytes()


def problem_codes(folder: Path) -> dict[str, str]:
    with pytest.raises(InputError) as caught:
        read_plan(folder)
    return {Path(problem.file).name: problem.code for problem in caught.value.problems}


def test_a_folder_that_is_no_plan(tmp_path: Path) -> None:
    assert problem_codes(tmp_path / "nothing") == {"nothing": "no-plan"}
    assert problem_codes(tmp_path) == {tmp_path.name: "no-plan"}
    for text in ("[]", "{}", "not json", '"planner_version"', "[" * 100_000):
        (tmp_path / "manifest.json").write_text(text)
        assert problem_codes(tmp_path) == {tmp_path.name: "no-plan"}


def test_another_version_and_changed_files_are_refused(tmp_path: Path) -> None:
    plan = plan_at(tmp_path, fleet_tables())
    whole = (plan / "manifest.json").read_text()
    manifest = json.loads(whole)
    (plan / "manifest.json").write_text(json.dumps(manifest | {"planner_version": "0.0.9"}))
    assert problem_codes(plan) == {"manifest.json": "other-version"}
    (plan / "manifest.json").write_text(json.dumps(manifest | {"total_cost": "1.00"}))
    assert problem_codes(plan) == {"manifest.json": "changed-file"}
    for name in ("inputs", "settings", "files", "unserved", "costs"):
        (plan / "manifest.json").write_text(json.dumps({**manifest, name: None}))
        assert problem_codes(plan)["manifest.json"] == "changed-file"
    (plan / "manifest.json").write_text(whole)
    text = (plan / "procurement.csv").read_text()
    (plan / "procurement.csv").write_text(text.replace(",north,", ",south,"))
    (plan / "site_designs.parquet").unlink()
    (plan / "problems.parquet").write_bytes(b"PAR1")
    assert problem_codes(plan) == {
        "procurement.csv": "changed-file",
        "site_designs.parquet": "unreadable-file",
        "problems.parquet": "changed-file",
    }


def test_inputs_that_lead_out_of_their_folder_are_refused(tmp_path: Path) -> None:
    plan = tmp_path / "plan"
    plan.mkdir()
    for name in ("../evil.csv", "/evil.csv", "a/../../evil.csv", "c:evil.csv", "..\\evil.csv"):
        with zipfile.ZipFile(plan / "inputs.zip", "w") as archive:
            archive.writestr(name, b"x")
        own = hashlib.sha256((plan / "inputs.zip").read_bytes()).hexdigest()
        with pytest.raises(InputError, match="leads out of its folder"):
            unpack_inputs(plan, {"files": {"inputs.zip": own}}, tmp_path / "out")
        with pytest.raises(InputError, match="changed-file"):
            unpack_inputs(plan, {"files": {"inputs.zip": "0"}}, tmp_path / "out")
    assert not list(tmp_path.rglob("evil.csv"))


def read_rows(path: Path) -> Rows:
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


def test_command_prints_and_writes_the_same(tmp_path: Path) -> None:
    before = plan_at(tmp_path / "a", fleet_tables())
    after = plan_at(tmp_path / "b", fleet_tables(other_price="200"))
    run = CliRunner().invoke(
        app, ["compare", str(before), str(after), "--json", "--quiet", "--out", str(tmp_path / "out")]
    )
    assert run.exit_code == 0, run.output
    said = json.loads(run.stdout)
    assert list(said) == list(COMPARE_TABLES)
    for name, rows in said.items():
        written: Rows = read_rows(tmp_path / "out" / f"{name}.csv")
        assert len(written) == len(rows)
    orders = read_rows(tmp_path / "out" / "changed_orders.csv")
    assert "'" + OTHER in {row["sku"] for row in orders}  # no spreadsheet takes it for a formula
    plain = CliRunner().invoke(app, ["compare", str(before), str(after), "--no-causes"])
    assert "changed_orders:" in plain.stdout
    assert "causes:" not in plain.stdout


def test_weather_files_are_kept_and_are_part_of_the_climate(tmp_path: Path) -> None:
    """A file with half the sun takes twice the panel: the climate is the cause; its path may be deep."""
    plans = []
    for name, share in (("a", 1.0), ("b", 0.5)):
        tables = fleet_tables()
        tables["climate_files"] = [
            {
                "site_id": VALLEY,
                "path": "weather/valley.csv",
                "format": "csv",
                "time_zone": "UTC",
                "stamp": "start",
                "ghi_column": "ghi",
                "ghi_unit": "W/m2",
            }
        ]
        folder = write_scenario(tmp_path / name / "scenario", tables=tables)
        (folder / "weather").mkdir()
        (folder / "weather" / "valley.csv").write_text(year_of_sun(share), encoding="utf-8")
        plan_folder(folder, tmp_path / name / "plan")
        plans.append(tmp_path / name / "plan")
    found = compare_folders(*plans)
    assert [row.cause for row in found.changed_sites] == ["climate"]
    assert [(row.group, row.differs) for row in found.causes] == [("climate", "weather/valley.csv")]
    inputs = unpack_inputs(plans[1], read_manifest(plans[1]), tmp_path / "inputs")
    plan_folder(inputs, tmp_path / "again")
    for name in ("site_designs", "energy_balance", "procurement"):
        assert (plans[1] / f"{name}.csv").read_bytes() == (tmp_path / "again" / f"{name}.csv").read_bytes()


def year_of_sun(share: float) -> str:
    """Hours of 2023 with a sine of sun from 6 to 18, UTC."""
    start = datetime(2023, 1, 1)
    lines = ["time,ghi"]
    for hour in range(365 * 24):
        now = start + timedelta(hours=hour)
        sun = max(0.0, math.sin((now.hour + 0.5 - 6) / 12 * math.pi)) * 120 * share
        lines.append(f"{now.isoformat(timespec='minutes')},{sun:.1f}")
    return "\n".join(lines) + "\n"


def test_command_refuses_what_is_no_plan(tmp_path: Path) -> None:
    run = CliRunner().invoke(app, ["compare", str(tmp_path), str(tmp_path), "--json"])
    assert run.exit_code == 3
    assert [problem["code"] for problem in json.loads(run.stdout)] == ["no-plan"]
