"""A scenario: settings with their origins, and all tables, read and checked."""

import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from planner.errors import InputError, Problem, Severity
from planner.layers import SETTINGS_FILE
from planner.settings import Settings
from planner.settings_file import OVERRIDE, Layers, read_settings
from planner.tables import catalogue as cat
from planner.tables import rows, trade_rows
from planner.tables.checks import Asked, check_tables
from planner.tables.existing import ExistingRow, TodayRow
from planner.tables.explain import shown
from planner.tables.files import Shelf, two_places
from planner.tables.price_columns import PriceColumnRow
from planner.tables.price_lists import PriceLists
from planner.tables.price_overlay import lay_over
from planner.tables.read import ReadTable, read_table
from planner.tables.registry import BY_NAME, TABLES, Place, TableSpec
from planner.tables.rerun_rows import PriceChangeRow
from planner.units import shipped

BUILT_IN = "built-in"
CATALOGUE_PREFIX = "catalogue/"  # before the names of catalogue files in problems and hashes


@dataclass(frozen=True, slots=True, kw_only=True)
class Tables:
    """Every table of a scenario as checked rows, in file order."""

    sites: Sequence[rows.SiteRow]
    site_months: Sequence[rows.SiteMonthRow]
    site_climate_months: Sequence[rows.SiteClimateMonthRow] = ()
    climate_files: Sequence[rows.ClimateFileRow] = ()
    price_columns: Sequence[PriceColumnRow] = ()
    horizon: Sequence[rows.HorizonRow]
    existing: Sequence[ExistingRow] = ()
    supply_today: Sequence[TodayRow] = ()
    loads: Sequence[rows.LoadRow]
    devices: Sequence[rows.DeviceRow]
    schedules: Sequence[rows.ScheduleRow]
    sku_rules: Sequence[trade_rows.SkuRuleRow] = ()
    category_rules: Sequence[trade_rows.CategoryRuleRow] = ()
    phases: Sequence[trade_rows.PhaseRow] = ()
    modules: Sequence[cat.ModuleRow]
    batteries: Sequence[cat.BatteryRow]
    controllers: Sequence[cat.ControllerRow]
    switches: Sequence[cat.SwitchRow]
    switch_ports: Sequence[cat.SwitchPortRow]
    converters: Sequence[cat.ConverterRow]
    balance: Sequence[cat.BalanceRow]
    prices: Sequence[trade_rows.PriceRow]
    stock: Sequence[trade_rows.StockRow]
    suppliers: Sequence[trade_rows.SupplierRow]
    fx: Sequence[trade_rows.FxRow]


