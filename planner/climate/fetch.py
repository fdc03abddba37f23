"""Fetch weather for a scenario's sites into its own folder, so that planning itself never goes online."""

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

from planner.climate.cache import cached, keep
from planner.climate.file_months import file_climate
from planner.climate.hourly_csv import read_hourly_csv
from planner.climate.quality import weather_problems
from planner.climate.services import COORDINATE_DIGITS, Patience, Request, Source, ask
from planner.climate.store import TABLE, add_row, fetched_row, hours_text, is_fetched, write_hours
from planner.errors import InputError, OutputError, Problem, ServiceError, Severity
from planner.scenario import Scenario
from planner.tables.nearest import did_you_mean
from planner.tables.rows import SiteRow


class Outcome(StrEnum):
    """What became of a site."""

    WRITTEN = "written"
    KEPT = "kept"
    FAILED = "failed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fetched:
    """What became of a site: its file, and whether the answer came from the cache or the service."""

    site_id: str
    source: Source
    outcome: Outcome
    path: str = ""
    answer: str = ""
    message: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fetch:
    """What to fetch and how.

    `site_ids` empty means every site that has no weather file; `replace` fetches anew the rows that an
    earlier fetch wrote. Rows that a user wrote are never touched.
    """

    source: Source
    url: str
    first_year: int
    last_year: int
    cache: Path
    site_ids: Collection[str] = ()
    replace: bool = False
    refresh: bool = False
    patience: Patience = field(default_factory=Patience)


def fetch_weather(
    scenario: Scenario, fetch: Fetch, *, progress: Callable[[str, int, int], None] = lambda *_: None
) -> Iterator[Fetched]:
    """Fetch and write site by site, so that what was fetched stays whatever comes after.

    Yields
    ------
    Fetched
        One for each site asked for, in the order of the table. After a service could not be reached, only
        the cache answers for the sites that follow.

    Raises
    ------
    InputError
        A site asked for is not in the table.
    OutputError
        The scenario's folder or the cache cannot be written to.
    """
    chosen = chosen_sites(scenario, fetch.site_ids)
    _writable(scenario)
    offline = ""
    for done, site in enumerate(chosen):
        progress(f"fetch {site.site_id}", done, len(chosen))
        reason = _kept(scenario, site, fetch)
        if reason:
            yield Fetched(site_id=site.site_id, source=fetch.source, outcome=Outcome.KEPT, message=reason)
            continue
        try:
            yield _one(scenario, site, fetch, offline)
        except ServiceError as error:
            offline = offline or ("" if error.reachable else str(error))
            yield Fetched(
                site_id=site.site_id, source=fetch.source, outcome=Outcome.FAILED, message=str(error)
            )


def chosen_sites(scenario: Scenario, site_ids: Collection[str]) -> list[SiteRow]:
    """The sites asked for, all where none is named, in the order of the table.

    Raises
    ------
    InputError
        A name is that of no site.
    """
    sites = scenario.tables.sites
    known = {site.site_id for site in sites}
    problems = [
        Problem(
            code="unknown-site",
            file="--site",
            value=site_id,
            message="is no site of the scenario",
            remedy=did_you_mean(site_id, known, "write a site_id of sites"),
        )
        for site_id in site_ids
        if site_id not in known
    ]
    if problems:
        raise InputError(problems)
    return [site for site in sites if not site_ids or site.site_id in site_ids]


def _writable(scenario: Scenario) -> None:
    """Rows are added to a CSV table of the scenario's own only: one here would hide a base's whole table."""
    home = scenario.climate_home
    if home is None or home.place == f"{TABLE}.csv":
        return
    if home.prefix:
        raise OutputError(f"{home.place} would be hidden by a table here: fetch into that scenario")
    raise OutputError(f"rows can be added to {TABLE}.csv, not to {home.place}: save it as CSV first")


def _kept(scenario: Scenario, site: SiteRow, fetch: Fetch) -> str:
    """Why a site is left as it is, or ""."""
    rows = [row for row in scenario.tables.climate_files if row.site_id == site.site_id]
    if not rows:
        return ""
    if not all(map(is_fetched, rows)):
        return "climate_files has a row of your own for it"
    return "" if fetch.replace else "fetched before; --replace fetches it anew"


def _one(scenario: Scenario, site: SiteRow, fetch: Fetch, offline: str) -> Fetched:
    """Answer for one site, from the cache or the service, written into the scenario."""
    request = Request(
        source=fetch.source,
        url=fetch.url,
        latitude_deg=round(site.latitude_deg, COORDINATE_DIGITS),
        longitude_deg=round(site.longitude_deg, COORDINATE_DIGITS),
        first_year=fetch.first_year,
        last_year=fetch.last_year,
        use_horizon=not any(row.site_id == site.site_id for row in scenario.tables.horizon),
    )
    text = None if fetch.refresh else cached(fetch.cache, request.key)
    known = text is not None
    if text is None:
        if offline:
            raise ServiceError("not asked, as the service could not be reached before", reachable=False)
        text = hours_text(request, ask(request, fetch.patience))
        _sound(text, site, fetch)
        keep(fetch.cache, request.key, text)
    row = fetched_row(site.site_id, fetch.source, text, scenario.settings.climate.margin_online)
    write_hours(scenario.folder, row.path, text)
    add_row(scenario.folder, row)
    return Fetched(
        site_id=site.site_id,
        source=fetch.source,
        outcome=Outcome.WRITTEN,
        path=row.path,
        answer="cache" if known else "service",
    )


def _sound(text: str, site: SiteRow, fetch: Fetch) -> None:
    """An answer that planning would refuse is not kept, let alone written."""
    row = fetched_row(site.site_id, fetch.source, text, 1.0)
    weather, problems = read_hourly_csv(text.encode(), row)
    if weather is not None:
        place = {"latitude_deg": site.latitude_deg, "longitude_deg": site.longitude_deg}
        problems = weather_problems(weather, **place)
        if not _errors(problems):
            problems = file_climate([weather], **place)[1]
    if _errors(problems):
        first = _errors(problems)[0]
        raise ServiceError(
            f"the answer cannot be used: {first.value} {first.message} [{first.code}]", reachable=True
        )


def _errors(problems: Sequence[Problem]) -> list[Problem]:
    return [problem for problem in problems if problem.severity is Severity.ERROR]
