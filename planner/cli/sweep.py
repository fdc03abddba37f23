"""`planner sweep`: a fleet planned under every combination of varied settings and prices."""

from pathlib import Path
from typing import Annotated

import typer

from planner.cli.app import ExitCode
from planner.cli.output import (
    JsonOption,
    QuietOption,
    SetOption,
    WorkersOption,
    note,
    number,
    parse_overrides,
    show_json,
    show_table,
    show_tables,
)


def sweep(
    scenario: Annotated[
        Path, typer.Argument(help="Folder with scenario.toml, or the name of a bundled scenario.")
    ],
    vary: Annotated[
        list[str],
        typer.Option(
            "--vary",
            metavar="NAME=VALUE,VALUE",
            help="A setting and its values, or prices.CATEGORY and factors; repeatable.",
        ),
    ],
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Folder for both tables as CSV and sweep.svg.")
    ] = None,
    availability: Annotated[
        bool, typer.Option(help="Simulate the availability of every site, also where none is asked.")
    ] = True,
    settings: SetOption = None,
    workers: WorkersOption = None,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Plan every combination of varied settings and prices; show what each costs and what stays the same.

    The chart shows cost against the mean availability of the sites, or against the first figure varied where
    that is all alike or --no-availability leaves it out.
    Prices vary by a factor on those of a category: prices.battery=0.8,1.0,1.2; prices.all varies every price.

    \b
    Example:
      planner sweep tundrakall --vary policy.autonomy_days=3,5,7 --vary prices.battery=0.8,1.0 --out sweep
    """
    from planner.cli.progress import progress
    from planner.sweep import read_axes, write_sweep
    from planner.sweep import sweep as plan_sweep
    from planner.tables.rerun_rows import DecisionRow
    from planner.units import bundled_scenario

    axes, overrides = read_axes(vary), parse_overrides(settings)
    with progress(quiet=quiet) as report:
        found = plan_sweep(
            bundled_scenario(scenario),
            axes,
            overrides=overrides,
            availability=availability,
            workers=workers,
            progress=report,
        )
    columns = found.columns()
    if out is not None:
        note(f"written to {out}: {', '.join(write_sweep(found, out))}", quiet=quiet)
    if as_json:
        rows = [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]
        show_json({"sweep": rows, "decisions": [row.model_dump(mode="json") for row in found.decisions]})
    elif not quiet:
        show_table(list(columns), list(zip(*columns.values(), strict=True)))
        show_tables({"decisions": found.decisions}, {"decisions": DecisionRow})
    steady = sum(row.steady for row in found.decisions if row.kind == "site")
    sites = sum(row.kind == "site" for row in found.decisions)
    plans = f"{number(len(found.rows), 'plan')}, costs in {found.currency}"
    note(f"{plans}; {steady} of {number(sites, 'site')} with one design throughout", quiet=quiet)
    if not any(row.total_cost is not None for row in found.rows):
        raise typer.Exit(ExitCode.NO_PLAN)
