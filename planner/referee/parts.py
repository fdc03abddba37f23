"""What the rules look things up in: rows by key, sockets of a switch, poles that a box ties to earth."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf
from typing import TypeVar

from planner.referee.power import served_class
from planner.scenario import Scenario
from planner.tables.catalogue import (
    BalanceRow,
    BatteryRow,
    ControllerRow,
    ConverterRow,
    ModuleRow,
    Part,
    PortKind,
    SwitchPortRow,
    SwitchRow,
)
from planner.tables.existing import ExistingRow
from planner.tables.registry import SKU_TABLES
from planner.tables.rows import BusGrounding, DeviceRow, LoadRow, ScheduleRow, SiteRow

PartRow = TypeVar("PartRow", ModuleRow, BatteryRow, ControllerRow, SwitchRow, ConverterRow, BalanceRow)

#: Poles of the bus that boxes tie to earth, by name; both together are a short.
Poles = frozenset[str]
NO_POLES: Poles = frozenset()
SHORT: Poles = frozenset({BusGrounding.NEGATIVE.value, BusGrounding.POSITIVE.value})


class FaultError(Exception):
    """A row of the plan that names what is not there, so that the rules of its site cannot be weighed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Socket:
    """A port of a switch as the installer finds it."""

    name: str
    kind: PortKind
    poe_class: int
    passive_v: float | None
    max_w: float

    @property
    def copper(self) -> bool:
        """Whether data of any device can be plugged in."""
        return self.kind in (PortKind.DATA, PortKind.POE)


class Parts:
    """Rows of a scenario by their key."""

    def __init__(self, scenario: Scenario) -> None:
        tables = scenario.tables
        self.by_sku: dict[str, Part] = {}
        self.category: dict[str, str] = {}
        for name in SKU_TABLES:
            for row in getattr(tables, name):
                self.by_sku[row.sku], self.category[row.sku] = row, name
        self.batteries = tables.batteries
        self.sites: Mapping[str, SiteRow] = {row.site_id: row for row in tables.sites}
        self.devices: Mapping[str, DeviceRow] = {row.device: row for row in tables.devices}
        self.schedules: Mapping[str, ScheduleRow] = {row.schedule: row for row in tables.schedules}
        self.loads: dict[str, list[LoadRow]] = {}
        for load in tables.loads:
            self.loads.setdefault(load.load_profile, []).append(load)
        self.existing: dict[str, dict[str, ExistingRow]] = {}
        for there in tables.existing:
            self.existing.setdefault(there.site_id, {})[there.sku] = there
        self.horizon: dict[str, list[tuple[float, float]]] = {}
        for point in tables.horizon:
            self.horizon.setdefault(point.site_id, []).append((point.azimuth_deg, point.elevation_deg))
        groups: dict[str, list[SwitchPortRow]] = {}
        for group in tables.switch_ports:
            groups.setdefault(group.sku, []).append(group)
        self.sockets = {sku: _sockets(rows) for sku, rows in groups.items()}

    def part(self, sku: str, kind: type[PartRow]) -> PartRow:
        """The part of a SKU in the table of a kind.

        Raises
        ------
        FaultError
            There is none.
        """
        row = self.by_sku.get(sku)
        if not isinstance(row, kind):
            raise FaultError(
                f"{sku!r} is not in the catalogue's {kind.__name__.removesuffix('Row').lower()} table"
            )
        return row

    def device(self, name: str) -> DeviceRow:
        """The row of a device.

        Raises
        ------
        FaultError
            There is none.
        """
        if name not in self.devices:
            raise FaultError(f"device {name!r} is not in `devices`")
        return self.devices[name]

    def socket(self, sku: str, name: str) -> Socket:
        """The port of a switch.

        Raises
        ------
        FaultError
            The switch has no such port.
        """
        found = self.sockets.get(sku, {}).get(name)
        if found is None:
            raise FaultError(f"switch {sku!r} has no port {name!r}")
        return found


def _sockets(groups: Sequence[SwitchPortRow]) -> dict[str, Socket]:
    """Ports by name, numbered as the groups stand in the table."""
    found: dict[str, Socket] = {}
    for group in groups:
        for _ in range(group.quantity):
            poe_class = served_class(group.poe_class) if group.port_kind is PortKind.POE else -1
            kind = {
                PortKind.POE: f"poe class {poe_class}",
                PortKind.PASSIVE_POE: f"passive {group.passive_v or 0.0:g} V",
            }.get(group.port_kind, group.port_kind.value)
            name = f"{kind} #{len(found) + 1}"
            found[name] = Socket(
                name=name,
                kind=group.port_kind,
                poe_class=poe_class,
                passive_v=group.passive_v,
                max_w=inf if group.port_max_w is None else group.port_max_w,
            )
    return found


def tied(ground: BusGrounding | None) -> Poles:
    """The pole that a case is tied to, if any."""
    return NO_POLES if ground is None or ground is BusGrounding.FLOATING else frozenset({ground.value})


def box_poles(row: SwitchRow | ConverterRow) -> Poles:
    """What a box by itself ties to earth at its input."""
    return NO_POLES if row.isolated else tied(row.case_ground)


def through(poles: Poles, *, isolated: bool) -> Poles:
    """What stands behind a box ties to earth at the box's input: the negative pole runs through without
    isolation, an earthed positive output shorts whatever the bus has earthed.
    """
    if len(poles) > 1:
        return SHORT
    if isolated or not poles:
        return NO_POLES
    return SHORT if BusGrounding.POSITIVE.value in poles else poles
