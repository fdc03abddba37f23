"""A starter scenario: every setting with its default and meaning, every table with an example.

Settings and headers come from the models, so that they say what the planner reads. The example
rows are invented; the place is real.
"""

import datetime
import json
import os
import shutil
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from planner.errors import OutputError
from planner.layers import SETTINGS_FILE
from planner.settings import Settings
from planner.settings_file import setting_columns
from planner.tables.columns import Column, table_columns
from planner.tables.files import WORKBOOK, Shelf
from planner.tables.read import read_table
from planner.tables.registry import BY_NAME, TABLES, Place
from planner.tables.write import write_csv
from planner.units import shipped

WIDTH = 110  # of a comment's line

#: Rows of each table; a column that is not named is blank, which stands for its default.
EXAMPLES: Mapping[str, Sequence[Mapping[str, Any]]] = {
    "sites": [
        {
            "site_id": "pass-01",
            "name": "Example: gauge at the Grimsel pass",
            "latitude_deg": 46.561,
            "longitude_deg": 8.338,
            "elevation_m": 2164,
            "load_profile": "gauge",
            "region": "example",
            "priority": 1,
        }
    ],
    "site_months": [{"site_id": "pass-01", "month": 1, "snow_loss": 0.1, "albedo": 0.6}],
    "site_climate_months": [
        {"site_id": "pass-01", "quantity": "temp_air", "unit": "C"}
        | {f"m{m + 1:02d}": t for m, t in enumerate((-8, -8, -6, -3, 2, 5, 8, 8, 5, 2, -4, -7))}
    ],
    "climate_files": [],  # a row would need its file; `planner climate fetch` adds both
    "horizon": [
        {"site_id": "pass-01", "azimuth_deg": azimuth, "elevation_deg": height}
        for azimuth, height in ((0, 8), (90, 4), (180, 3), (270, 6))
    ],
    "price_columns": [
        {"mapping": "example", "column": "sku", "header": "Article"},
        {"mapping": "example", "column": "unit_price", "header": "Net price"},
        {"mapping": "example", "column": "supplier", "value": "tolvgard"},
        {"mapping": "example", "column": "currency", "value": "NOK"},
    ],
    "existing": [{"site_id": "pass-01", "sku": "TDV-50/36 M", "quantity": 1, "keep": "may"}],
    "supply_today": [
        {"site_id": "pass-01", "box": "inverter", "kind": "inverter", "own_w": 6, "efficiency": 0.88},
        {"site_id": "pass-01", "box": "brick", "kind": "adapter", "behind": "inverter", "efficiency": 0.85},
        {"site_id": "pass-01", "box": "camera", "kind": "device", "behind": "brick", "own_w": 4},
        {"site_id": "pass-01", "box": "logger", "kind": "device", "own_w": 0.5},
    ],
    "loads": [
        {"load_profile": "gauge", "device": "logger", "quantity": 1, "cable_m": 5},
        {"load_profile": "gauge", "device": "camera", "quantity": 1, "cable_m": 20},
    ],
    "devices": [
        {
            "device": "logger",
            "description": "Example: data logger",
            "supply": "dc",
            "input_min_v": 9,
            "input_max_v": 36,
            "average_w": 0.5,
            "max_w": 3,
            "data_ports": 1,
            "schedule": "always",
        },
        {
            "device": "camera",
            "description": "Example: still camera",
            "supply": "poe",
            "poe_class": 3,
            "average_w": 3,
            "max_w": 6,
            "data_ports": 1,
            "schedule": "work-hours",
        },
    ],
    "sku_rules": [],  # a row would change what may be bought
    "category_rules": [{"category": "switches", "onboarding_cost": 150, "spares_share": 0.02}],
    "phases": [],  # a row would be the money that there is
    "schedules": [
        {"schedule": "work-hours"} | {f"h{hour:02d}": int(7 <= hour < 18) for hour in range(24)},
    ],
}


