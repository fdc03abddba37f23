"""Any table of hours as CSV: columns, units, time zone and meaning of the stamps as `climate_files` says."""

import csv
import datetime
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from planner.climate.weather import HOUR_S, FloatArray, IntArray, Weather
from planner.errors import Problem
from planner.tables.nearest import did_you_mean
from planner.tables.rows import ClimateFileRow, HourlyUnit, Stamp, TemperatureUnit
from planner.units import KELVIN_AT_0_C

PROBLEMS_MAX = 5  # of one file; a wrong format makes every line wrong
SEPARATORS = (",", ";", "\t")
COMMENT = "#"  # lines above the header that begin so are skipped
MISSING = frozenset({"", "nan", "na", "null", "none"})
STEP_MIN_S = 60
WH_PER_UNIT = {  # 1 kWh = 3.6 MJ, 1 J/cm2 = 10 kJ/m2
    HourlyUnit.WH_M2: 1.0,
    HourlyUnit.KWH_M2: 1000.0,
    HourlyUnit.KJ_M2: 1.0 / 3.6,
    HourlyUnit.MJ_M2: 1000.0 / 3.6,
    HourlyUnit.J_CM2: 10.0 / 3.6,
}


@dataclass(slots=True)
class _Cells:
    """What is read of a file, line by line."""

    stamp_s: list[float] = field(default_factory=list)
    ghi: list[float] = field(default_factory=list)
    temp: list[float] = field(default_factory=list)
    line: list[int] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)


def read_hourly_csv(data: bytes, row: ClimateFileRow) -> tuple[Weather | None, list[Problem]]:
    """Hours of a CSV file; shorter steps are averaged to hours, of which every step must be there.

    Parameters
    ----------
    data : bytes
        UTF-8, or Latin-1 where it is not.
    row : ClimateFileRow
        Names and units of its columns.
    """
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    lines = text.splitlines()
    top = next((i for i, line in enumerate(lines) if line.strip() and not line.startswith(COMMENT)), None)
    if top is None:
        return None, [Problem(code="empty-file", file=row.path, message="is empty", remedy="fetch it again")]
    header = _header(lines[top], row, top + 1)
    if isinstance(header, Problem):
        return None, [header]
    separator, places = header
    cells = _read(lines[top + 1 :], top + 2, separator, places, row)
    if cells.problems:
        return None, cells.problems[:PROBLEMS_MAX]
    if not cells.line:
        return None, [
            Problem(code="empty-table", file=row.path, message="has no rows", remedy="fetch it again")
        ]
    return _hours(cells, row)


def _header(text: str, row: ClimateFileRow, line: int) -> tuple[str, dict[str, int]] | Problem:
    """The separator and the places of the columns; the separator is that which yields the named columns."""
    wanted = {"time_column": row.time_column or "time", "ghi_column": row.ghi_column}
    if row.temp_column:
        wanted["temp_column"] = row.temp_column
    best: list[str] = []
    for separator in SEPARATORS:
        names = [name.strip() for name in next(csv.reader([text], delimiter=separator))]
        if all(name in names for name in wanted.values()):
            return separator, {kind: names.index(name) for kind, name in wanted.items()}
        best = names if len(names) > len(best) else best
    kind, absent = next((kind, name) for kind, name in wanted.items() if name not in best)
    return Problem(
        code="missing-column",
        file=row.path,
        line=line,
        column=absent,
        value=", ".join(best)[:120],
        message="this column, named in climate_files, is missing",
        remedy=did_you_mean(absent, best, f"write in {kind} of climate_files a header that stands there"),
    )


def _read(
    lines: Sequence[str], first: int, separator: str, places: dict[str, int], row: ClimateFileRow
) -> _Cells:
    cells = _Cells()
    moment = _moment(row)
    at_time, at_ghi, at_temp = places["time_column"], places["ghi_column"], places.get("temp_column", -1)
    width = max(places.values()) + 1
    for number, parts in enumerate(csv.reader(lines, delimiter=separator), start=first):
        if not any(parts):
            continue
        if len(cells.problems) >= PROBLEMS_MAX:
            break
        if len(parts) < width:
            cells.problems.append(_cell(row, number, "", str(len(parts)), "too-few-cells"))
            continue
        stamp = moment(parts[at_time].strip())
        ghi = _number(parts[at_ghi])
        temp = np.nan if at_temp < 0 else _number(parts[at_temp])
        if isinstance(stamp, str):
            cells.problems.append(_cell(row, number, row.time_column or "time", parts[at_time], stamp))
        elif isinstance(ghi, str):
            cells.problems.append(_cell(row, number, row.ghi_column, parts[at_ghi], ghi))
        elif isinstance(temp, str):
            cells.problems.append(_cell(row, number, row.temp_column, parts[at_temp], temp))
        else:
            cells.stamp_s.append(stamp)
            cells.ghi.append(ghi)
            cells.temp.append(temp)
            cells.line.append(number)
    return cells


