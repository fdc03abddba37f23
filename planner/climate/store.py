"""What is fetched, as a scenario's own files: tables of hours, and their rows in `climate_files`."""

import csv
import io
import math
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path

from planner.climate.cache import MARK, write_whole
from planner.climate.services import Answer, Request, Source
from planner.errors import OutputError
from planner.tables.rows import ClimateFileRow, HourlyUnit, Stamp, TemperatureUnit, WeatherFormat
from planner.tables.text import delimiter_of

FOLDER, TABLE = "climate", "climate_files"
GHI_COLUMN, TEMP_COLUMN = "ghi_w_m2", "temp_air_c"
STATION = "# station "


def hours_text(request: Request, answer: Answer) -> str:
    """A table of hours with where it comes from; the same answer gives the same bytes."""
    years = f"{request.first_year} to {request.last_year}"
    lines = [
        f"{MARK}{request.key}",
        f"# {request.source.value} {request.url} {years}, asked for"
        f" {request.latitude_deg:g} {request.longitude_deg:g}",
        f"{STATION}{answer.latitude_deg!r} {answer.longitude_deg!r} {answer.elevation_m!r}",
        f"time,{GHI_COLUMN},{TEMP_COLUMN}",
    ]
    lines += [
        f"{start},{_number(ghi)},{_number(temp)}"
        for start, ghi, temp in zip(answer.start, answer.ghi_w_m2, answer.temp_air_c, strict=True)
    ]
    return "\n".join(lines) + "\n"


def _number(value: float) -> str:
    return "" if math.isnan(value) else f"{round(value, 2) + 0.0:g}"


def fetched_path(site_id: str, source: Source) -> str:
    """Where a site's fetched hours stand in the scenario."""
    return f"{FOLDER}/{site_id}_{source.value}.csv"


def is_fetched(row: ClimateFileRow) -> bool:
    """Whether a row is one that fetching writes."""
    return row.path in {fetched_path(row.site_id, source) for source in Source}


def fetched_row(site_id: str, source: Source, text: str, margin: float) -> ClimateFileRow:
    """The row of `climate_files` for a fetched table of hours."""
    station = next(line for line in text.split("\n") if line.startswith(STATION))
    latitude, longitude, elevation = (float(part) for part in station.removeprefix(STATION).split())
    return ClimateFileRow.model_validate(
        {
            "site_id": site_id,
            "path": fetched_path(site_id, source),
            "format": WeatherFormat.CSV,
            "margin": margin,
            "stamp": Stamp.START,
            "ghi_column": GHI_COLUMN,
            "ghi_unit": HourlyUnit.W_M2,
            "temp_column": TEMP_COLUMN,
            "temp_unit": TemperatureUnit.C,
            "latitude_deg": latitude,
            "longitude_deg": longitude,
            "elevation_m": None if math.isnan(elevation) else elevation,
        }
    )


def write_hours(folder: Path, path: str, text: str) -> None:
    """Write a table of hours into the scenario; a file there that was not fetched is left alone.

    Raises
    ------
    OutputError
        The folder cannot be written to, leads elsewhere, or holds a file of that name from elsewhere.
    """
    target = folder / path
    try:
        target.parent.mkdir(exist_ok=True)
        if not target.parent.resolve().is_relative_to(folder.resolve()) or target.is_symlink():
            raise OutputError(f"{target.parent} leads out of the scenario's folder")
        if target.exists() and not target.read_bytes().startswith(MARK.encode()):
            raise OutputError(f"{target} was not written by this command and is left as it is: move it")
        write_whole(target, text)
    except OSError as error:
        raise OutputError(f"cannot write {target}: {error.strerror}") from error


def add_row(folder: Path, row: ClimateFileRow) -> None:
    """Write a row into `climate_files.csv`, in place of an earlier fetched row of the site.

    All other rows stay as they are, cell by cell; columns that the table lacks are added at its end.

    Raises
    ------
    OutputError
        The table cannot be written to.
    """
    path = folder / f"{TABLE}.csv"
    cells = _cells(row)
    try:
        lines, delimiter = _lines(path, cells)
        header = lines[0] if lines else []
        header = [name.strip() for name in header] + [name for name in cells if name not in header]
        named = [dict(zip(header, line, strict=False)) for line in lines[1:]]
        kept = [
            line
            for line, cell in zip(lines[1:], named, strict=True)
            if not _replaced(cell, row.site_id)
        ]
        new = [cells.get(name, "") for name in header]
        write_whole(path, _joined([header, *kept, new], delimiter))
    except OSError as error:
        raise OutputError(f"cannot write {path}: {error.strerror}") from error


def _lines(path: Path, columns: Collection[str]) -> tuple[list[list[str]], str]:
    """Rows of the table as it is, and its delimiter."""
    if not path.exists():
        return [], ","
    text = path.read_text(encoding="utf-8-sig")
    delimiter = delimiter_of(text, columns)
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    return [row for row in rows if any(row)], delimiter


def _replaced(cells: Mapping[str, str], site_id: str) -> bool:
    """Whether a line is an earlier fetched row of a site."""
    path = cells.get("path", "").strip()
    same_site = cells.get("site_id", "").strip() == site_id
    return same_site and path in {fetched_path(site_id, source) for source in Source}


def _cells(row: ClimateFileRow) -> dict[str, str]:
    """Stated cells of a row as text."""
    stated = row.model_dump(mode="json", exclude_defaults=True)
    return {name: f"{value!r}" if isinstance(value, float) else str(value) for name, value in stated.items()}


def _joined(lines: Sequence[Sequence[str]], delimiter: str) -> str:
    stream = io.StringIO()
    width = len(lines[0])
    writer = csv.writer(stream, delimiter=delimiter, lineterminator="\n")
    writer.writerows([*line, *[""] * (width - len(line))] for line in lines)
    return stream.getvalue()
