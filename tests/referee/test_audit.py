"""The audit as a whole: files, exit codes, what it may import, its arithmetic against published values."""

import ast
import json
from collections.abc import Callable
from functools import partial
from math import isclose
from pathlib import Path

import pytest
from typer.testing import CliRunner

import planner.pipeline
import planner.referee
from planner.cli import app
from planner.executors import each
from planner.referee import Tally, audit_plan, begin_tally
from planner.referee.check import holds
from planner.referee.energy import BANDS, band_of
from planner.referee.power import CLOSURE_W, at_port_w
from planner.referee.sky import Plane, monthly, months_on_plane
from planner.scenario import Scenario, read_scenario
from planner.site_climates import site_conditions, site_planes
from planner.units import shipped
from tests.referee.plans import Planned
from tests.test_house import imports

#: A bus where sites state none: the largest fleet takes twice as long with all of them.
ONE_VOLTAGE = {"selvabruma": ("policy.system_voltages_v=[12]",)}
MAY_IMPORT = {"errors", "money", "referee", "scenario", "settings", "tables", "units"}
STORED_NUMBERS = {"planner.climate.builtin", "planner.climate.sources"}
ELSEWHERE = "tundrakall"  # planned, and its audit looked at, in `tests/plan/test_bundled.py`
SCENARIOS = sorted(
    path.name
    for path in shipped("scenarios").iterdir()
    if (path / "scenario.toml").exists() and path.name != ELSEWHERE
)
ROOM = Path(planner.referee.__file__).parent


def modules(path: Path) -> set[str]:
    """Dotted modules that a file imports names from."""
    tree = ast.walk(ast.parse(path.read_text(encoding="utf-8")))
    return {node.module for node in tree if isinstance(node, ast.ImportFrom) and node.module}


def test_the_referee_shares_only_tables_and_stored_numbers() -> None:
    for path in ROOM.glob("*.py"):
        assert imports(path) <= MAY_IMPORT | {"climate"}, path.name
        climate = {name for name in modules(path) if name.startswith("planner.climate")}
        assert climate <= STORED_NUMBERS, path.name


@pytest.mark.parametrize("name", SCENARIOS)
def test_plans_of_the_bundled_scenarios_pass(name: str, tmp_path: Path) -> None:
    settings = [f"--set={one}" for one in ("solver.gap=0.2", *ONE_VOLTAGE.get(name, ()))]
    run = CliRunner().invoke(app, ["plan", name, "--out", str(tmp_path / "plan"), *settings])
    assert run.exit_code in (0, 4), run.output
    audit = json.loads((tmp_path / "plan" / "manifest.json").read_text())["audit"]
    assert audit["passed"]
    assert audit["broken"] == 0
    assert audit["checks"] > 1000


@pytest.mark.parametrize("file", ["site_designs.csv", "site_designs.parquet", "procurement.csv"])
def test_a_file_changed_without_its_hash_fails_at_the_hash(
    planned: Planned, scenario: Scenario, file: str
) -> None:
    path = planned.plan / file
    path.write_bytes(path.read_bytes() + b"\n")
    broken = planned.broken(scenario)
    assert ("plan-hash", file) in {(check.rule, check.subject) for check in broken}


def test_forms_that_differ_are_caught(planned: Planned, scenario: Scenario) -> None:
    path = planned.plan / "procurement.csv"
    path.write_text(path.read_text().replace(",EUR,", ",USD,"), encoding="utf-8")
    planned.rehash()
    assert {check.rule for check in planned.broken(scenario)} == {"plan-forms"}


@pytest.mark.parametrize("damage", [b"", b"PAR1", b"\xff\xfe\x00"])
@pytest.mark.parametrize("file", ["energy_balance.csv", "energy_balance.parquet"])
def test_a_damaged_table_is_a_broken_check(
    planned: Planned, scenario: Scenario, file: str, damage: bytes
) -> None:
    (planned.plan / file).write_bytes(damage)
    planned.rehash()
    assert {check.rule for check in planned.broken(scenario)} & {"plan-table", "plan-forms"}


def test_exit_codes(planned: Planned) -> None:
    def run(*more: str) -> int:
        return CliRunner().invoke(app, ["audit", str(planned.plan), *more]).exit_code

    home = str(planned.folder / "scenario")
    assert run("--scenario", home) == 0
    assert run("--scenario", str(planned.folder / "nowhere")) == 2
    columns = planned.columns("bill_of_materials")
    columns["quantity"][0] += 1
    planned.write("bill_of_materials", columns)
    assert run("--scenario", home, "--json") == 6
    assert CliRunner().invoke(app, ["audit", str(planned.folder / "scenario")]).exit_code == 2


