"""`planner explain` and `planner break-even`: why a plan is as it is, and at which prices it would change."""

from pathlib import Path
from typing import Annotated

import typer

from planner.cli.output import JsonOption, QuietOption, WorkersOption, note, show_rows, show_tables

PlanArgument = Annotated[Path, typer.Argument(help="Folder of a plan.")]
OutOption = Annotated[
    Path | None, typer.Option("--out", "-o", help="Folder for the tables as CSV; files of their names go.")
]


def explain(
    plan: PlanArgument,
    site: Annotated[
        str | None, typer.Argument(help="A site of the plan; the whole fleet if left out.")
    ] = None,
    free: Annotated[
        bool, typer.Option(help="Also let the rest of the fleet, and so tiers, move: all sites are sized.")
    ] = True,
    out: OutOption = None,
    workers: WorkersOption = None,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Show why a site has its design, what lost, which rules bind, and what a watt, a day, a class costs.

    For a site: the designs that lost, with what each would cost the fleet more, the rest of it as bought. For
    the fleet: the costs of asking more at every site at once. The plan's folder is all it takes.

    \b
    Example:
      planner explain plans/tundrakall finse
    """
    from planner.cli.progress import progress
    from planner.explain import explain_fleet, explain_site
    from planner.tables.explained_rows import EXPLAIN_TABLES

    with progress(quiet=quiet) as report:
        if site is None:
            found = explain_fleet(plan, free=free, workers=workers, progress=report)
        else:
            found = explain_site(plan, site, free=free, workers=workers, progress=report)
    show_tables(found.tables(), EXPLAIN_TABLES, out=out, as_json=as_json, quiet=quiet)
    note("costs of asking more are differences of two good plans, proven for neither", quiet=quiet)


def break_even(
    plan: PlanArgument,
    skus: Annotated[list[str], typer.Argument(metavar="SKU...", help="Parts of the plan's catalogue.")],
    tolerance: Annotated[
        float, typer.Option(help="Share of the price within which it is found, 0.0001 to 0.5.")
    ] = 0.005,
    check: Annotated[bool, typer.Option(help="Plan the fleet again on either side of a price.")] = True,
    out: OutOption = None,
    workers: WorkersOption = None,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Find the price at which a SKU would enter the plan, lose units in it, or leave it.

    All prices of the SKU are multiplied by one factor, tier by tier; the fleet is solved anew at each by
    local search from the plan as bought.

    \b
    Example:
      planner break-even plans/tundrakall "HV 375-120H" --no-check
    """
    from planner.cli.progress import progress
    from planner.explain import break_even as find_prices
    from planner.tables.explained_rows import BreakEvenRow

    with progress(quiet=quiet) as report:
        rows = find_prices(plan, skus, tolerance=tolerance, check=check, workers=workers, progress=report)
    show_rows("break_even", rows, BreakEvenRow, out=out, as_json=as_json, quiet=quiet)
    for row in rows:
        if row.note:
            note(f"{row.sku}: {row.note}", quiet=quiet)
