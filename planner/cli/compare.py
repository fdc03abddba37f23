"""`planner compare`: what changed from one plan to another, and why."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from planner.cli.output import JsonOption, QuietOption, WorkersOption, note, number, show_tables

if TYPE_CHECKING:
    from planner.compare import Comparison


def compare(
    before: Annotated[Path, typer.Argument(help="Folder of the earlier plan.")],
    after: Annotated[Path, typer.Argument(help="Folder of the later plan.")],
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", help="Folder for the tables as CSV; files of their names go."),
    ] = None,
    html: Annotated[
        Path | None, typer.Option("--html", help="File for one HTML page of it, which needs no other file.")
    ] = None,
    causes: Annotated[
        bool, typer.Option(help="Trace each change to its inputs, by planning again with one group changed.")
    ] = True,
    workers: WorkersOption = None,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Show what changed from one plan to another: costs, sites, order lines, settings, inputs, and why.

    A plan keeps its inputs in inputs.zip, so both can be planned again with one group of tables or settings
    changed at a time; where one group alone differs, it is the cause and nothing is planned.

    \b
    Example:
      planner compare plans/tundrakall plans/seven-days --html plans/seven-days.html
    """
    from planner.cli.progress import progress
    from planner.compare import compare_folders
    from planner.compare.section import sides, write_page
    from planner.tables.plan_files import read_manifest
    from planner.tables.rerun_rows import COMPARE_TABLES

    with progress(quiet=quiet) as report:
        found = compare_folders(before, after, causes=causes, workers=workers, progress=report)
    if html is not None:
        write_page(found, sides(before, after), html)
        note(f"written to {html}", quiet=quiet)
    show_tables(found.tables(), COMPARE_TABLES, out=out, as_json=as_json, quiet=quiet)
    note(f"from {before} to {after}: {said(found, read_manifest(after)['currency'])}", quiet=quiet)


def said(found: "Comparison", currency: str) -> str:
    """A comparison in a line."""
    if found.empty:
        return "nothing differs"
    total = next((row for row in found.changed_totals if row.category == "total"), None)
    cost = (
        "the total cost is the same"
        if total is None
        else f"total cost {total.cost_before} -> {total.cost_after} {currency} ({total.cost_change:+})"
    )
    sites, orders = len(found.changed_sites), len(found.changed_orders)
    return f"{cost}; {number(sites, 'site')} and {number(orders, 'order line')} differ"
