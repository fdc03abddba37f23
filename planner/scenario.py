"""A scenario: settings with their origins, and all tables, read and checked."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from planner.errors import Problem
from planner.settings import Settings
from planner.tables import catalogue as cat
from planner.tables import rows


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
