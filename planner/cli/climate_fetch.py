"""What `planner climate fetch` asks for, from its options."""

from collections.abc import Collection
from pathlib import Path

import typer

from planner.cli.progress import progress
from planner.climate.cache import default_cache
from planner.climate.fetch import Fetch, Fetched, fetch_weather
from planner.climate.services import FIRST_YEAR, LAST_YEAR, URLS, Patience, Source
from planner.scenario import read_scenario


def fetch_request(
    *, source: str, url: str | None, start: int | None, end: int | None, cache: Path | None, tries: int,
    timeout_s: float, site_ids: Collection[str], replace: bool, refresh: bool,
) -> Fetch:
    """The request, or a usage error."""
    names = [known.value for known in Source]
    if source not in names:
        raise typer.BadParameter(f"{source!r} is none of {', '.join(names)}", param_hint="--source")
    service = Source(source)
    address = url or URLS[service]
    if not address.startswith(("http://", "https://")):
        raise typer.BadParameter(f"{address!r} is no http or https address", param_hint="--url")
    if service is not Source.NASA_POWER and not address.endswith("/"):
        address += "/"
    first, last = start or FIRST_YEAR, end or LAST_YEAR
    if first > last:
        raise typer.BadParameter(f"{first} is later than {last}", param_hint="--start")
    return Fetch(
        source=service, url=address, first_year=first, last_year=last, cache=cache or default_cache(),
        site_ids=site_ids, replace=replace, refresh=refresh,
        patience=Patience(tries=tries, timeout_s=timeout_s),
    )


def fetch_rows(scenario: Path, asked: Fetch, *, quiet: bool) -> list[Fetched]:
    """Fetch with progress on terminals; what was fetched before an interrupt stays written."""
    with progress(quiet=quiet) as report:
        return list(fetch_weather(read_scenario(scenario), asked, progress=report))
