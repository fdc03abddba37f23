"""`planner columns`: the data dictionary."""

from collections.abc import Iterable
from typing import TYPE_CHECKING, Annotated

import typer

from planner.cli.output import JsonOption, show_table

if TYPE_CHECKING:
    from planner.tables.columns import Column

FIELDS = ("table", "column", "type", "required", "default", "range", "meaning")
SETTINGS, PLAN, COMPARE, EXPLAIN = "settings", "plan", "compare", "explain"


def columns(
    table: Annotated[
        str | None,
        typer.Argument(
            help="A table of a scenario, a plan, a comparison or an explanation; `settings`, `plan`, "
            "`compare` or `explain` for all of theirs; all of a scenario's where left out."
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """List the columns of the tables, or the settings, with type, range, default and meaning.

    \b
    Example:
      planner columns sites
    """
    found = _dictionary(table)
    rows = [[getattr(column, name) for name in FIELDS] for column in found]
    if not as_json:
        rows = [
            [("yes" if cell else "no") if isinstance(cell, bool) else cell for cell in row] for row in rows
        ]
    show_table(FIELDS, rows, as_json=as_json)


def _dictionary(table: str | None) -> "list[Column]":
    from planner.settings_file import setting_columns
    from planner.tables.columns import table_columns
    from planner.tables.explained_rows import EXPLAIN_TABLES
    from planner.tables.nearest import did_you_mean
    from planner.tables.plan_rows import PLAN_TABLES
    from planner.tables.registry import BY_NAME
    from planner.tables.rerun_rows import COMPARE_TABLES

    if table == SETTINGS:
        return list(setting_columns())
    groups: dict[str, Iterable[str]] = {PLAN: PLAN_TABLES, COMPARE: COMPARE_TABLES, EXPLAIN: EXPLAIN_TABLES}
    if table is None or table in groups:
        names = BY_NAME if table is None else groups[table]
        return [column for name in names for column in table_columns(name)]
    tables = [*BY_NAME, *(name for names in groups.values() for name in names)]
    if table not in tables:
        known = [*tables, SETTINGS, *groups]
        raise typer.BadParameter(
            f"no table is named {table!r}; {did_you_mean(table, known, 'tables: ' + ', '.join(known))}",
            param_hint="TABLE",
        )
    return list(table_columns(table))
