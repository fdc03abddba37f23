"""The ports of switches, and how they serve a group of devices: class, budget, passive feed, window."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

from planner.demand.adapters import adapted
from planner.demand.channel import (
    CLASS_CLOSURE_W,
    CLASSES,
    class_source_w,
    effective_class,
    floor_v,
    passive_loop_ohm,
    source_w,
)
from planner.demand.devices import Group
from planner.demand.grounding import NONE, Poles, through, tied
from planner.scenario import Tables
from planner.settings import Settings
from planner.tables.catalogue import ConverterRow, PortKind, PseKind, SwitchRow
from planner.tables.rows import Allocation, DeviceRow, Supply

PASSIVE_LOW, PASSIVE_HIGH = 0.90, 1.20  # of nominal, at a pass-through port (common practice, no source)
EPS_W = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Port:
    """A port of a switch, numbered in the order of `switch_ports`."""

    kind: PortKind
    number: int
    poe_class: int  # as served; -1 for none
    passive_v: float | None
    max_w: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Switch:
    """A switch with its ports. Copper for data is a data port or an idle PoE port.

    A passive port always carries its voltage, so no other device is put on it.
    """

    row: SwitchRow
    ports: tuple[Port, ...]
    copper: int
    sfp: int
    budget_w: float  # PoE power to hand out; the row's, or less where that holds over a wider range


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """A group of devices on a switch: how many ports serve it, and what one device takes there (W).

    `own_w` stands around the clock (an adapter's idle draw), `average_w` comes on top while the device is on.
    """

    ports: int
    allocated_w: float
    average_w: float
    most_w: float
    own_w: float = 0.0


def make_switches(tables: Tables, sold: frozenset[str] | None) -> list[Switch]:
    """Switches that can be bought, in file order, with their ports."""
    switches = []
    for row in tables.switches:
        if sold is not None and row.sku not in sold:
            continue
        ports: list[Port] = []
        for group in tables.switch_ports:
            for _ in range(group.quantity if group.sku == row.sku else 0):
                ports.append(
                    Port(
                        kind=group.port_kind,
                        number=len(ports) + 1,
                        poe_class=effective_class(group.poe_class) if group.port_kind is PortKind.POE else -1,
                        passive_v=group.passive_v,
                        max_w=inf if group.port_max_w is None else group.port_max_w,
                    )
                )
        copper = sum(port.kind in (PortKind.DATA, PortKind.POE) for port in ports)
        sfp = sum(port.kind is PortKind.SFP for port in ports)
        switches.append(
            Switch(row=row, ports=tuple(ports), copper=copper, sfp=sfp, budget_w=row.poe_budget_w)
        )
    return switches


def passive_window(row: DeviceRow, cable_m: float) -> tuple[float, float]:
    """Voltage a pass-through port must keep for a passive device at the end of its cable, V.

    The device's own window, raised at the bottom by the cable's drop at greatest power; never under
    `PASSIVE_LOW` of nominal, nor, where the device states no window, over `PASSIVE_HIGH`.
    """
    nominal, loop = row.passive_v or 0.0, passive_loop_ohm(cable_m)
    low = max(PASSIVE_LOW * nominal, floor_v(row.max_w, row.input_min_v or 0.0, loop))
    return low, row.input_max_v or PASSIVE_HIGH * nominal


def port_window(row: DeviceRow, cable_m: float, poe_class: int) -> tuple[float, float]:
    """Voltage a pass-through port must keep: that of its 802.3 type; of class -1, the device's own."""
    if poe_class < 0:
        return passive_window(row, cable_m)
    poe = CLASSES[poe_class]
    return poe.pse_min_v, poe.pse_max_v


def hung_poles(switch: SwitchRow, row: DeviceRow) -> Poles:
    """What a passive device ties to earth through its port; 802.3 devices are apart from theirs by standard.

    Through a pass-through port both poles of the bus reach the device; a boosted one is another output.
    """
    if row.supply is not Supply.PASSIVE_POE or switch.isolated:
        return NONE
    poles = tied(row.case_ground)
    return poles if switch.pse_kind is PseKind.PASSTHROUGH else through(poles, isolated=False)


def fit(group: Group, switch: Switch, settings: Settings) -> Fit:
    """How a switch serves a group of devices."""
    if group.adapter is not None:
        return _fit_adapted(group, switch, settings)
    if group.row.supply is Supply.POE:
        return _fit_poe(group, switch, settings)
    return _fit_passive(group, switch)


def _fit_poe(group: Group, switch: Switch, settings: Settings) -> Fit:
    row, wanted, loop = group.row, group.poe_class, settings.demand.poe_loop_ohm_per_100m
    most = class_source_w(row.max_w, wanted, group.cable_m, loop)
    measured = row.power_allocation is Allocation.MEASURED and switch.row.measured_allocation
    return Fit(
        ports=sum(port.poe_class >= wanted for port in switch.ports),
        allocated_w=most if measured else CLASSES[wanted].pse_w,
        average_w=class_source_w(row.average_w, wanted, group.cable_m, loop),
        most_w=most,
    )


def _fit_adapted(group: Group, switch: Switch, settings: Settings) -> Fit:
    """An adapter is budgeted by the class it asks for."""
    port = None if group.adapter is None else adapted(group, group.adapter, settings)
    if port is None:
        return Fit(ports=0, allocated_w=0.0, average_w=0.0, most_w=0.0)
    return Fit(
        ports=sum(one.poe_class >= group.poe_class for one in switch.ports),
        allocated_w=CLASSES[group.poe_class].pse_w,
        average_w=port.average_w,
        most_w=port.most_w,
        own_w=port.own_w,
    )


def _fit_passive(group: Group, switch: Switch) -> Fit:
    """A boosted passive port keeps its voltage; a pass-through one is taken at the lowest it may have."""
    row, loop = group.row, passive_loop_ohm(group.cable_m)
    source_v = row.passive_v or 0.0
    if switch.row.pse_kind is PseKind.PASSTHROUGH:
        source_v = passive_window(row, group.cable_m)[0]
        holds = True  # the kit's window keeps it
    else:
        lowest = floor_v(row.max_w, row.input_min_v, loop) if row.input_min_v else 0.0
        holds = lowest <= source_v <= (row.input_max_v or inf)
    most = source_w(row.max_w, source_v, loop)
    serving = [p for p in switch.ports if p.passive_v == row.passive_v and p.kind is PortKind.PASSIVE_POE]
    return Fit(
        ports=sum(most <= port.max_w for port in serving) if holds and most < inf else 0,
        allocated_w=most,
        average_w=source_w(row.average_w, source_v, loop),
        most_w=most,
    )


def injects(row: ConverterRow, group: Group, settings: Settings) -> bool:
    """Whether an injector feeds a device of the group: its class, and its power where it states one."""
    if group.row.supply is not Supply.POE or effective_class(row.poe_class) < group.poe_class:
        return False
    loop = settings.demand.poe_loop_ohm_per_100m
    most = class_source_w(group.row.max_w, group.poe_class, group.cable_m, loop)
    return row.output_max_w is None or most <= row.output_max_w + CLASS_CLOSURE_W


def least_injector(group: Group, rows: Sequence[ConverterRow], settings: Settings) -> ConverterRow:
    """Of the injectors that feed a device of the group the one of the lowest class."""
    able = (row for row in rows if injects(row, group, settings))
    return min(able, key=lambda row: (effective_class(row.poe_class), row.sku))
