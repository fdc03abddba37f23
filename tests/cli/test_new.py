"""`planner new` and `planner sites` as a shell sees them."""

import json
from pathlib import Path

from tests.cli.test_check import planner

MAP = {
    "type": "Feature",
    "geometry": {"type": "Point", "coordinates": [8.338, 46.561]},
    "properties": {"name": "Pass \x1b[2J", "owner": "x"},
}


def test_a_new_scenario_is_checked_and_planned(tmp_path: Path) -> None:
    made = planner("new", tmp_path / "fleet")
    assert made.exit_code == 0
    assert "scenario.toml" in made.stdout.splitlines()
    assert "planner check" in made.stderr
    checked = planner("check", tmp_path / "fleet")
    assert (checked.exit_code, checked.stdout) == (0, "")
    planned = planner("plan", tmp_path / "fleet", "--out", tmp_path / "plan", "--set", "solver.gap=0.2")
    assert planned.exit_code == 0, planned.stderr
    again = planner("new", tmp_path / "fleet")
    assert again.exit_code == 2
    assert "not empty" in again.stderr


def test_a_new_scenario_as_a_workbook_with_its_catalogue(tmp_path: Path) -> None:
    made = planner("new", tmp_path / "fleet", "--xlsx", "--catalogue", "--json")
    files = json.loads(made.stdout)["files"]
    assert {"scenario.toml", "workbook.xlsx", "catalogue/prices.csv"} <= set(files)
    assert planner("check", tmp_path / "fleet").exit_code == 0


def test_sites_are_written_and_what_is_left_out_is_said(tmp_path: Path) -> None:
    (tmp_path / "map.geojson").write_text(json.dumps(MAP))
    planner("new", tmp_path / "fleet")
    into = ("--load-profile", "gauge", "--out", tmp_path / "fleet" / "sites.csv")
    kept = planner("sites", tmp_path / "map.geojson", *into)
    assert kept.exit_code == 2
    done = planner("sites", tmp_path / "map.geojson", *into, "--force")
    assert (done.exit_code, done.stdout) == (0, "")
    assert "property-ignored" in done.stderr
    assert "1 site written" in done.stderr


def test_sites_are_printed(tmp_path: Path) -> None:
    (tmp_path / "map.geojson").write_text(json.dumps(MAP))
    done = planner("sites", tmp_path / "map.geojson", "--load-profile", "gauge")
    header, row = done.stdout.splitlines()
    assert header.split("\t")[0] == "site_id"
    assert row.split("\t")[0] == "Pass-2J"
    assert "\x1b" not in done.stdout
    shown = planner("sites", tmp_path / "map.geojson", "--load-profile", "gauge", "--json", "--quiet")
    assert json.loads(shown.stdout)[0]["latitude_deg"] == 46.561
    assert shown.stderr == ""


def test_faulty_maps_are_bad_input(tmp_path: Path) -> None:
    (tmp_path / "map.geojson").write_text("{")
    done = planner("sites", tmp_path / "map.geojson")
    assert (done.exit_code, done.stdout) == (3, "")
    assert "broken-map" in done.stderr
