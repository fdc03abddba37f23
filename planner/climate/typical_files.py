"""EPW, TMY2 and TMY3 files, read by pvlib from bytes that were checked before.

Stamps: EPW and TMY2 number the hours 1 to 24 and pvlib gives their start; TMY3 stamps the hour's end.
pvlib moves 29 February of TMY3 files to 1 March, where it would meet the hours of that day; hence the
stamps of TMY3 are made here from its own columns.
"""

import io
import os
import re
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from planner.climate.weather import HOUR_S, TYPICAL_YEAR, Weather
from planner.errors import Problem
from planner.tables.rows import WeatherFormat

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]

EPW_HEADER_LINES, TMY3_HEADER_LINES, TMY2_HEADER_LINES = 8, 2, 1
EPW_CELLS_MIN, EPW_CELLS_MAX = 14, 35  # up to global irradiation; all fields of the format
TMY2_LINE_LENGTH = 142  # characters of a record (User's Manual for TMY2s, table 3-2)
GHI_MISSING_W_M2 = 9900.0  # 9999 in EPW and TMY2, -9900 in TMY3
TEMP_MISSING_C = 99.0  # 99.9 in EPW, 999.9 in TMY2, -9900 in TMY3
#: Station, city that may have blanks, state, hours from UTC, latitude, longitude, elevation.
TMY2_HEADER = re.compile(
    r"\s*(\S+)\s+(.*?)\s+(\S+)\s+(-?\d+)\s+([NS])\s+(\d+)\s+(\d+)\s+([EW])\s+(\d+)\s+(\d+)\s+(-?\d+)\s*"
)
#: What pvlib and pandas raise on a file that is not what it should be.
BROKEN = (ValueError, KeyError, IndexError, TypeError, AttributeError, OverflowError)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Read:
    """What pvlib gives, before it is checked: hours' local starts, cells, and the station."""

    start: "pd.DatetimeIndex"
    ghi: Any
    temp: Any
    meta: dict[str, Any]


def read_typical(data: bytes, file: str, kind: WeatherFormat) -> tuple[Weather | None, list[Problem]]:
    """Hours of an EPW, TMY2 or TMY3 file.

    Parameters
    ----------
    data : bytes
        Content of the file, in whatever encoding: only place names hold more than ASCII.
    file : str
        Name for problems.
    kind : WeatherFormat
        Not `csv`.
    """
    text = data.decode("latin-1")
    header = {"epw": EPW_HEADER_LINES, "tmy2": TMY2_HEADER_LINES, "tmy3": TMY3_HEADER_LINES}[kind.value]
    lines = [(i, line) for i, line in enumerate(text.splitlines(), start=1) if line.strip()]
    body = lines[header:]
    problem = _shape(body, file, kind)
    if problem:
        return None, [problem]
    readers: dict[str, Callable[[list[str]], _Read]] = {"epw": _epw, "tmy2": _tmy2, "tmy3": _tmy3}
    try:
        read = readers[kind.value]([line.rstrip() for _, line in lines])
    except BROKEN as error:
        return None, [_broken(file, kind, str(error))]
    numbers = np.array([number for number, _ in body], dtype=np.int64)
    return _weather(read, numbers, file)


def _broken(file: str, kind: WeatherFormat, why: str, line: int | None = None) -> Problem:
    return Problem(
        code="broken-weather-file",
        file=file,
        line=line,
        message=f"cannot be read as {kind.value.upper()}: {why[:200]}",
        remedy="check that format names what the file is, and fetch the file again",
    )


def _shape(body: list[tuple[int, str]], file: str, kind: WeatherFormat) -> Problem | None:
    """The first line that is too short or too long, which pvlib would misread or not locate."""
    if not body:
        return _broken(file, kind, "it ends before its first hour")
    for number, line in body:
        if kind is WeatherFormat.EPW:
            cells = line.rstrip().rstrip(",").count(",") + 1
            if not EPW_CELLS_MIN <= cells <= EPW_CELLS_MAX:
                return _broken(file, kind, f"the line has {cells} cells, not {EPW_CELLS_MAX}", number)
        elif kind is WeatherFormat.TMY2 and len(line.rstrip()) < TMY2_LINE_LENGTH - 1:
            return _broken(file, kind, f"the line has {len(line.rstrip())} characters", number)
    return None