def write_starter(folder: Path, *, workbook: bool = False, catalogue: bool = False) -> list[Path]:
    """Write a starter scenario that can be checked and planned as it stands.

    Parameters
    ----------
    folder : Path
        A folder that is empty or not there yet.
    workbook : bool
        Write the tables as sheets of one workbook instead of a CSV file each.
    catalogue : bool
        Copy the bundled catalogue into the folder, to be edited.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    OutputError
        The folder holds something, or cannot be written to.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if os.listdir(folder):
            raise OutputError(f"{folder} is not empty; name a new folder")
        files = [folder / SETTINGS_FILE]
        files[0].write_text(settings_text(catalogue="catalogue" if catalogue else "built-in"), "utf-8")
        files += [_write_workbook(folder / WORKBOOK)] if workbook else _write_tables(folder)
        if catalogue:
            files += _copy_catalogue(folder / "catalogue")
    except (OSError, ValueError) as error:  # ValueError: a name that no file system takes
        reason = getattr(error, "strerror", None) or error
        raise OutputError(f"{folder} cannot be written: {reason}; name another folder") from error
    return files


def example(table: str) -> dict[str, list[Any]]:
    """Every column of a table with the cells of its example rows; None is blank."""
    return {c.column: [row.get(c.column) for row in EXAMPLES[table]] for c in table_columns(table)}


def _write_tables(folder: Path) -> list[Path]:
    return [write_csv(folder / f"{table}.csv", example(table)) for table in EXAMPLES]


def _copy_catalogue(folder: Path) -> list[Path]:
    folder.mkdir()
    names = [f"{spec.name}.csv" for spec in TABLES if spec.place is Place.CATALOGUE]
    return [Path(shutil.copyfile(shipped("data") / "catalogue" / name, folder / name)) for name in names]


def _write_workbook(path: Path) -> Path:
    """One sheet a table; text columns are formatted as text, so that 0012 keeps its zeros."""
    import xlsxwriter

    with xlsxwriter.Workbook(str(path), {"strings_to_formulas": False, "strings_to_urls": False}) as book:
        book.set_properties({"created": datetime.datetime(2000, 1, 1)})  # the same bytes on any day
        text, bold = book.add_format({"num_format": "@"}), book.add_format({"bold": True})
        for table in EXAMPLES:
            sheet = book.add_worksheet(table)
            sheet.freeze_panes(1, 0)
            for i, column in enumerate(table_columns(table)):
                sheet.set_column(i, i, max(10, len(column.column) + 2), text if _textual(column) else None)
                sheet.write_string(0, i, column.column, bold)
                sheet.write_comment(0, i, _meaning(column))
            for i, cells in enumerate(example(table).values()):
                for row, cell in enumerate(cells, start=1):
                    if cell is not None:
                        sheet.write(row, i, cell)
    return path


def _textual(column: Column) -> bool:
    return column.type in ("text", "choice")


def _meaning(column: Column) -> str:
    """Meaning, range and default of a column or setting in one line."""
    return "; ".join(part for part in (column.meaning, column.range or column.type, _need(column)) if part)


def _need(column: Column) -> str:
    return "required" if column.required else f"default {column.default}" if column.default else ""


def settings_text(*, catalogue: str = "built-in") -> str:
    """A settings file that names every setting: those to edit first stand, the rest are comments."""
    stated = {
        "name": "My fleet",
        "currency": Settings.model_fields["currency"].default,
        "plan_date": _plan_date(),
        "catalogue": catalogue,
    }
    lines = [
        "# Settings of the scenario. A line that begins with # is a comment; the values in comments are the",
        "# defaults. Remove the # to change one. `planner columns settings` lists types and ranges.",
    ]
    group = ""
    for column, default in _settings():
        *groups, name = column.column.split(".")
        if ".".join(groups) != group:
            group = ".".join(groups)
            lines += ["", f"[{group}]"]
        lines += ["", *_comment(column)]
        if column.column in stated:
            lines.append(f"{name} = {toml(stated[column.column])}")
        else:
            lines.append(f"# {name} = {'' if default is None else toml(default)}".rstrip())
    return "\n".join(lines) + "\n"


def _comment(column: Column) -> list[str]:
    extra = f" [{column.range or column.type}]"
    return textwrap.wrap(column.meaning + extra, WIDTH, initial_indent="# ", subsequent_indent="# ")


def _settings() -> Iterator[tuple[Column, Any]]:
    """Settings with their defaults, those of no group first."""
    for column in sorted(setting_columns(), key=lambda column: "." in column.column):  # stable otherwise
        yield column, _default(column.column)


def _default(dotted: str) -> Any:
    model: Any = Settings
    *groups, name = dotted.split(".")
    for group in groups:
        model = model.model_fields[group].annotation
    assert issubclass(model, BaseModel)
    field = model.model_fields[name]
    return None if field.is_required() else field.get_default(call_default_factory=True, validated_data={})


def toml(value: Any) -> str:
    """A value as a TOML literal."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple | list):
        return "[" + ", ".join(toml(item) for item in value) + "]"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    return value.isoformat() if isinstance(value, datetime.date) else str(value)


def _plan_date() -> datetime.date:
    """The day of the bundled catalogue's newest exchange rate: its prices are valid then."""
    table, _ = read_table(BY_NAME["fx"], Shelf(folder=shipped("data") / "catalogue"))
    newest: datetime.date = max(row.date for row in table.rows)
    return newest
