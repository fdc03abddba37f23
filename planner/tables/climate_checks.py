"""Checks of `climate_files` that need no file: what a format must say, and paths that stay inside."""

import re
from collections.abc import Iterator
from pathlib import PurePosixPath, PureWindowsPath
from typing import Any

from planner.errors import Problem
from planner.tables.checks import Check, Context
from planner.tables.read import ReadTable
from planner.tables.rows import ClimateFileRow, HourlyUnit, Stamp, TemperatureUnit, WeatherFormat

CSV_NEEDS = {
    "stamp": ("missing-stamp", f"write {', '.join(stamp.value for stamp in Stamp)}"),
    "ghi_column": ("missing-value", "write the header of the irradiance"),
    "ghi_unit": ("missing-unit", f"write {', '.join(unit.value for unit in HourlyUnit)}"),
}
CSV_ONLY = (
    "time_column",
    "time_format",
    "time_zone",
    "stamp",
    "ghi_column",
    "ghi_unit",
    "temp_column",
    "temp_unit",
)
TIME_ZONE = re.compile(r"UTC|Z|[+-](0\d|1[0-4]):[0-5]\d")


def files(context: Context) -> Iterator[Problem]:
    """Each row says all that its format needs, and nothing that its format states itself."""
    table = context.tables["climate_files"]
    for at, row in enumerate(table.rows):
        yield from _path(table, at, row)
        if row.format is WeatherFormat.CSV:
            yield from _csv(table, at, row)
        else:
            yield from _described(table, at, row)
        if (row.latitude_deg is None) != (row.longitude_deg is None):
            yield table.problem(
                at,
                code="half-a-place",
                column="longitude_deg" if row.longitude_deg is None else "latitude_deg",
                message="must be stated with the other coordinate",
                remedy="write both coordinates of the station, or neither",
            )


def _path(table: ReadTable, at: int, row: ClimateFileRow) -> Iterator[Problem]:
    path = PurePosixPath(row.path)
    windows = PureWindowsPath(row.path)
    if path.is_absolute() or windows.drive or windows.root or ".." in path.parts or "\\" in row.path:
        yield table.problem(
            at,
            code="outside-folder",
            column="path",
            value=row.path,
            message="leads out of the scenario's folder, or may",
            remedy="put the file into the scenario's folder and write its path from there, with /",
        )


def _csv(table: ReadTable, at: int, row: ClimateFileRow) -> Iterator[Problem]:
    needs: dict[str, tuple[str, str]] = dict(CSV_NEEDS)
    if row.temp_column:
        units = ", ".join(unit.value for unit in TemperatureUnit)
        needs["temp_unit"] = ("missing-unit", f"write {units}")
    for column, (code, remedy) in needs.items():
        value: Any = getattr(row, column)
        if value is None or value == "":
            yield table.problem(
                at,
                code=code,
                column=column,
                message=f"must be stated for the csv file {row.path}",
                remedy=remedy,
            )
    if row.time_zone and not TIME_ZONE.fullmatch(row.time_zone):
        yield table.problem(
            at,
            code="bad-format",
            column="time_zone",
            value=row.time_zone,
            message="is no fixed offset from UTC",
            remedy="write UTC or an offset as +01:00; convert stamps that follow summer time",
        )


def _described(table: ReadTable, at: int, row: ClimateFileRow) -> Iterator[Problem]:
    """EPW and TMY files say these things themselves; a statement that is not used would mislead."""
    for column in CSV_ONLY:
        value: Any = getattr(row, column)
        if value:
            yield table.problem(
                at,
                code="not-used",
                column=column,
                value=value.value if hasattr(value, "value") else value,
                message=f"is not used: a file of format {row.format.value} says it itself",
                remedy="clear the cell, or write format csv",
            )


CLIMATE_CHECKS: tuple[Check, ...] = (files,)
