"""The main job on the bundled fleet: what is written reconciles, repeats, and holds the rules it states."""

import json
import shutil
from decimal import Decimal
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner

from planner.cli import app
from planner.pipeline import plan_folder
from planner.plan import check_target
from planner.units import shipped
from tests.plan.fleets import part_of

FLEET = shipped("scenarios") / "tundrakall"
FEW = ("finse", "achnasheen", "kuusamo", "idre")
QUICK = {"solver.gap": "0.2"}
QUICKER = QUICK | {"policy.system_voltages_v": "[12]"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("plan") / "plan"
    plan_folder(FLEET, out, overrides=QUICK)
    return out


def table(folder: Path, name: str) -> pd.DataFrame:
    return pd.read_parquet(folder / f"{name}.parquet")


def test_totals_reconcile_to_the_cent(folder: Path) -> None:
    manifest = json.loads((folder / "manifest.json").read_text())
    orders, designs = table(folder, "procurement"), table(folder, "site_designs")
    bill = table(folder, "bill_of_materials")
    assert (
        orders.quantity_sites + orders.quantity_spares + orders.quantity_surplus == orders.quantity_ordered
    ).all()
    assert (
        bill.groupby("sku").quantity.sum().to_dict() == orders.groupby("sku").quantity_sites.sum().to_dict()
    )
    assert (orders.unit_price * orders.quantity_ordered == orders.line_cost).all()
    landed = designs.freight_cost.sum() + designs.access_cost.sum() + designs.installation_cost.sum()
    assert orders.line_cost.sum() + landed == Decimal(manifest["total_cost"])
    surplus = (orders.unit_price * orders.quantity_surplus).sum()
    assert designs.site_cost.sum() + surplus == Decimal(manifest["total_cost"])
    assert Decimal(manifest["best_bound"]) <= Decimal(manifest["total_cost"])


def test_the_plan_passes_its_audit(folder: Path) -> None:
    audit = json.loads((folder / "manifest.json").read_text())["audit"]
    assert audit["passed"]
    assert audit["broken"] == 0
    assert audit["checks"] > 1000


def test_every_site_is_planned_or_explained(folder: Path) -> None:
    manifest = json.loads((folder / "manifest.json").read_text())
    sites = len((FLEET / "sites.csv").read_text().splitlines()) - 1
    problems = table(folder, "problems")
    assert manifest["sites_planned"] + manifest["sites_unserved"] == sites
    assert (problems.severity == "unserved").sum() == manifest["sites_unserved"]


def test_designs_hold_the_rules_they_state(folder: Path) -> None:
    designs, energy = table(folder, "site_designs"), table(folder, "energy_balance")
    assert (designs.bus_high_v <= designs.kit_input_max_v + 0.01).all()
    assert (designs.bus_low_v >= designs.kit_input_min_v - 0.01).all()
    assert (energy.groupby("site_id").array_to_load_ratio.min() >= 1.099).all()
    assert (designs.autonomy_days >= 3.0).all()
    modules = pd.read_csv(shipped("data") / "catalogue" / "modules.csv").set_index("sku")
    controllers = pd.read_csv(shipped("data") / "catalogue" / "controllers.csv").set_index("sku")
    assert (designs.string_cold_v_oc_v <= designs.controller_sku.map(controllers.pv_input_max_v) + 0.01).all()
    watts = designs.module_sku.map(modules.nameplate_w) * designs.modules_series * designs.modules_parallel
    assert (watts - designs.array_w).abs().max() < 1e-6


def test_csv_and_parquet_hold_the_same(folder: Path) -> None:
    for path in folder.glob("*.csv"):
        text, typed = (
            pd.read_csv(path, dtype=str, keep_default_na=False),
            pd.read_parquet(path.with_suffix(".parquet")),
        )
        assert list(text.columns) == list(typed.columns)
        assert len(text) == len(typed)


@pytest.fixture(scope="module")
def few(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Some sites of the fleet: own values, a horizon, a fixed bus, and a plain one."""
    return part_of("tundrakall", tmp_path_factory.mktemp("few") / "few", FEW)


def test_same_inputs_same_bytes(few: Path, tmp_path: Path) -> None:
    for name in ("once", "again"):
        plan_folder(few, tmp_path / name, overrides=QUICKER)
    for path in sorted((tmp_path / "once").iterdir()):
        if path.name != "timings.json":
            assert path.read_bytes() == (tmp_path / "again" / path.name).read_bytes(), path.name


def test_more_autonomy_never_costs_less(few: Path, tmp_path: Path) -> None:
    for name, days in (("less", "6"), ("more", "9")):
        plan_folder(few, tmp_path / name, overrides=QUICKER | {"policy.autonomy_days": days})
    less, more = (json.loads((tmp_path / name / "manifest.json").read_text()) for name in ("less", "more"))
    # the plan bought for more autonomy serves for less, so its cost is at least the bound of the other
    assert Decimal(more["total_cost"]) >= Decimal(less["best_bound"])
    assert more["settings"]["policy.autonomy_days"] == {"value": 9.0, "origin": "--set"}


def test_dark_sites_are_named_and_do_not_stop_the_fleet(tmp_path: Path) -> None:
    scenario = tmp_path / "scenario"
    shutil.copytree(FLEET, scenario)
    lines = (scenario / "sites.csv").read_text().splitlines()
    head, last = lines[0].split(","), lines[-1].split(",")
    row = dict.fromkeys(head, "") | {
        "site_id": "POLE",
        "name": "Hetta",
        "latitude_deg": "68.38",
        "longitude_deg": "23.63",
        "load_profile": last[head.index("load_profile")],
    }
    (scenario / "sites.csv").write_text("\n".join([*lines[:3], ",".join(row[name] for name in head)]) + "\n")
    for name in ("site_months.csv", "horizon.csv"):
        (scenario / name).unlink(missing_ok=True)
    result = CliRunner().invoke(
        app,
        ["plan", str(scenario), "--out", str(tmp_path / "plan"), "--json"]
        + [part for name, value in QUICKER.items() for part in ("--set", f"{name}={value}")],
    )
    assert result.exit_code == 4, result.output
    manifest = json.loads((tmp_path / "plan" / "manifest.json").read_text())
    assert manifest["unserved"] == {"POLE": "no-sun"}
    assert manifest["sites_planned"] == 2


def test_a_folder_that_is_no_plan_is_refused(tmp_path: Path) -> None:
    (tmp_path / "holiday.txt").write_text("photos")
    result = CliRunner().invoke(app, ["plan", str(FLEET), "--out", str(tmp_path)])
    assert result.exit_code == 2
    assert (tmp_path / "holiday.txt").read_text() == "photos"


def test_parents_of_the_plan_are_made_and_an_earlier_plan_is_replaced(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "plans" / "deep"
    check_target(out)
    out.mkdir(parents=True)
    (out / "manifest.json").write_text('{"planner_version": "0.0.1"}')
    (out / "problems.csv").write_text("old")
    scenario = tmp_path / "scenario"
    shutil.copytree(FLEET, scenario)
    lines = (scenario / "sites.csv").read_text().splitlines()
    (scenario / "sites.csv").write_text("\n".join(lines[:2]) + "\n")
    for name in ("site_months.csv", "horizon.csv"):
        (scenario / name).unlink(missing_ok=True)
    plan_folder(scenario, out, overrides=QUICKER)
    assert (out / "problems.csv").read_text() != "old"
    assert (out / "procurement.parquet").exists()
    assert [path.name for path in out.parent.iterdir()] == ["deep"]