SAYINGS = {
    "too-few-cells": ("the row has fewer cells than the header needs", "write every cell of the row"),
    "not-a-date": ("is not a time as time_format says", "write %-codes of the stamps into time_format"),
    "no-time-zone": ("has no time zone", "write the file's offset into time_zone, as UTC or +01:00"),
    "two-time-zones": ("has its own offset beside time_zone", "clear time_zone of climate_files"),
    "decimal-comma": ("has a comma in a number", "write a point as decimal mark"),
    "not-a-number": ("is not a number", "write a number, or leave the cell blank where none was measured"),
}


def _cell(row: ClimateFileRow, line: int, column: str, value: str, code: str) -> Problem:
    message, remedy = SAYINGS[code]
    return Problem(
        code=code, file=row.path, line=line, column=column, value=value[:80], message=message, remedy=remedy
    )


def _number(text: str) -> float | str:
    """Value of a cell, NaN where it is blank, or the code of what is wrong."""
    try:
        value = float(text)
    except ValueError:
        stripped = text.strip().lower()
        if stripped in MISSING:
            return np.nan
        return "decimal-comma" if re.fullmatch(r"[-+]?\d+,\d+", stripped) else "not-a-number"
    return value if abs(value) < np.inf else np.nan if value != value else "not-a-number"


def _moment(row: ClimateFileRow) -> Callable[[str], float | str]:
    """Function from a stamp's text to UTC seconds, or to the code of what is wrong."""
    zone = _zone(row.time_zone)
    pattern = row.time_format

    def moment(text: str) -> float | str:
        try:
            if pattern:
                stamp = datetime.datetime.strptime(text, pattern)
            else:
                stamp = datetime.datetime.fromisoformat(text)
        except ValueError:
            return "not-a-date"
        if stamp.tzinfo is None:
            if zone is None:
                return "no-time-zone"
            return stamp.replace(tzinfo=zone).timestamp()
        return "two-time-zones" if zone is not None else stamp.timestamp()

    return moment


def _zone(text: str) -> datetime.timezone | None:
    if not text:
        return None
    if text in ("UTC", "Z"):
        return datetime.UTC
    hours, minutes = int(text[1:3]), int(text[4:6])
    sign = -1 if text[0] == "-" else 1
    return datetime.timezone(sign * datetime.timedelta(hours=hours, minutes=minutes))


def _hours(cells: _Cells, row: ClimateFileRow) -> tuple[Weather | None, list[Problem]]:
    """Rows as hours: stamps moved to the interval's start, units converted, short steps averaged."""
    stamp = np.array(cells.stamp_s, dtype=np.float64)
    line = np.array(cells.line, dtype=np.int64)
    step = _step_s(stamp)
    if step is None:
        return None, [
            Problem(
                code="not-hourly",
                file=row.path,
                line=int(line[0]),
                column=row.time_column or "time",
                message="the stamps have no common step of an hour or a whole part of it",
                remedy="give a file with an hour, or 1 to 30 minutes, from row to row",
                rule="a step of 60, 30, 20, 15, 10, 5 or 1 minutes, for instance",
            )
        ]
    assert row.stamp is not None
    assert row.ghi_unit is not None  # checked with the tables
    back = {Stamp.START: 0.0, Stamp.MIDDLE: step / 2, Stamp.END: float(step)}[row.stamp]
    start = np.round(stamp - back).astype(np.int64)
    ghi = np.array(cells.ghi)
    if row.ghi_unit is not HourlyUnit.W_M2:
        ghi = ghi * WH_PER_UNIT[row.ghi_unit] * HOUR_S / step
    temp = _celsius(np.array(cells.temp), row.temp_unit)
    if step < HOUR_S:
        start, ghi, temp, line = _averaged(start, ghi, temp, line, HOUR_S // step)
    return Weather(
        file=row.path,
        start_s=start,
        ghi_w_m2=ghi,
        temp_air_c=temp,
        line=line,
        offset_s=None,
        latitude_deg=np.nan,
        longitude_deg=np.nan,
        elevation_m=np.nan,
    ), []


def _step_s(stamp_s: FloatArray) -> int | None:
    """The commonest step between rows if it is an hour or divides one."""
    steps, count = np.unique(np.diff(stamp_s), return_counts=True)
    if not len(steps):
        return None
    step = float(steps[np.argmax(count)])
    fits = step >= STEP_MIN_S and step == round(step) and HOUR_S % int(step) == 0
    return int(step) if fits else None


def _celsius(value: FloatArray, unit: TemperatureUnit | None) -> FloatArray:
    if unit is TemperatureUnit.K:
        return value - KELVIN_AT_0_C
    return (value - 32.0) / 1.8 if unit is TemperatureUnit.F else value


def _averaged(
    start: IntArray, ghi: FloatArray, temp: FloatArray, line: IntArray, parts: int
) -> tuple[IntArray, FloatArray, FloatArray, IntArray]:
    """Means of whole hours; an hour that lacks a step has no irradiance. Order is kept."""
    hour = start // HOUR_S
    first = np.flatnonzero(np.concatenate([[True], np.diff(hour) != 0]))
    count = np.diff(np.concatenate([first, [len(hour)]]))

    def mean(values: FloatArray) -> FloatArray:
        sums: NDArray[np.float64] = np.add.reduceat(values, first)
        return np.where(count == parts, sums / parts, np.nan)

    return hour[first] * HOUR_S, mean(ghi), mean(temp), line[first]
