"""What changes nothing passes: order of rows and columns, ways to write a number, rows that nothing reads."""

import csv
import io
import json
import random
from collections.abc import Callable

import pytest

from planner.scenario import Scenario
from planner.tables.plan_rows import PLAN_TABLES, cell_types
from tests.referee.plans import Planned
from tests.support import Rows

Lines = list[list[str]]


def shuffled_rows(random: random.Random, lines: Lines, kinds: list[type]) -> Lines:
    return [lines[0], *random.sample(lines[1:], len(lines) - 1)]


def shuffled_columns(random: random.Random, lines: Lines, kinds: list[type]) -> Lines:
    order = random.sample(range(len(lines[0])), len(lines[0]))
    return [[line[i] for i in order] for line in lines]


def other_numbers(random: random.Random, lines: Lines, kinds: list[type]) -> Lines:
    """Zeros at the end, a sign, exponents: the same numbers."""

    def cell(text: str, kind: type) -> str:
        if kind is int and text:
            return random.choice((text, f"+{text}" if text[0] != "-" else text))
        if kind in (str, bool) or not text:
            return text
        longer = f"{text}00" if "." in text and "e" not in text else text
        return random.choice((longer, f"{text}e0" if "e" not in text else text))

    return [lines[0], *([cell(t, k) for t, k in zip(line, kinds, strict=True)] for line in lines[1:])]


EDITS = [shuffled_rows, shuffled_columns, other_numbers]
FORMS = [
    {"lineterminator": "\n"},
    {"lineterminator": "\r\n"},
    {"lineterminator": "\n", "quoting": csv.QUOTE_ALL},
]


@pytest.mark.parametrize("form", range(len(FORMS)))
@pytest.mark.parametrize("edit", EDITS)
@pytest.mark.parametrize("table", list(PLAN_TABLES))
def test_a_table_of_the_plan_written_otherwise_passes(
    planned: Planned,
    scenario: Scenario,
    table: str,
    edit: Callable[[random.Random, Lines, list[type]], Lines],
    form: int,
) -> None:
    path = planned.plan / f"{table}.csv"
    lines = list(csv.reader(io.StringIO(path.read_text(encoding="utf-8"), newline="")))
    stream = io.StringIO()
    edited = edit(random.Random(f"{table} {form}"), lines, list(cell_types(PLAN_TABLES[table]).values()))
    csv.writer(stream, **FORMS[form]).writerows(edited)
    path.write_bytes(("\ufeff" if form == 1 else "").encode() + stream.getvalue().encode())
    planned.rehash()
    assert not planned.broken(scenario)


@pytest.mark.parametrize("table", list(PLAN_TABLES))
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_rows_of_the_plan_in_another_order_pass(
    planned: Planned, scenario: Scenario, table: str, seed: int
) -> None:
    columns = planned.columns(table)
    count = len(next(iter(columns.values())))
    order = random.Random(f"{table} {seed}").sample(range(count), count)
    planned.write(table, {name: [values[i] for i in order] for name, values in columns.items()})
    assert not planned.broken(scenario)


def rows_shuffled(random: random.Random, rows: Rows) -> Rows:
    return random.sample(rows, len(rows))


def columns_shuffled(random: random.Random, rows: Rows) -> Rows:
    names = list(rows[0])
    order = random.sample(names, len(names))
    return [{name: row.get(name, "") for name in order} for row in rows]


def zeros_added(random: random.Random, rows: Rows) -> Rows:
    def cell(text: str) -> str:
        return f"{text}0" if text.count(".") == 1 and text.replace(".", "").isdigit() else text

    return [{name: cell(text or "") for name, text in row.items()} for row in rows]


def blanks_added(random: random.Random, rows: Rows) -> Rows:
    return [{name: f" {text}" if text else "" for name, text in row.items()} for row in rows]


INPUTS = [
    *("sites", "site_months", "horizon", "existing", "loads", "devices", "schedules"),
    *("catalogue/modules", "catalogue/batteries", "catalogue/controllers", "catalogue/switches"),
    *("catalogue/converters", "catalogue/balance", "catalogue/prices", "catalogue/stock"),
    *("catalogue/suppliers", "catalogue/fx"),
]


@pytest.mark.parametrize("edit", [rows_shuffled, columns_shuffled, zeros_added, blanks_added])
@pytest.mark.parametrize("table", INPUTS)
def test_an_input_written_otherwise_passes(
    planned: Planned, table: str, edit: Callable[[random.Random, Rows], Rows]
) -> None:
    planned.cut.change(table, lambda rows: edit(random.Random(table), rows))
    scenario = planned.read()
    assert {check.rule for check in planned.broken(scenario)} <= {"input-hash"}
    planned.state(scenario)
    assert not planned.broken(scenario)


UNUSED = {
    "catalogue/modules": {"sku": "UNUSED-1"},
    "catalogue/batteries": {"sku": "UNUSED-1"},
    "catalogue/controllers": {"sku": "UNUSED-1"},
    "catalogue/balance": {"sku": "UNUSED-1"},
    "catalogue/suppliers": {"supplier": "unused"},
    "catalogue/prices": {"valid_from": "2031-01-01", "valid_to": "2031-12-31"},
    "devices": {"device": "unused"},
    "loads": {"load_profile": "unused"},
    "schedules": {"schedule": "unused"},
}


@pytest.mark.parametrize("table", list(UNUSED))
def test_a_row_that_nothing_uses_passes(planned: Planned, table: str) -> None:
    planned.cut.change(table, lambda rows: [*rows, rows[0] | UNUSED[table]])
    scenario = planned.read()
    planned.state(scenario)
    assert not planned.broken(scenario)


@pytest.mark.parametrize("table", ["catalogue/modules", "catalogue/batteries", "devices"])
def test_words_for_people_pass(planned: Planned, table: str) -> None:
    planned.cut.change(table, lambda rows: [row | {"description": '=1+1 "</script>'} for row in rows])
    scenario = planned.read()
    planned.state(scenario)
    assert not planned.broken(scenario)


def test_a_manifest_in_another_order_passes(planned: Planned, scenario: Scenario) -> None:
    path = planned.plan / "manifest.json"
    manifest = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps(dict(reversed(manifest.items())), indent=7), encoding="utf-8")
    assert not planned.broken(scenario)
