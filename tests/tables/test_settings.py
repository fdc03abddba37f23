"""Settings in layers: what wins, where it came from, and how faults are named."""

import datetime
from pathlib import Path

import pytest

from planner.errors import InputError, Problem
from planner.scenario import check_scenario, read_scenario
from tests.support import SETTINGS, write_scenario


def test_overrides_win_and_every_setting_knows_its_origin(tmp_path: Path) -> None:
    write_scenario(tmp_path)
    scenario = read_scenario(tmp_path, overrides={"policy.load_margin": "0.2", "policy.autonomy_days": "7"})
    policy = scenario.settings.policy
    assert (policy.autonomy_days, policy.load_margin, policy.uplink_ports) == (7.0, 0.2, 1)
    origins = scenario.origins
    assert origins["policy.autonomy_days"] == origins["policy.load_margin"] == "--set"
    assert origins["currency"] == "scenario.toml"
    assert origins["policy.uplink_ports"] == "default"
    assert read_scenario(tmp_path).settings.policy.autonomy_days == 4.0


@pytest.mark.parametrize(
    ("name", "text", "value"),
    [
        ("name", "2026", "2026"),
        ("name", '"quoted"', "quoted"),
        ("name", "a\nb = 1", "a\nb = 1"),
        ("name", "1\nother = 2", "1\nother = 2"),
        ("currency", "NOK", "NOK"),
        ("plan_date", "2026-12-01", datetime.date(2026, 12, 1)),
        ("plan_date", '"2026-12-01"', datetime.date(2026, 12, 1)),
    ],
)
def test_overrides_are_typed_by_the_setting(tmp_path: Path, name: str, text: str, value: object) -> None:
    tables = (
        {"catalogue/fx": "currency,rate,date\nNOK,1,2026-11-20\nEUR,11.7,2026-11-20\n"}
        if text == "NOK"
        else {}
    )
    write_scenario(tmp_path, tables=tables)
    assert getattr(read_scenario(tmp_path, overrides={name: text}).settings, name) == value


def test_lists_and_booleans_on_the_command_line(tmp_path: Path) -> None:
    write_scenario(tmp_path)
    overrides = {"policy.system_voltages_v": "[24]", "battery.temperature_derating": "false"}
    settings = read_scenario(tmp_path, overrides=overrides).settings
    assert settings.policy.system_voltages_v == (24,)
    assert settings.battery.temperature_derating is False


def settings_problem(folder: Path, text: str, **overrides: str) -> Problem:
    write_scenario(folder, settings=text)
    named = {name.replace("__", "."): value for name, value in overrides.items()}
    found = [p for p in check_scenario(folder, overrides=named) if p.file in ("scenario.toml", "--set")]
    assert len(found) == 1, "\n".join(map(str, found))
    return found[0]


FAULTS = [
    # added to the settings file (whose last line is 7), code, line, column, value
    ("autonomy_day = 3\n", "unknown-setting", 8, "policy.autonomy_day", "3"),
    ("load_margin = 9\n", "out-of-range", 8, "policy.load_margin", "9"),
    ('load_margin = "0,2"\n', "decimal-comma", 8, "policy.load_margin", "0,2"),
    ("load_margin = nan\n", "not-finite", 8, "policy.load_margin", "nan"),
    ("system_voltages_v = [12, 13]\n", "not-a-choice", 8, "policy.system_voltages_v", "13"),
    ("system_voltages_v = []\n", "bad-value", 8, "policy.system_voltages_v", "[]"),
    ("\n[polcy]\nload_margin = 0.1\n", "unknown-setting", 10, "polcy.load_margin", "0.1"),
    ("\n[solver]\ngap = 2\n", "out-of-range", 10, "solver.gap", "2"),
    ("load_margin = \n", "broken-toml", 8, "", ""),
    ("load_margin = 0.1\nload_margin = 0.2\n", "broken-toml", None, "", ""),
]


@pytest.mark.parametrize(("added", "code", "line", "column", "value"), FAULTS)
def test_a_faulty_setting_is_named(
    tmp_path: Path, added: str, code: str, line: int | None, column: str, value: str
) -> None:
    problem = settings_problem(tmp_path, SETTINGS + added)
    assert (problem.code, problem.column, problem.value) == (code, column, value)
    if line is not None:
        assert problem.line == line


def test_the_nearest_setting_is_named(tmp_path: Path) -> None:
    assert "policy.autonomy_days" in settings_problem(tmp_path, SETTINGS + "autonomy_day = 3\n").remedy


def test_a_faulty_override_is_named_as_such(tmp_path: Path) -> None:
    problem = settings_problem(tmp_path, SETTINGS, policy__load_margin="much")
    assert (problem.code, problem.file, problem.column) == ("not-a-number", "--set", "policy.load_margin")
    problem = settings_problem(tmp_path, SETTINGS, policy__load_margn="0.1")
    assert (problem.code, problem.file) == ("unknown-setting", "--set")
    assert "policy.load_margin" in problem.remedy


def test_a_group_that_is_no_table_is_named(tmp_path: Path) -> None:
    text = 'plan_date = 2026-11-25\ncatalogue = "catalogue"\nsolver = 3\n'
    problem = settings_problem(tmp_path, text)
    assert (problem.column, problem.line, problem.value) == ("solver", 3, "3")


def test_a_missing_plan_date_is_named(tmp_path: Path) -> None:
    problem = settings_problem(tmp_path, 'catalogue = "catalogue"\n')
    assert (problem.code, problem.column) == ("missing-value", "plan_date")


def test_a_missing_catalogue_is_named_at_its_line(tmp_path: Path) -> None:
    problem = settings_problem(tmp_path, 'plan_date = 2026-11-25\ncatalogue = "../nowhere"\n')
    assert (problem.code, problem.line, problem.value) == ("missing-folder", 2, "../nowhere")


def test_settings_in_another_encoding_are_refused(tmp_path: Path) -> None:
    write_scenario(tmp_path)
    (tmp_path / "scenario.toml").write_bytes(SETTINGS.replace("Minimal", "Bergstø").encode("latin-1"))
    with pytest.raises(InputError, match="wrong-encoding"):
        read_scenario(tmp_path)


def test_hashes_follow_the_bytes(tmp_path: Path) -> None:
    """SHA-256 as the standard library gives it, for every file read."""
    import hashlib

    write_scenario(tmp_path)
    hashes = read_scenario(tmp_path).input_hashes
    files = {str(path.relative_to(tmp_path)): path for path in tmp_path.rglob("*") if path.is_file()}
    assert hashes == {name: hashlib.sha256(path.read_bytes()).hexdigest() for name, path in files.items()}
