"""The catalogue's power parts as arrays."""

from collections.abc import Sequence, Set
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from planner.scenario import Tables
from planner.tables.catalogue import (
    BatteryRow,
    Chemistry,
    CommonTerminal,
    ControllerKind,
    ControllerRow,
    ModuleRow,
)

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
SMALLEST_PACK_V = 9.0  # below it a block is one or a few cells, not a 12 V battery
Parts = Sequence[ModuleRow] | Sequence[BatteryRow] | Sequence[ControllerRow]


@dataclass(frozen=True, slots=True, kw_only=True)
class CatalogueArrays:
    """Modules (M), batteries (B) and controllers (C) that designs may have; columns as in the row models.

    `module("nameplate_w")` is a read-only array over the modules, NaN where a row is blank; likewise
    `battery` and `controller`.
    """

    modules: tuple[ModuleRow, ...]
    batteries: tuple[BatteryRow, ...]
    controllers: tuple[ControllerRow, ...]
    lead_acid: BoolArray = field(init=False, repr=False, compare=False)
    mppt: BoolArray = field(init=False, repr=False, compare=False)
    block_v: FloatArray = field(init=False, repr=False, compare=False)  # voltage classes of batteries
    gammas: tuple[FloatArray, IntArray] = field(init=False, repr=False, compare=False)  # and modules' places
    common_negative: BoolArray = field(init=False, repr=False, compare=False)
    common_positive: BoolArray = field(init=False, repr=False, compare=False)
    _columns: dict[tuple[str, str], FloatArray] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        # Computed once: every site asks for every column.
        columns = _columns("module", ModuleRow, self.modules)
        columns |= _columns("battery", BatteryRow, self.batteries)
        columns |= _columns("controller", ControllerRow, self.controllers)
        lead_acid = np.array([row.chemistry is not Chemistry.LFP for row in self.batteries], dtype=bool)
        mppt = np.array([row.kind is ControllerKind.MPPT for row in self.controllers], dtype=bool)
        common = [row.common_terminal for row in self.controllers]
        for name, pole in (
            ("common_negative", CommonTerminal.NEGATIVE),
            ("common_positive", CommonTerminal.POSITIVE),
        ):
            object.__setattr__(self, name, np.array([one is pole for one in common], dtype=bool))
        object.__setattr__(self, "_columns", columns)
        object.__setattr__(self, "lead_acid", lead_acid)
        classes = np.array([block_class_v(row) for row in self.batteries], dtype=float)
        object.__setattr__(self, "block_v", classes)
        gammas = np.unique(columns["module", "gamma_pmp_per_k"], return_inverse=True)
        object.__setattr__(self, "gammas", gammas)
        object.__setattr__(self, "mppt", mppt)

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
        return self._columns["module", column]

    def battery(self, column: str) -> FloatArray:
        """A column of the batteries (B,)."""
        return self._columns["battery", column]

    def controller(self, column: str) -> FloatArray:
        """A column of the controllers (C,)."""
        return self._columns["controller", column]


@dataclass(frozen=True, slots=True, kw_only=True)
class Selection:
    """Some of a catalogue's parts, and the place of each in the whole."""

    catalogue: CatalogueArrays
    module: IntArray
    battery: IntArray
    controller: IntArray


def select(whole: CatalogueArrays, wanted: Set[str]) -> Selection:
    """The parts whose SKU is wanted; the catalogue itself where that is all of them."""

    def places(skus: Sequence[str]) -> IntArray:
        return np.array([i for i, sku in enumerate(skus) if sku in wanted], dtype=np.int64)

    module, battery = places(whole.module_sku), places(whole.battery_sku)
    controller = places(whole.controller_sku)
    catalogue = whole
    if not wanted >= {*whole.module_sku, *whole.battery_sku, *whole.controller_sku}:
        catalogue = CatalogueArrays(
            modules=tuple(whole.modules[i] for i in module),
            batteries=tuple(whole.batteries[i] for i in battery),
            controllers=tuple(whole.controllers[i] for i in controller),
        )
    return Selection(catalogue=catalogue, module=module, battery=battery, controller=controller)


def _columns(
    kind: str, model: type[ModuleRow] | type[BatteryRow] | type[ControllerRow], rows: Parts
) -> dict[tuple[str, str], FloatArray]:
    """Every column of a row model that is no text, by kind and name."""
    columns = {}
    for name, info in model.model_fields.items():
        if isinstance(info.annotation, type) and issubclass(info.annotation, str):
            continue
        values = [getattr(row, name) for row in rows]
        column = np.array([np.nan if value is None else float(value) for value in values])
        column.flags.writeable = False
        columns[kind, name] = column
    return columns


def make_catalogue_arrays(tables: Tables, sold: frozenset[str]) -> CatalogueArrays:
    """Power parts among the SKUs that are for sale or stand at a site, in the order of the tables."""
    return CatalogueArrays(
        modules=tuple(row for row in tables.modules if row.sku in sold),
        batteries=tuple(row for row in tables.batteries if row.sku in sold),
        controllers=tuple(row for row in tables.controllers if row.sku in sold),
    )


def block_class_v(row: BatteryRow) -> float:
    """Voltage class of a battery block: 12.8 V counts as 12, 25.6 as 24, 51.2 as 48; cells by chemistry.

    Four lithium iron phosphate cells, or six of lead, make 12 V.
    """
    if row.nominal_v >= SMALLEST_PACK_V:
        return 12.0 * round(row.nominal_v / 12.0)
    return row.cells * (3.0 if row.chemistry is Chemistry.LFP else 2.0)
