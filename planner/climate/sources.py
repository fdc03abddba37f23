"""The weather files of a scenario: read once each, checked for every site that uses them."""

import hashlib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from planner.climate.file_months import CLASSES, FileClimate, file_climate
from planner.climate.monthly import FileMonths
from planner.climate.quality import weather_problems
from planner.climate.weather import Weather
from planner.errors import InputError, Problem, Severity
from planner.scenario import Scenario
from planner.tables.files import read_bytes
from planner.tables.rows import ClimateFileRow, SiteRow, WeatherFormat
from planner.units import MONTHS


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteFiles:
    """What the weather files say of S sites, the SHA-256 of each file, and the warnings met."""

    months: FileMonths
    hashes: Mapping[str, str]
    warnings: Sequence[Problem]


@dataclass(slots=True)
class _Library:
    """Files of a scenario, each read once and kept while a row has still to use it.

    Sites often share a file; a fleet's files together may not fit into memory.
    """

    scenario: Scenario
    read: dict[ClimateFileRow, tuple[Weather | None, list[Problem]]] = field(default_factory=dict)
    hashes: dict[str, str] = field(default_factory=dict)
    uses: Counter[ClimateFileRow] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        self.uses.update(map(_file, self.scenario.tables.climate_files))

    def weather(self, row: ClimateFileRow) -> tuple[Weather | None, list[Problem]]:
        """Hours of the file of a row, with the row's own place of the station where it states one."""
        key = _file(row)
        found = self.read.pop(key, None) or self._read(key)
        self.uses[key] -= 1
        if self.uses[key] > 0:
            self.read[key] = found
        return found

    def _read(self, row: ClimateFileRow) -> tuple[Weather | None, list[Problem]]:
        home = self.scenario.climate_home
        folder = home.folder if home else self.scenario.folder
        label = (home.prefix if home else "") + row.path
        data, problems = read_bytes(folder / row.path, folder, label)
        if data is None:
            missing = not (folder / row.path).exists()
            return None, [_missing(label)] if missing else problems
        self.hashes[label] = hashlib.sha256(data).hexdigest()
        weather, problems = _parse(data, row.model_copy(update={"path": label}))
        if weather is None or row.latitude_deg is None or row.longitude_deg is None:
            return weather, problems
        height = weather.elevation_m if row.elevation_m is None else row.elevation_m
        return replace(
            weather, latitude_deg=row.latitude_deg, longitude_deg=row.longitude_deg, elevation_m=height
        ), problems


def _file(row: ClimateFileRow) -> ClimateFileRow:
    """The row without what concerns its site alone."""
    return row.model_copy(update={"site_id": "any", "margin": 1.0})


def _missing(label: str) -> Problem:
    return Problem(
        code="missing-file",
        file=label,
        message="is named in climate_files but is not there",
        remedy="put it into the folder of climate_files, or delete the row",
    )


def _parse(data: bytes, row: ClimateFileRow) -> tuple[Weather | None, list[Problem]]:
    if row.format is WeatherFormat.CSV:
        from planner.climate.hourly_csv import read_hourly_csv

        return read_hourly_csv(data, row)
    from planner.climate.typical_files import read_typical

    return read_typical(data, row.path, row.format)


def site_files(scenario: Scenario) -> SiteFiles:
    """Read and check all weather files of a scenario; without any, nothing is read.

    Raises
    ------
    InputError
        With every problem of every file.
    """
    files, problems = _read_all(scenario)
    if any(problem.severity is Severity.ERROR for problem in problems):
        raise InputError(problems)
    return files


def file_problems(scenario: Scenario) -> list[Problem]:
    """Every problem of a scenario's weather files, errors and warnings."""
    return _read_all(scenario)[1]


def site_weathers(scenario: Scenario, site_id: str) -> list[Weather]:
    """Hours of a site's own files, for work that needs more than months; `hourly_frame` tabulates one.

    Raises
    ------
    InputError
        A file cannot be read.
    """
    library, weathers = _Library(scenario), []
    for row in _rows(scenario).get(site_id, ()):
        weather, problems = library.weather(row)
        if weather is None:
            raise InputError(problems)
        weathers.append(replace(weather, ghi_w_m2=np.where(weather.ghi_w_m2 < 0, 0.0, weather.ghi_w_m2)))
    return weathers


def _rows(scenario: Scenario) -> dict[str, list[ClimateFileRow]]:
    rows: dict[str, list[ClimateFileRow]] = {}
    for row in scenario.tables.climate_files:
        rows.setdefault(row.site_id, []).append(row)
    return rows


def _read_all(scenario: Scenario) -> tuple[SiteFiles, list[Problem]]:
    sites, rows = scenario.tables.sites, _rows(scenario)
    months = no_files(len(sites))
    library, problems = _Library(scenario), list[Problem]()
    sources = list(months.source)
    for i, site in enumerate(sites):
        own = rows.get(site.site_id)
        if not own:
            continue
        found, faults = _site(library, site, own)
        problems += faults
        if found is not None:
            months.ghi_wh_m2_day[i] = found.ghi_wh_m2_day
            months.temp_air_c[i] = found.temp_air_c
            months.temp_min_c[i], months.temp_max_c[i] = found.temp_min_c, found.temp_max_c
            months.clearness[i] = found.clearness
            months.elevation_m[i] = found.elevation_m
            months.margin[i] = min(row.margin for row in own)
            sources[i] = ", ".join(row.path for row in own)
    problems = list(dict.fromkeys(problems))
    warnings = [problem for problem in problems if problem.severity is Severity.WARNING]
    return (
        SiteFiles(months=replace(months, source=tuple(sources)), hashes=library.hashes, warnings=warnings),
        problems,
    )


def no_files(sites: int) -> FileMonths:
    """The months of sites without weather files: NaN throughout."""
    return FileMonths(
        ghi_wh_m2_day=np.full((sites, MONTHS), np.nan),
        temp_air_c=np.full((sites, MONTHS), np.nan),
        temp_min_c=np.full(sites, np.nan),
        temp_max_c=np.full(sites, np.nan),
        clearness=np.full((sites, MONTHS, CLASSES), np.nan),
        elevation_m=np.full(sites, np.nan),
        margin=np.ones(sites),
        source=("",) * sites,
    )


def _site(
    library: _Library, site: SiteRow, rows: Sequence[ClimateFileRow]
) -> tuple[FileClimate | None, list[Problem]]:
    """What a site's files say together, None where one of them is at fault."""
    weathers, problems = [], list[Problem]()
    for row in rows:
        weather, faults = library.weather(row)
        problems += faults
        if weather is not None:
            problems += _for_site(
                weather_problems(weather, latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg),
                site,
            )
            weathers.append(weather)
    if len(weathers) < len(rows) or any(problem.severity is Severity.ERROR for problem in problems):
        return None, problems
    found, gaps = file_climate(
        weathers, latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg
    )
    return found, [*problems, *gaps]


def _for_site(problems: Sequence[Problem], site: SiteRow) -> Iterator[Problem]:
    """Problems that depend on the site name it."""
    for problem in problems:
        named = problem.code in ("far-from-site", "noon-off")
        yield replace(problem, message=f"{problem.message} ({site.site_id})") if named else problem