def test_json_has_every_check(planned: Planned) -> None:
    home = str(planned.folder / "scenario")
    run = CliRunner().invoke(app, ["audit", str(planned.plan), "--scenario", home, "--json"])
    said = json.loads(run.stdout)
    assert said["passed"] is True
    assert {"rule", "site", "subject", "value", "limit", "margin", "ok"} <= set(said["checks"][0])
    assert {check["site"] for check in said["checks"]} >= {"finse", "kilpis"}


@pytest.mark.parametrize("workers", [1, 2])
def test_sites_in_several_processes_make_the_same_audit(
    planned: Planned, monkeypatch: pytest.MonkeyPatch, workers: int
) -> None:
    """Of a plan with faults of sites and of order lines, two sites to a part."""
    monkeypatch.setattr("planner.referee.audit.BATCH_SITES", 2)
    for table, column in (("bill_of_materials", "quantity"), ("procurement", "quantity_ordered")):
        columns = planned.columns(table)
        columns[column] = [number + 1 for number in columns[column]]
        planned.write(table, columns)
    columns = planned.columns("port_assignments")
    columns["switch_sku"][0] = "no such switch"
    planned.write("port_assignments", columns)
    scenario = planned.read()
    whole = audit_plan(planned.plan, scenario)
    spread = partial(each, sites=len(scenario.tables.sites), workers=workers)
    found = begin_tally(planned.plan, scenario, spread)()
    assert len({check.site for check in whole.broken}) > 2
    assert found.number == len(whole.checks)
    assert found.broken == whole.broken
    assert found.summary() == whole.summary()


def test_a_plan_that_fails_its_audit_is_not_called_done(
    original: Planned, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(folder: Path, scenario: Scenario, spread: object) -> Callable[[], Tally]:
        return lambda: Tally(number=1, broken=[holds("autonomy", "finse", "battery", False, "is short")])

    monkeypatch.setattr(planner.pipeline, "begin_tally", refuse)
    command = [
        "plan",
        str(original.folder / "scenario"),
        "--out",
        str(tmp_path / "plan"),
        "--set",
        "solver.gap=0.2",
    ]
    run = CliRunner().invoke(app, command)
    assert run.exit_code == 6
    assert "is short" in run.output
    assert json.loads((tmp_path / "plan" / "manifest.json").read_text())["outcome"] == "audit_failed"


@pytest.mark.parametrize(
    ("poe_class", "pd_w", "pse_w"),
    # IEEE Std 802.3-2022: power at the device over the worst 100 m, and at the port
    [(4, 25.5, 30.0), (5, 40.0, 45.0), (6, 51.0, 60.0), (7, 62.0, 75.0), (8, 71.3, 90.0)],
)
def test_power_over_a_worst_channel_is_the_standards(poe_class: int, pd_w: float, pse_w: float) -> None:
    assert isclose(at_port_w(pd_w, poe_class, 100.0, 12.5), pse_w, abs_tol=CLOSURE_W)


def test_irradiation_above_the_atmosphere_is_the_tables() -> None:
    # Duffie and Beckman, 4th ed., table 1.10.1, MJ/m2 at 45 N (from memory), solar constant 1367 W/m2
    january, june = monthly(45.0)[0][0] * 3.6e-3, monthly(45.0)[5][0] * 3.6e-3
    assert isclose(january, 12.2, rel_tol=0.04)
    assert isclose(june, 41.7, rel_tol=0.02)


def test_the_planners_plane_lies_in_the_band_of_the_second_sky() -> None:
    scenario = read_scenario(shipped("scenarios") / "tundrakall")
    found, tilts = site_conditions(scenario), (10.0, 50.0, 90.0)
    made, climate = site_planes(found, tilts), found.climate
    seen = set()
    for i, site in enumerate(scenario.tables.sites):
        points = [
            (p.azimuth_deg, p.elevation_deg) for p in scenario.tables.horizon if p.site_id == site.site_id
        ]
        sun = monthly(site.latitude_deg)
        for t in range(len(tilts)):
            plane = Plane(
                latitude_deg=site.latitude_deg,
                tilt_deg=float(made.surface_tilt_deg[i, t]),
                azimuth_deg=float(made.surface_azimuth_deg[i]),
                horizon=points,
            )
            skies = months_on_plane(
                plane,
                ghi_wh_m2=climate.ghi_wh_m2_day[i].tolist(),
                extra_wh_m2_day=[extra for extra, _ in sun],
                albedo=climate.albedo[i].tolist(),
                kept=((1 - climate.shading_loss[i]) * (1 - climate.snow_loss[i])).tolist(),
            )
            for m, sky in enumerate(skies):
                band, stated = band_of(plane, m), float(made.poa_wh_m2_day[i, m, t])
                if band is not None:
                    least, most = band.least * stated - 1, band.most * stated + 1
                    assert least <= sky.poa_wh_m2 <= most, (site.site_id, m, t)
                    seen.add(band.noon_deg)
    assert seen == {band.noon_deg for band in BANDS}