def _epw(lines: list[str]) -> _Read:
    from pvlib.iotools import read_epw

    # pandas takes a trailing comma for one more column and shifts all others
    body = [line.rstrip(",") for line in lines[EPW_HEADER_LINES:]]
    hours, meta = read_epw(io.StringIO("\n".join(lines[:EPW_HEADER_LINES] + body) + "\n"))
    return _Read(
        start=hours.index.tz_localize(None), ghi=hours["ghi"], temp=hours["temp_air"], meta=meta
    )


def _tmy3(lines: list[str]) -> _Read:
    import pandas as pd
    from pvlib.iotools import read_tmy3

    # a comma within the quoted name of the station would shift the cells after it
    head = re.sub(r'"[^"]*"', lambda name: name[0].replace(",", " "), lines[0])
    hours, meta = read_tmy3(io.StringIO("\n".join([head, *lines[1:]]) + "\n"), map_variables=True)
    clock = hours["Time (HH:MM)"].str.split(":", expand=True).astype(int)
    end = pd.to_datetime(hours["Date (MM/DD/YYYY)"], format="%m/%d/%Y") + pd.to_timedelta(
        60 * clock[0] + clock[1], unit="min"
    )
    start = pd.DatetimeIndex(end - pd.Timedelta(hours=1))
    return _Read(start=start, ghi=hours["ghi"], temp=hours["temp_air"], meta=meta)


def _tmy2(lines: list[str]) -> _Read:
    from pvlib.iotools import read_tmy2

    found = TMY2_HEADER.fullmatch(lines[0])
    if not found:
        raise ValueError("its first line names no station, time zone, place and elevation")
    station, city, *rest = found.groups()
    head = " ".join([station, re.sub(r"\W+", "_", city) or "-", *rest])  # pvlib splits it at blanks
    text = "\n".join([head, *lines[1:]]) + "\n"
    # pvlib reads TMY2 by file name only; a copy keeps what is read the same as what was hashed
    descriptor, name = tempfile.mkstemp(suffix=".tm2")
    try:
        with os.fdopen(descriptor, "w", encoding="ascii", errors="replace") as copy:
            copy.write(text)
        hours, meta = read_tmy2(name)
    finally:
        os.unlink(name)
    return _Read(
        start=hours.index.tz_localize(None), ghi=hours["GHI"], temp=hours["DryBulb"] / 10.0, meta=meta
    )


def _weather(read: _Read, line: NDArray[np.int64], file: str) -> tuple[Weather | None, list[Problem]]:
    """Checked cells of a file; months of several years are put into one common year."""
    import pandas as pd

    problems = []
    numbers = []
    for column, cells in (("ghi", read.ghi), ("temp_air", read.temp)):
        values = pd.to_numeric(cells, errors="coerce").to_numpy(dtype=float)
        faulty = np.flatnonzero(np.isnan(values) & cells.notna().to_numpy())
        if len(faulty):
            problems.append(
                Problem(
                    code="not-a-number",
                    file=file,
                    line=int(line[faulty[0]]),
                    column=column,
                    value=str(cells.iloc[int(faulty[0])])[:80],
                    message="is not a number",
                    remedy="fetch the file again",
                )
            )
        numbers.append(values)
    if problems:
        return None, problems
    ghi, temp = numbers
    ghi = np.where(np.abs(ghi) >= GHI_MISSING_W_M2, np.nan, ghi)
    temp = np.where(np.abs(temp) >= TEMP_MISSING_C, np.nan, temp)
    start = read.start
    keep = np.ones(len(start), dtype=bool)
    if _typical(start):
        keep = ~np.asarray((start.month == 2) & (start.day == 29))
        start = pd.DatetimeIndex([moment.replace(year=TYPICAL_YEAR) for moment in start[keep]])
    offset = round(float(read.meta["TZ"]) * HOUR_S)
    seconds = start.to_numpy().astype("datetime64[s]").astype(np.int64)
    return Weather(
        file=file,
        start_s=seconds - offset,
        ghi_w_m2=ghi[keep],
        temp_air_c=temp[keep],
        line=line[keep],
        offset_s=offset,
        latitude_deg=float(read.meta["latitude"]),
        longitude_deg=float(read.meta["longitude"]),
        elevation_m=float(read.meta["altitude"]),
    ), []


def _typical(start: "pd.DatetimeIndex") -> bool:
    """Whether the year changes between hours that do not follow each other."""
    seconds = start.to_numpy().astype("datetime64[s]").astype(np.int64)
    change = np.diff(np.asarray(start.year)) != 0
    return bool((change & (np.diff(seconds) != HOUR_S)).any())