@dataclass(frozen=True, slots=True, kw_only=True)
class Home:
    """Where a table stands: its folder, its place as problems name it, and what stands before names there."""

    folder: Path
    place: str
    prefix: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A scenario ready to plan.

    `origins` maps each dotted setting to where its value came from (`default`, the settings file,
    or `--set`); `input_hashes` maps each file read to its SHA-256. `climate_home` is where `climate_files`
    stands, from where its paths count; None without that table. `price_changes` is what price lists changed.
    """

    folder: Path
    settings: Settings
    origins: dict[str, str]
    tables: Tables
    input_hashes: dict[str, str]
    warnings: Sequence[Problem]
    climate_home: Home | None = None
    price_changes: Sequence[PriceChangeRow] = ()


@dataclass(slots=True)
class _Draft:
    """What reading a scenario has gathered so far."""

    settings: Settings | None = None
    layers: Layers = field(default_factory=Layers)
    tables: dict[str, ReadTable] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    hashes: dict[str, str] = field(default_factory=dict)
    climate_home: Home | None = None
    price_changes: Sequence[PriceChangeRow] = ()


def read_scenario(
    folder: Path, *, overrides: Mapping[str, str] | None = None, price_lists: PriceLists | None = None
) -> Scenario:
    """Read and check a scenario.

    Parameters
    ----------
    folder : Path
        Holds the settings file and the tables.
    overrides : mapping, optional
        Dotted setting to text, as `{"policy.autonomy_days": "7"}`; they win over the settings file.
    price_lists : PriceLists, optional
        Laid over the prices of the catalogue.

    Returns
    -------
    Scenario
        With the warnings met.

    Raises
    ------
    InputError
        With every problem of every table and setting.
    """
    draft = _read(folder, overrides or {}, price_lists)
    if draft.settings is None or any(problem.severity is Severity.ERROR for problem in draft.problems):
        raise InputError(draft.problems)
    return Scenario(
        folder=folder,
        settings=draft.settings,
        origins=draft.layers.origins,
        tables=Tables(**{name: _in_order(table) for name, table in draft.tables.items()}),
        input_hashes=draft.hashes,
        warnings=tuple(draft.problems),
        climate_home=draft.climate_home,
        price_changes=draft.price_changes,
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


def _read(folder: Path, overrides: Mapping[str, str], price_lists: PriceLists | None = None) -> _Draft:
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
    draft.hashes |= {layer.file: layer.sha256 for layer in draft.layers.chain if layer.sha256}
    try:
        _read_tables(folder, draft)
        _check_tables(draft, price_lists)
    except OSError as error:  # a folder that may be entered but not listed
        draft.problems.append(
            Problem(
                code="unreadable-folder",
                file=str(error.filename or folder),
                message=f"cannot be read: {error.strerror}",
                remedy="check the folder's permissions",
            )
        )
    letters = {table.file: table.letters for table in draft.tables.values() if table.letters}
    draft.problems = _ordered([_with_cell(problem, letters) for problem in draft.problems])
    return draft


@dataclass(slots=True, kw_only=True)
class _Shelves:
    """Folders in which tables are looked for: the layers', the scenario's first, and the catalogue.

    `stated` is the layer that names the catalogue. A table of a layer replaces the base's whole. A
    folder that extends another may hold tables of the catalogue too, which replace those of the
    catalogue that it, or a scenario it extends, names.
    """

    layers: list[Shelf]
    catalogue: Shelf | None
    stated: int

    def of(self, spec: TableSpec) -> list[Shelf]:
        """Folders that may hold a table, the first to be asked first."""
        if spec.place is Place.SCENARIO:
            return self.layers
        if self.catalogue is None:
            return []
        return [*self.changing(), self.catalogue]

    def changing(self) -> list[Shelf]:
        """Layers whose own folder may hold tables of the catalogue."""
        home = self.catalogue.folder.resolve() if self.catalogue else None
        extending = self.layers[: min(self.stated + 1, len(self.layers) - 1)]
        return [shelf for shelf in extending if shelf.folder.resolve() != home]

    def table(self, spec: TableSpec) -> tuple[ReadTable, list[Problem]]:
        """A table from the first folder that holds it."""
        shelves = self.of(spec)
        if not shelves:
            return ReadTable(spec=spec, file="", known=False, present=False), []
        holding = [shelf for shelf in shelves if shelf.places(spec.name) or shelf.unsure()]
        table, problems = read_table(spec, (holding or shelves[-1:])[0])
        if spec.place is Place.CATALOGUE and len(holding) > 1 and self._one_layer(*holding[:2]):
            places = [place for shelf in holding[:2] for place in shelf.places(spec.name)]
            problems = [*problems, *([two_places(places)] if len(places) > 1 else [])]
        return table, problems

    def home(self, spec: TableSpec) -> Home | None:
        """Where a table is read from; None where it stands nowhere."""
        for shelf in self.of(spec):
            if places := shelf.places(spec.name):
                return Home(folder=shelf.folder, place=places[0], prefix=shelf.prefix)
        return None

    def _one_layer(self, first: Shelf, second: Shelf) -> bool:
        """Whether a layer's folder and the catalogue that the same layer names both hold a table."""
        at = self.layers.index(first) if first in self.layers else -1
        return at == self.stated and second is self.catalogue


def _read_tables(folder: Path, draft: _Draft) -> None:
    """Read every table that can be read, whatever is wrong with the others."""
    shelves, problems = _shelves(folder, draft)
    draft.problems += problems
    for spec in TABLES:
        table, problems = shelves.table(spec)
        draft.tables[spec.name] = table
        draft.problems += problems
        draft.hashes |= table.hashes
    draft.climate_home = shelves.home(BY_NAME["climate_files"])
    every = [*shelves.layers, *([shelves.catalogue] if shelves.catalogue else [])]
    draft.problems += [problem for shelf in every for problem in shelf.problems]
    draft.problems += _stray(shelves)


def _check_tables(draft: _Draft, price_lists: PriceLists | None) -> None:
    """Check the tables together, with the price lists laid over them where the settings can be read."""
    settings, asked = draft.settings, _asked(draft)
    if settings is None or price_lists is None:
        plan_date = settings.plan_date if settings else None
        currency = settings.currency if settings else None
        draft.problems += check_tables(draft.tables, plan_date=plan_date, currency=currency, asked=asked)
        return
    over = lay_over(
        draft.tables,
        price_lists,
        plan_date=settings.plan_date,
        currency=settings.currency,
        asked=asked,
    )
    draft.tables = dict(over.tables)
    draft.problems += over.problems
    draft.hashes |= over.hashes
    draft.price_changes = over.changes


