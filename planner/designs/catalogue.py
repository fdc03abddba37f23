"""The catalogue's power parts as arrays."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.scenario import Tables
from planner.tables.catalogue import BatteryRow, Chemistry, ControllerKind, ControllerRow, ModuleRow

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class CatalogueArrays:
    """Modules (M), batteries (B) and controllers (C) that can be bought; columns as in the row models."""

    modules: tuple[ModuleRow, ...]
    batteries: tuple[BatteryRow, ...]
    controllers: tuple[ControllerRow, ...]

    @property
    def module_sku(self) -> tuple[str, ...]:
        """SKU of each module."""
        return tuple(row.sku for row in self.modules)

    @property
    def battery_sku(self) -> tuple[str, ...]:
        """SKU of each battery."""
        return tuple(row.sku for row in self.batteries)

    @property
    def controller_sku(self) -> tuple[str, ...]:
        """SKU of each controller."""
        return tuple(row.sku for row in self.controllers)

    def module(self, column: str) -> FloatArray:
        """A column of the modules (M,)."""
        return _column(self.modules, column)

    def battery(self, column: str) -> FloatArray:
        """A column of the batteries (B,)."""
        return _column(self.batteries, column)

    def controller(self, column: str) -> FloatArray:
        """A column of the controllers (C,)."""
        return _column(self.controllers, column)

    @property
    def lead_acid(self) -> BoolArray:
        """Which batteries are lead-acid (B,)."""
        return np.array([row.chemistry is not Chemistry.LFP for row in self.batteries], dtype=bool)

    @property
    def mppt(self) -> BoolArray:
        """Which controllers track the maximum power point (C,)."""
        return np.array([row.kind is ControllerKind.MPPT for row in self.controllers], dtype=bool)


def _column(rows: Sequence[ModuleRow] | Sequence[BatteryRow] | Sequence[ControllerRow], name: str) -> FloatArray:
    values = (getattr(row, name) for row in rows)
    return np.array([np.nan if value is None else float(value) for value in values])


def make_catalogue_arrays(tables: Tables, sold: frozenset[str]) -> CatalogueArrays:
    """Power parts among the SKUs that can be bought, in the order of the tables."""
    return CatalogueArrays(
        modules=tuple(row for row in tables.modules if row.sku in sold),
        batteries=tuple(row for row in tables.batteries if row.sku in sold),
        controllers=tuple(row for row in tables.controllers if row.sku in sold),
    )


def block_class_v(nominal_v: float) -> float:
    """Voltage class of a battery block: 12.8 V counts as 12, 25.6 as 24, 51.2 as 48, a 2 V cell as 2."""
    return 12.0 * round(nominal_v / 12.0) if nominal_v >= 9 else nominal_v
