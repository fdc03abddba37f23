"""`planner savings`: where replacing a load pays."""

from pathlib import Path
from typing import Annotated

import typer

from planner.cli.output import JsonOption, QuietOption, SetOption, note, number, parse_overrides, show_rows


def savings(
    scenario: Annotated[
        Path, typer.Argument(help="Folder with scenario.toml, or the name of a bundled scenario.")
    ],
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Folder for savings.csv; a file of that name goes.")
    ] = None,
    settings: SetOption = None,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Rank what replacing today's supply, or one box of it, saves: watts, array, battery and money.

    The table supply_today says what runs at each site today. The fleet is planned, then array and battery are
    sized anew for today's watts and for those of each replacement, at the prices that the plan pays.

    \b
    Example:
      planner savings my-fleet --out plans/savings
    """
    from planner.cli.progress import progress
    from planner.savings import savings as rank_savings
    from planner.scenario import read_scenario
    from planner.tables.rerun_rows import SavingRow
    from planner.units import bundled_scenario

    checked = read_scenario(bundled_scenario(scenario), overrides=parse_overrides(settings))
    with progress(quiet=quiet) as report:
        rows = rank_savings(checked, progress=report)
    show_rows("savings", rows, SavingRow, out=out, as_json=as_json, quiet=quiet)
    stated = {row.site_id for row in checked.tables.supply_today}
    for site_id in sorted(stated - {row.site_id for row in rows}):
        note(f"{site_id} is left out: the plan does not serve it", quiet=quiet)
    note(f"{number(len(rows), 'replacement')}, sizes of wire and protection aside", quiet=quiet)
