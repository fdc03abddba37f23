"""`planner audit`: a written plan, rechecked from the input tables by arithmetic of its own."""

from pathlib import Path
from typing import Annotated

import typer

from planner.cli.app import ExitCode
from planner.cli.output import (
    JsonOption,
    MappingOption,
    PartialOption,
    PricesOption,
    QuietOption,
    note,
    number,
    show_json,
    show_table,
)

CHECK_COLUMNS = ("ok", "rule", "site", "subject", "value", "limit", "unit", "margin", "note")
SUMMARY_COLUMNS = ("rule", "checks", "broken", "least_margin", "unit", "where")


def audit(
    plan: Annotated[Path, typer.Argument(help="Folder of a plan.")],
    scenario: Annotated[
        Path | None,
        typer.Option(
            "--scenario", "-s", help="Folder of its scenario; as noted when it was planned if not given."
        ),
    ] = None,
    prices: PricesOption = None,
    mapping: MappingOption = None,
    partial: PartialOption = False,
    every: Annotated[bool, typer.Option("--all", help="Print every check, not a summary by rule.")] = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Recheck a plan from its scenario's tables: designs, ports, energy under a second sky, orders, totals.

    Price lists that the plan was made with are read from where they stood then; where they have moved, name
    each with --prices.
    Exit code 6 says that a check is broken: neither build nor order from such a plan.

    \b
    Example:
      planner audit plans/tundrakall --all
    """
    from planner.audits import audit_folder
    from planner.tables.price_lists import PriceLists

    lists = PriceLists(files=prices, mapping=mapping, partial=partial) if prices else None
    verdict = audit_folder(plan, scenario, price_lists=lists)
    rows = [tuple(getattr(check, name) for name in CHECK_COLUMNS) for check in verdict.checks]
    if as_json:
        show_json(
            {**verdict.summary(), "checks": [dict(zip(CHECK_COLUMNS, row, strict=True)) for row in rows]}
        )
    elif every and not quiet:
        show_table(CHECK_COLUMNS, rows)
    elif not quiet:
        show_table(SUMMARY_COLUMNS, verdict.by_rule())
    for check in verdict.broken if not as_json else ():
        note(f"broken: {check}")
    note(f"{plan}: {number(len(rows), 'check')}, {len(verdict.broken)} broken", quiet=quiet)
    if not verdict.passed:
        raise typer.Exit(ExitCode.AUDIT_FAILED)