def _asked(draft: _Draft) -> Asked | None:
    """What the settings ask of sites, with the place of each."""
    if draft.settings is None:
        return None
    origins, lines = draft.layers.origins, draft.layers.lines
    places = {name: (origin, lines.get(name)) for name, origin in origins.items()}
    return Asked(settings=draft.settings, places=places)


def _shelves(folder: Path, draft: _Draft) -> tuple[_Shelves, list[Problem]]:
    layers = draft.layers
    shelves = [Shelf(folder=layer.folder, prefix=layer.prefix) for layer in layers.chain]
    origin = layers.origins.get("catalogue", "")
    files = [layer.file for layer in layers.chain]
    if origin == OVERRIDE:
        stated, home = -1, folder  # a layer above all others: none of them changes its catalogue
    else:
        stated = files.index(origin) if origin in files else len(files) - 1
        home = layers.chain[stated].folder
    catalogue, problems = _catalogue_folder(home, draft)
    if catalogue is None:
        return _Shelves(layers=shelves, catalogue=None, stated=stated), problems
    # A catalogue in a layer's own folder is that folder, with one set of names and one workbook.
    same = next((shelf for shelf in shelves if shelf.folder.resolve() == catalogue.resolve()), None)
    shelf = same or Shelf(folder=catalogue, prefix=CATALOGUE_PREFIX)
    return _Shelves(layers=shelves, catalogue=shelf, stated=stated), problems


def _catalogue_folder(home: Path, draft: _Draft) -> tuple[Path | None, list[Problem]]:
    """Folder of the catalogue; read from the raw settings, so that it is found beside other faults."""
    if not draft.layers.readable and "catalogue" not in draft.layers.values:
        return None, []  # a settings file that cannot be read may name any folder
    name = draft.settings.catalogue if draft.settings else draft.layers.values.get("catalogue", BUILT_IN)
    if not isinstance(name, str) or not name:
        return None, []  # said by the validation of the settings
    path = shipped("data") / "catalogue" if name == BUILT_IN else home / name
    if os.path.isdir(path):
        return path, []
    return None, [
        Problem(
            code="missing-folder",
            file=draft.layers.origins.get("catalogue", SETTINGS_FILE),
            line=draft.layers.lines.get("catalogue"),
            column="catalogue",
            value=shown(name),
            message="is not a folder",
            remedy=f"write {BUILT_IN!r}, or a path relative to the scenario's folder",
        )
    ]


def _stray(shelves: _Shelves) -> list[Problem]:
    """Warnings for files in any of the folders that look like tables but are not read."""
    scenario = {spec.name for spec in TABLES if spec.place is Place.SCENARIO}
    catalogue = {spec.name for spec in TABLES if spec.place is Place.CATALOGUE}
    both = [*shelves.changing(), *([shelves.catalogue] if shelves.catalogue in shelves.layers else [])]
    problems = []
    for shelf in shelves.layers:
        if any(shelf is other for other in both):
            problems += shelf.stray(scenario | catalogue, set())
        else:
            problems += shelf.stray(scenario, catalogue)
    if shelves.catalogue and not any(shelves.catalogue is shelf for shelf in shelves.layers):
        problems += shelves.catalogue.stray(catalogue, scenario)
    return problems


def _with_cell(problem: Problem, letters: Mapping[str, Mapping[str, str]]) -> Problem:
    """The problem with the sheet's cell, as B7, where it stands in a workbook."""
    letter = letters.get(problem.file, {}).get(problem.column)
    if letter is None or problem.line is None:
        return problem
    return replace(problem, message=f"{problem.message} (cell {letter}{problem.line})")


def _ordered(problems: Sequence[Problem]) -> list[Problem]:
    """By file (settings first, then the order of the house), line and column; each problem once."""
    place = {spec.name: i for i, spec in enumerate(TABLES)}

    def key(problem: Problem) -> tuple[Any, ...]:
        sheet = re.search(r"\[(.*)\]$", problem.file)
        return (
            place.get(sheet[1].casefold() if sheet else Path(problem.file).stem, -1),
            problem.file,
            problem.line or 0,
            problem.column,
            problem.code,
        )

    return sorted(dict.fromkeys(problems), key=key)
