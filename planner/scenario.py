"""A scenario: settings with their origins, and all tables, read and checked."""

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from planner.errors import InputError, Problem, Severity
from planner.settings import Settings
from planner.settings_file import SETTINGS_FILE, Layers, read_settings
from planner.tables import catalogue as cat
from planner.tables import rows
from planner.tables.checks import check_tables
from planner.tables.files import stray_files
from planner.tables.read import ReadTable, read_table
from planner.tables.registry import TABLES, Place
from planner.units import shipped

BUILT_IN = "built-in"
CATALOGUE_PREFIX = "catalogue/"  # before the names of catalogue files in problems and hashes


@dataclass(frozen=True, slots=True, kw_only=True)
class Tables:
    """Every table of a scenario as checked rows, in file order."""

    sites: Sequence[rows.SiteRow]
    site_months: Sequence[rows.SiteMonthRow]
    horizon: Sequence[rows.HorizonRow]
    loads: Sequence[rows.LoadRow]
    devices: Sequence[rows.DeviceRow]
    schedules: Sequence[rows.ScheduleRow]
    modules: Sequence[cat.ModuleRow]
    batteries: Sequence[cat.BatteryRow]
    controllers: Sequence[cat.ControllerRow]
    switches: Sequence[cat.SwitchRow]
    switch_ports: Sequence[cat.SwitchPortRow]
    converters: Sequence[cat.ConverterRow]
    balance: Sequence[cat.BalanceRow]
    prices: Sequence[rows.PriceRow]
    stock: Sequence[rows.StockRow]
    suppliers: Sequence[rows.SupplierRow]
    fx: Sequence[rows.FxRow]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A scenario ready to plan.

    `origins` maps each dotted setting to where its value came from (`default`, the settings file,
    or `--set`); `input_hashes` maps each file read to its SHA-256.
    """

    folder: Path
    settings: Settings
    origins: dict[str, str]
    tables: Tables
    input_hashes: dict[str, str]
    warnings: Sequence[Problem]


@dataclass(slots=True)
class _Draft:
    """What reading a scenario has gathered so far."""

    settings: Settings | None = None
    layers: Layers = field(default_factory=Layers)
    tables: dict[str, ReadTable] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    hashes: dict[str, str] = field(default_factory=dict)


def read_scenario(folder: Path, *, overrides: Mapping[str, str] | None = None) -> Scenario:
    """Read and check a scenario.

    Parameters
    ----------
    folder : Path
        Holds the settings file and the tables.
    overrides : mapping, optional
        Dotted setting to text, as `{"policy.autonomy_days": "7"}`; they win over the settings file.

    Returns
    -------
    Scenario
        With the warnings met.

    Raises
    ------
    InputError
        With every problem of every table and setting.
    """
    draft = _read(folder, overrides or {})
    if draft.settings is None or any(problem.severity is Severity.ERROR for problem in draft.problems):
        raise InputError(draft.problems)
    return Scenario(
        folder=folder,
        settings=draft.settings,
        origins=draft.layers.origins,
        tables=Tables(**{name: _in_order(table) for name, table in draft.tables.items()}),
        input_hashes=draft.hashes,
        warnings=tuple(draft.problems),
    )


def _in_order(table: ReadTable) -> list[Any]:
    """Rows by their key, blanks first, so that the order in a file decides nothing."""
    names = table.spec.key or table.spec.order

    def key(row: Any) -> tuple[Any, ...]:
        return tuple((value is not None, value) for value in (getattr(row, name) for name in names))

    return sorted(table.rows, key=key)


def check_scenario(folder: Path, *, overrides: Mapping[str, str] | None = None) -> list[Problem]:
    """All problems of a scenario, errors and warnings, in the order of files and lines."""
    return _read(folder, overrides or {}).problems


def _read(folder: Path, overrides: Mapping[str, str]) -> _Draft:
    draft = _Draft()
    if not os.path.isdir(folder):  # unlike Path.is_dir it takes any text for a name
        draft.problems.append(
            Problem(
                code="missing-folder",
                file=str(folder),
                message="is not a folder",
                remedy="name a scenario's folder",
            )
        )
        return draft
    draft.settings, draft.layers = read_settings(folder, overrides)
    draft.problems += draft.layers.problems
    if draft.layers.sha256:
        draft.hashes[SETTINGS_FILE] = draft.layers.sha256
    try:
        _read_tables(folder, draft)
    except OSError as error:  # a folder that may be entered but not listed
        draft.problems.append(
            Problem(
                code="unreadable-folder",
                file=str(error.filename or folder),
                message=f"cannot be read: {error.strerror}",
                remedy="check the folder's permissions",
            )
        )
    draft.problems = _ordered(draft.problems)
    return draft


def _read_tables(folder: Path, draft: _Draft) -> None:
    """Read every table that can be read, whatever is wrong with the others, then check them together."""
    catalogue, problem = _catalogue_folder(folder, draft)
    draft.problems += problem
    for spec in TABLES:
        home, prefix = (folder, "") if spec.place is Place.SCENARIO else (catalogue, CATALOGUE_PREFIX)
        if home is None:
            draft.tables[spec.name] = ReadTable(spec=spec, file="", known=False, present=False)
            continue
        table, problems = read_table(spec, home, prefix)
        draft.tables[spec.name] = table
        draft.problems += problems
        if table.sha256:
            draft.hashes[table.file] = table.sha256
    draft.problems += _stray(folder, catalogue)
    plan_date = draft.settings.plan_date if draft.settings else None
    currency = draft.settings.currency if draft.settings else None
    draft.problems += check_tables(draft.tables, plan_date=plan_date, currency=currency)


def _catalogue_folder(folder: Path, draft: _Draft) -> tuple[Path | None, list[Problem]]:
    """Folder of the catalogue; read from the raw settings, so that it is found beside other faults."""
    if not draft.layers.readable and "catalogue" not in draft.layers.values:
        return None, []  # a settings file that cannot be read may name any folder
    name = draft.settings.catalogue if draft.settings else draft.layers.values.get("catalogue", BUILT_IN)
    if not isinstance(name, str) or not name:
        return None, []  # said by the validation of the settings
    path = shipped("data") / "catalogue" if name == BUILT_IN else folder / name
    if os.path.isdir(path):
        return path, []
    return None, [
        Problem(
            code="missing-folder",
            file=SETTINGS_FILE,
            line=draft.layers.lines.get("catalogue"),
            column="catalogue",
            value=name,
            message="is not a folder",
            remedy=f"write {BUILT_IN!r}, or a path relative to the scenario's folder",
        )
    ]


def _stray(folder: Path, catalogue: Path | None) -> list[Problem]:
    """Warnings for files in either folder that look like tables but are not read."""
    scenario_names = {spec.name for spec in TABLES if spec.place is Place.SCENARIO}
    catalogue_names = {spec.name for spec in TABLES if spec.place is Place.CATALOGUE}
    if catalogue is None or catalogue.resolve() == folder.resolve():
        return stray_files(folder, scenario_names | catalogue_names, set(), "")
    return [
        *stray_files(folder, scenario_names, catalogue_names, ""),
        *stray_files(catalogue, catalogue_names, scenario_names, CATALOGUE_PREFIX),
    ]


def _ordered(problems: Sequence[Problem]) -> list[Problem]:
    """By file (settings first, then the order of the house), line and column; each problem once."""
    place = {spec.name: i for i, spec in enumerate(TABLES)}

    def key(problem: Problem) -> tuple[Any, ...]:
        return (
            place.get(Path(problem.file).stem, -1),
            problem.file,
            problem.line or 0,
            problem.column,
            problem.code,
        )

    return sorted(dict.fromkeys(problems), key=key)
