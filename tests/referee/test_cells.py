"""Every kind of cell of a plan: one changed cell, hashed anew, is caught by a rule and not by a hash."""

import random
from decimal import Decimal
from typing import Any

import pytest

from planner.scenario import Scenario
from planner.tables.plan_rows import PLAN_TABLES, cell_types
from tests.referee.plans import HASHES, Columns, Planned

SEEDS = (1, 2)
#: Tables that say what is built and bought; `problems` only repeats and warns, `reliability` is simulated.
TABLES = [name for name in PLAN_TABLES if name not in ("problems", "reliability")]
#: What follows from a simulated battery is not rechecked; the README says so.
SIMULATED = ("battery_life_years", "lifetime_cost")
CELLS = [
    (table, column)
    for table in TABLES
    for column in cell_types(PLAN_TABLES[table])
    if column not in SIMULATED
]
#: A share of under a tenth hides in no figure but those that only a second sky, or rounding, judges.
LEAST_SHARE, MOST_SHARE, LEAST_K = 0.1, 0.5, 4.0
CELL_K = 30.0  # behind PWM no energy depends on cells, so only the band about the air judges them


def another(random: random.Random, column: str, values: list[Any], at: int) -> Any:
    """Another value of a cell, of the same kind."""
    value = values[at]
    if column == "temp_cell_c":
        return value + random.choice((-1, 1)) * CELL_K
    if column == "clipped_share":
        return value + 0.05
    if column == "design_month":
        return value % 12 + 6 if value <= 6 else value - 6
    if isinstance(value, int):
        return value + 1 if value < 2 else value + random.choice((-1, 1))
    if isinstance(value, Decimal):
        return value + random.choice((-1, 1)) * random.choice(
            (Decimal("0.01"), Decimal("1.00"), Decimal("50.00"))
        )
    if isinstance(value, float) and column.endswith("_c"):
        return value + random.choice((-1, 1)) * random.uniform(LEAST_K, 10 * LEAST_K)
    if isinstance(value, float):
        return (
            value * (1 + random.choice((-1, 1)) * random.uniform(LEAST_SHARE, MOST_SHARE)) if value else 0.4
        )
    if isinstance(value, str):
        others = sorted({other for other in values if other not in (value, None)})
        return random.choice(others) if others else f"{value}x"
    return 12.5  # a blank number


def change(random: random.Random, columns: Columns, column: str) -> str:
    """Change one cell of a column; says what was done."""
    stated = [i for i, value in enumerate(columns[column]) if value is not None]
    at = random.choice(stated) if stated else random.randrange(len(columns[column]))
    before = columns[column][at]
    columns[column][at] = another(random, column, columns[column], at)
    return f"row {at}: {before!r} -> {columns[column][at]!r}"


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(("table", "column"), CELLS)
def test_a_changed_cell_is_caught(
    planned: Planned, scenario: Scenario, table: str, column: str, seed: int
) -> None:
    columns = planned.columns(table)
    said = change(random.Random(f"{table} {column} {seed}"), columns, column)
    planned.write(table, columns)
    broken = planned.broken(scenario)
    assert broken, said
    assert not {check.rule for check in broken} & HASHES, said


@pytest.mark.parametrize("table", TABLES)
@pytest.mark.parametrize("twice", [False, True])
def test_a_row_gone_or_there_twice_is_caught(
    planned: Planned, scenario: Scenario, table: str, twice: bool
) -> None:
    columns = planned.columns(table)
    at = random.Random(f"{table} {twice}").randrange(len(columns[next(iter(columns))]))
    for values in columns.values():
        if twice:
            values.append(values[at])
        else:
            del values[at]
    planned.write(table, columns)
    broken = planned.broken(scenario)
    assert broken
    assert not {check.rule for check in broken} & HASHES


MANIFEST: dict[str, Any] = {
    "total_cost": "12345.67",
    "objective": "1.00",
    "best_bound": "99999999.00",
    "mip_gap": 0.5,
    "currency": "USD",
    "sites_planned": 7,
    "sites_served_most": 1,
    "sites_unserved": 1,
    "plan_date": "2026-11-21",
    "costs": {"modules": "1.00"},
    "unserved": {"finse": "no-sun"},
    "settings": {},
}


@pytest.mark.parametrize("name", list(MANIFEST))
def test_a_changed_manifest_is_caught(planned: Planned, scenario: Scenario, name: str) -> None:
    planned.manifest(lambda m: m | {name: MANIFEST[name]})
    assert planned.broken(scenario)
