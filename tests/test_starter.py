"""The starter scenario: checked, planned, and the same as the models say."""

import re
import tomllib
from pathlib import Path

import pytest

from planner.errors import OutputError
from planner.scenario import check_scenario, read_scenario
from planner.settings import Settings
from planner.settings_file import setting_columns
from planner.starter import EXAMPLES, settings_text, write_starter
from planner.tables.columns import table_columns
from planner.tables.registry import TABLES, Place


@pytest.mark.parametrize("workbook", [False, True])
@pytest.mark.parametrize("catalogue", [False, True])
def test_it_has_no_problem(tmp_path: Path, workbook: bool, catalogue: bool) -> None:
    files = write_starter(tmp_path / "deep" / "fleet", workbook=workbook, catalogue=catalogue)
    assert all(file.is_file() for file in files)
    assert check_scenario(tmp_path / "deep" / "fleet") == []


def test_workbook_and_files_say_the_same(tmp_path: Path) -> None:
    write_starter(tmp_path / "csv")
    write_starter(tmp_path / "xlsx", workbook=True)
    assert read_scenario(tmp_path / "csv").tables == read_scenario(tmp_path / "xlsx").tables


def test_it_is_the_same_on_any_day(tmp_path: Path) -> None:
    for name in ("one", "two"):
        write_starter(tmp_path / name, workbook=True)
    for name in ("scenario.toml", "workbook.xlsx"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_every_table_of_a_scenario_and_every_column_is_there(tmp_path: Path) -> None:
    write_starter(tmp_path)
    assert set(EXAMPLES) == {spec.name for spec in TABLES if spec.place is Place.SCENARIO}
    for name, rows in EXAMPLES.items():
        header = (tmp_path / f"{name}.csv").read_text("utf-8").splitlines()[0].split(",")
        assert header == [column.column for column in table_columns(name)]
        assert {column for row in rows for column in row} <= set(header)


def test_every_setting_is_there_with_its_default() -> None:
    """With every comment that is a setting made one, the file says the same as no file at all."""
    text = settings_text()
    assert set(tomllib.loads(text)) >= {"name", "plan_date", "currency", "catalogue"}
    opened = tomllib.loads(re.sub(r"^# (\w+ = .*)$", r"\1", text, flags=re.MULTILINE))
    stated = {"name": opened["name"], "plan_date": opened["plan_date"]}
    assert Settings.model_validate(opened) == Settings.model_validate(stated)
    names = {f"{group}.{n}" for group, of in opened.items() if isinstance(of, dict) for n in of}
    names |= {name for name, of in opened.items() if not isinstance(of, dict)}
    blank = set(re.findall(r"^# (\w+) =$", text, flags=re.MULTILINE))  # without a default
    names |= {column.column for column in setting_columns() if column.column.split(".")[-1] in blank}
    assert {column.column for column in setting_columns()} == names
    assert all(column.meaning in " ".join(text.replace("\n# ", " ").split()) for column in setting_columns())


def test_a_folder_that_holds_something_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("x")
    for folder in (tmp_path, tmp_path / "mine.txt", tmp_path / "mine.txt" / "below", Path("a\0b")):
        with pytest.raises(OutputError):
            write_starter(folder)
    assert [entry.name for entry in tmp_path.iterdir()] == ["mine.txt"]
