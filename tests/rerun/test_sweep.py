"""Sweeps: every combination is the plan that it would be alone; what stays the same is said."""

import csv
import json
from decimal import Decimal
from itertools import product
from pathlib import Path
from xml.etree import ElementTree

import pytest
from typer.testing import CliRunner

from planner.cli import app
from planner.errors import InputError
from planner.pipeline import plan_fleet
from planner.scenario import read_scenario
from planner.sweep import Sweep, read_axes, sweep, write_sweep
from tests.rerun.small import KNOWN, OTHER, VALLEY, fleet_tables
from tests.support import Rows, write_scenario

DAYS, FACTORS = ("3", "9"), ("0.8", "1.0")
SVG = "{http://www.w3.org/2000/svg}"


def scenario_at(folder: Path, *, days: str = "") -> Path:
    tables = fleet_tables(other_price="260")
    sites = tables["sites"]
    assert isinstance(sites, list)
    sites[0] |= {"autonomy_days": days}  # blank: the policy's, which is varied
    return write_scenario(folder, tables=tables)


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Sweep:
    folder = scenario_at(tmp_path_factory.mktemp("sweep"))
    axes = read_axes([f"policy.autonomy_days={','.join(DAYS)}", f"prices.battery={','.join(FACTORS)}"])
    return sweep(folder, axes, availability=False, workers=2)


def test_every_combination_is_the_plan_of_its_own_scenario(found: Sweep, tmp_path: Path) -> None:
    """Prices multiplied here in the scenario's own table, days given to the run alone."""
    assert list(found.cases) == list(product(DAYS, FACTORS))
    for (days, factor), row in zip(found.cases, found.rows, strict=True):
        folder = scenario_at(tmp_path / f"{days}-{factor}")
        path = folder / "catalogue" / "prices.csv"
        prices: Rows = list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
        lines = [",".join(prices[0])]
        for price in prices:
            if price["sku"] in (KNOWN, OTHER):
                price["unit_price"] = str(Decimal(price["unit_price"]) * Decimal(factor))
            lines.append(",".join(price.values()))
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        plan = plan_fleet(read_scenario(folder, overrides={"policy.autonomy_days": days}))
        assert row.total_cost == plan.total_cost
        assert row.best_bound == Decimal(plan.manifest["best_bound"])
        assert row.battery_wh == sum(plan.tables["site_designs"]["battery_wh"])
        assert row.autonomy_days_least == min(plan.tables["site_designs"]["autonomy_days"])
        assert row.autonomy_days_least >= float(days)


def test_what_stays_the_same(found: Sweep) -> None:
    rows = {row.name: row for row in found.decisions}
    assert (rows[KNOWN].steady, rows[KNOWN].plans) == (True, 4)
    assert OTHER not in rows  # dearer in every plan
    low, high = rows[KNOWN].quantity_min, rows[KNOWN].quantity_max
    assert low is not None
    assert high is not None
    assert low < high  # nine days take more blocks than three
    assert (rows[VALLEY].steady, rows[VALLEY].plans) == (False, 4)
    assert rows[VALLEY].designs is not None
    assert rows[VALLEY].designs >= 2


def test_prices_alone_leave_a_lone_design_as_it_is(tmp_path: Path) -> None:
    found = sweep(scenario_at(tmp_path), read_axes(["prices.all=0.5,1,2"]), availability=False, workers=1)
    costs = [row.total_cost for row in found.rows]
    assert costs[1] is not None
    assert costs[0] is not None
    assert costs[2] is not None
    # no freight, access or labour in this scenario: all of the cost is prices, rounded once a unit
    assert float(costs[0]) == pytest.approx(float(costs[1]) / 2, abs=0.05)
    assert float(costs[2]) == pytest.approx(float(costs[1]) * 2, abs=0.05)
    assert all(row.steady for row in found.decisions)


