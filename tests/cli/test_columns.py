"""`planner columns`: the dictionary names what the files may hold."""

import csv
import io
import json
import subprocess
import sys

import pytest
from typer.testing import CliRunner

from planner.cli import app
from planner.settings import Settings
from planner.tables.explained_rows import EXPLAIN_TABLES
from planner.tables.plan_rows import PLAN_TABLES
from planner.tables.registry import BY_NAME


def rows_of(*arguments: str) -> list[dict[str, str]]:
    done = CliRunner().invoke(app, ["columns", *arguments])
    assert done.exit_code == 0, done.output
    return list(csv.DictReader(io.StringIO(done.stdout), delimiter="\t"))


def test_all_tables_and_all_columns() -> None:
    found = {(row["table"], row["column"]) for row in rows_of()}
    assert found == {(name, field) for name, spec in BY_NAME.items() for field in spec.row.model_fields}


def test_tables_of_a_plan() -> None:
    found = {(row["table"], row["column"]): row for row in rows_of("plan")}
    assert set(found) == {(name, field) for name, row in PLAN_TABLES.items() for field in row.model_fields}
    assert all(row["meaning"] for row in found.values())
    blankable = found["site_designs", "equalise_v"]
    assert (blankable["type"], blankable["required"]) == ("number", "no")
    assert rows_of("problems")[0] == found["problems", "severity"]


def test_tables_of_an_explanation() -> None:
    found = {(row["table"], row["column"]): row for row in rows_of("explain")}
    assert set(found) == {(name, field) for name, row in EXPLAIN_TABLES.items() for field in row.model_fields}
    assert all(row["meaning"] for row in found.values())


def test_a_table() -> None:
    rows = {row["column"]: row for row in rows_of("sites")}
    assert rows["latitude_deg"] == {
        "table": "sites",
        "column": "latitude_deg",
        "type": "number",
        "required": "yes",
        "default": "",
        "range": "-90 to 90",
        "meaning": "latitude, north positive",
    }
    assert (rows["autonomy_days"]["required"], rows["autonomy_days"]["range"]) == ("no", "0 to 60")
    assert (rows["priority"]["type"], rows["priority"]["default"]) == ("whole number", "1")
    assert rows["access_cost"]["range"] == "0 or more"


def test_choices_and_dates() -> None:
    rows = {row["column"]: row for row in rows_of("prices")}
    assert (rows["tier_kind"]["type"], rows["tier_kind"]["range"]) == ("choice", "all_units | incremental")
    assert rows["valid_from"]["type"] == "date"


def test_settings_have_dotted_names() -> None:
    rows = {row["column"]: row for row in rows_of("settings")}
    groups = {name: field.annotation for name, field in Settings.model_fields.items()}
    dotted = {
        full
        for name, kind in groups.items()
        for full in (
            [f"{name}.{inner}" for inner in kind.model_fields] if hasattr(kind, "model_fields") else [name]
        )
    }
    assert set(rows) == dotted
    assert rows["policy.autonomy_days"]["default"] == "5"
    assert all(row["meaning"] for row in rows.values())


def test_json() -> None:
    done = CliRunner().invoke(app, ["columns", "sites", "--json"])
    first = json.loads(done.stdout)[0]
    assert (first["column"], first["required"]) == ("site_id", True)


@pytest.mark.parametrize("name", ["siets", "nothing-like-it"])
def test_an_unknown_table_is_a_usage_error(name: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "planner", "columns", name], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "sites" in done.stderr
