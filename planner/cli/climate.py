"""`planner climate`: the months a plan counts on, and weather fetched into a scenario."""

from pathlib import Path
from typing import Annotated

import typer

from planner.cli.app import ExitCode
from planner.cli.output import JsonOption, QuietOption, SetOption, note, parse_overrides, show_table

climate = typer.Typer(no_args_is_help=True, help="Show the climate of sites, or fetch weather for them.")

SOURCES = ("nasa-power", "pvgis-tmy", "pvgis-hourly")  # of services.Source, which loads no sooner than needed
FETCHED_COLUMNS = ("site_id", "outcome", "source", "answer", "path", "message")
SiteOption = Annotated[
    list[str] | None, typer.Option("--site", metavar="ID", help="This site only; repeatable.")
]


@climate.command("show")
def show(
    scenario: Annotated[
        Path, typer.Argument(help="Folder with scenario.toml, or the name of a bundled scenario.")
    ],
    site: SiteOption = None,
    settings: SetOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show each site's months: irradiation with its margin, on the plane, temperature, and their sources.

    \b
    Example:
      planner climate show tundrakall --site finse
    """
    from planner.climate_view import COLUMNS, climate_rows
    from planner.scenario import read_scenario
    from planner.units import bundled_scenario

    checked = read_scenario(bundled_scenario(scenario), overrides=parse_overrides(settings))
    rows = climate_rows(checked, site or ())
    show_table(COLUMNS, [[row[name] for name in COLUMNS] for row in rows], as_json=as_json)


@climate.command("fetch")
def fetch(
    scenario: Annotated[Path, typer.Argument(help="Folder with scenario.toml; files are written into it.")],
    source: Annotated[str, typer.Option(help=f"Service: {', '.join(SOURCES)}.")] = "nasa-power",
    site: SiteOption = None,
    start: Annotated[int | None, typer.Option(help="First year; 2014 where left out.")] = None,
    end: Annotated[int | None, typer.Option(help="Last year; 2023 where left out.")] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Fetch anew what was fetched before.")] = False,
    refresh: Annotated[bool, typer.Option("--refresh", help="Ask the service, not the cache.")] = False,
    cache: Annotated[Path | None, typer.Option(help="Folder of the cache.")] = None,
    url: Annotated[str | None, typer.Option(help="Address of the service, if not its own.")] = None,
    tries: Annotated[int, typer.Option(min=1, max=10, help="How often to ask before giving up.")] = 4,
    timeout: Annotated[float, typer.Option(min=1, help="Seconds to wait for an answer.")] = 120.0,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Fetch hourly weather for the sites that have no weather file, into the scenario's folder.

    Writes climate/SITE_SERVICE.csv and its row in climate_files.csv; planning reads them and never goes
    online. Rows and files of your own are left alone. Exit code 7 says that some sites were not fetched;
    the others are written, and another run fetches the rest.

    \b
    Example:
      planner climate fetch my-fleet --source pvgis-hourly --site finse
    """
    from planner.cli.climate_fetch import fetch_request, fetch_rows

    asked = fetch_request(
        source=source, url=url, start=start, end=end, cache=cache, tries=tries, timeout_s=timeout,
        site_ids=site or (), replace=replace, refresh=refresh,
    )
    rows = fetch_rows(scenario, asked, quiet=quiet)
    cells = [[getattr(row, name) for name in FETCHED_COLUMNS] for row in rows]
    if as_json or not quiet:
        show_table(FETCHED_COLUMNS, cells, as_json=as_json)
    failed = [row for row in rows if row.outcome == "failed"]
    for row in failed if quiet and not as_json else ():
        note(f"{row.site_id}: {row.message}")
    written = sum(row.outcome == "written" for row in rows)
    note(f"{scenario}: {written} written, {len(failed)} failed, of {len(rows)} sites", quiet=quiet)
    if failed:
        raise typer.Exit(ExitCode.NO_ANSWER)