def test_picture_and_tables(found: Sweep, tmp_path: Path) -> None:
    assert write_sweep(found, tmp_path / "out") == ["sweep.csv", "sweep_decisions.csv", "sweep.svg"]
    svg = ElementTree.fromstring((tmp_path / "out" / "sweep.svg").read_text(encoding="utf-8"))
    assert len(svg.findall(f"{SVG}circle")) == 4
    words = {element.text for element in svg.iter(f"{SVG}text")}
    assert {*DAYS, "policy.autonomy_days", "prices.battery = 0.8", "prices.battery = 1.0"} <= words
    rows: Rows = list(csv.DictReader((tmp_path / "out" / "sweep.csv").read_text().splitlines()))
    assert [row["prices.battery"] for row in rows] == ["0.8", "1.0", "0.8", "1.0"]
    assert [Decimal(row["total_cost"]) for row in rows] == [row.total_cost for row in found.rows]
    # higher cost stands higher: the dots of the first line, from three to nine days
    dots = [float(dot.get("cy", "")) for dot in svg.findall(f"{SVG}circle")]
    assert dots[1] < dots[0]


def test_a_site_that_is_left_out_is_a_ring(tmp_path: Path) -> None:
    """60 days are more than this battery can: no site is served at all."""
    axes = read_axes(["policy.autonomy_days=3,60"])
    found = sweep(scenario_at(tmp_path), axes, availability=False, workers=1)
    assert [row.sites_unserved for row in found.rows] == [0, 1]
    svg = ElementTree.fromstring(found.picture())
    assert [dot.get("class") for dot in svg.findall(f"{SVG}circle")] == [None, "ring"]


@pytest.mark.parametrize(
    ("texts", "codes"),
    [
        (["policy.autonomy_days"], {"bad-vary"}),
        (["=3,5"], {"bad-vary"}),
        (["policy.autonomy_day=3,5"], {"unknown-setting"}),
        (["prices.batery=1"], {"unknown-category"}),
        (["prices.battery=1,zero", "prices.module=0"], {"bad-factor"}),
        (["prices.battery=1,NaN"], {"bad-factor"}),
        (["solver.gap=0.1,0.1"], {"value-twice"}),
        (["solver.gap=0.1", "solver.gap=0.2"], {"varied-twice"}),
        ([f"policy.autonomy_days={','.join(map(str, range(1, 502)))}"], {"too-many-plans"}),
        ([], {"nothing-varied"}),
    ],
)
def test_faults_of_what_is_varied(texts: list[str], codes: set[str]) -> None:
    with pytest.raises(InputError) as caught:
        read_axes(texts)
    assert {problem.code for problem in caught.value.problems} == codes


def test_lists_are_one_value_and_bad_values_are_all_named(tmp_path: Path) -> None:
    (axis,) = read_axes(["policy.system_voltages_v=[12, 24],[48]"])
    assert axis.values == ("[12, 24]", "[48]")
    with pytest.raises(InputError) as caught:
        sweep(scenario_at(tmp_path), read_axes(["policy.autonomy_days=3,-1,99"]), workers=1)
    assert [problem.value for problem in caught.value.problems if problem.file == "--set"] == ["-1", "99"]


def test_command(tmp_path: Path) -> None:
    folder = scenario_at(tmp_path / "scenario")
    arguments = ["sweep", str(folder), "--vary", "policy.autonomy_days=3,9", "--workers", "1"]
    arguments.append("--no-availability")
    run = CliRunner().invoke(app, [*arguments, "--json", "--set", "solver.gap=0.1"])
    assert run.exit_code == 0, run.output
    said = json.loads(run.stdout)
    assert [row["availability_mean"] for row in said["sweep"]] == [None, None]
    assert [row["policy.autonomy_days"] for row in said["sweep"]] == ["3", "9"]
    assert {row["kind"] for row in said["decisions"]} == {"sku", "site"}
    bad = CliRunner().invoke(app, ["sweep", str(folder), "--vary", "prices.gold=1", "--json"])
    assert (bad.exit_code, json.loads(bad.stdout)[0]["code"]) == (3, "unknown-category")
