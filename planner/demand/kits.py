"""Supply kits: every complete way to power and connect the devices of a load profile.

A kit names its boxes, the bus window they accept, what they draw, and which device hangs on which port.
Kits depend on the load profile and the system voltage, not on the site; sites share them.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product

from planner.demand.channel import CLASSES, effective_class
from planner.demand.ports import (
    Device,
    PortAssignment,
    PortPlan,
    expand_devices,
    passive_window,
    plan_ports,
    switch_sets,
)
from planner.errors import Refusal
from planner.scenario import Tables
from planner.settings import Settings
from planner.tables.catalogue import ConverterKind, ConverterRow, PseKind, SwitchRow
from planner.tables.rows import DeviceRow, Supply

#: Lowest bus voltage at which currents are taken: load disconnect less cable drop, per 12 V (common practice).
BUS_MIN_V_PER_12 = 11.0
#: A bus outside this range per 12 V of nominal voltage is no battery bus (common practice, generous).
BUS_RANGE_V_PER_12 = (11.9, 13.3)


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyKit:
    """One complete way to power and connect all devices of a load profile at one system voltage.

    Attributes
    ----------
    units : tuple of (sku, count)
        Switches, converters, injectors and load disconnect, sorted by SKU.
    input_min_v, input_max_v : float
        Bus window that every box and device on the bus accepts.
    window_low_sku, window_high_sku : str
        Which box or device sets each end.
    bus_w : tuple of (schedule, W)
        Mean power at the bus while on, of the device paths, by schedule.
    own_w : float
        Constant draw of the boxes.
    max_w, max_current_a : float
        Greatest power at the bus, and its current at the lowest bus voltage.
    load_terminal : bool
        No disconnect among the units: a controller's load terminals must carry `max_current_a`.
    """

    load_profile: str
    system_voltage_v: int
    units: tuple[tuple[str, int], ...]
    input_min_v: float
    input_max_v: float
    window_low_sku: str
    window_high_sku: str
    bus_w: tuple[tuple[str, float], ...]
    own_w: float
    max_w: float
    max_current_a: float
    load_terminal: bool
    volume_l: float
    temp_min_c: float
    temp_max_c: float
    ports: tuple[PortAssignment, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class KitResult:
    """The kits of a profile at a voltage, and why other ways were refused."""

    kits: tuple[SupplyKit, ...]
    refusals: tuple[Refusal, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Feed:
    """Where a box or device takes its power: from the bus, or from a DC-DC converter."""

    converter: ConverterRow | None

    @property
    def efficiency(self) -> float:
        """Power out / power in."""
        return self.converter.efficiency if self.converter else 1.0


BUS = Feed(converter=None)


def enumerate_kits(
    tables: Tables, *, load_profile: str, system_voltage_v: int, settings: Settings, sold: frozenset[str]
) -> KitResult:
    """Every kit of a load profile at a system voltage that could be part of a cheapest plan.

    `sold` are the SKUs that can be bought. Kits that another one beats in every respect with the same
    or fewer boxes are left out.
    """
    devices = expand_devices(tables, load_profile)
    refusals = [r for device in devices if (r := _unpowered(device, settings)) is not None]
    if refusals:
        return KitResult(kits=(), refusals=tuple(refusals))
    converters = [row for row in tables.converters if row.sku in sold]
    kits: list[SupplyKit] = []
    enough: list[Counter[str]] = []  # switch sets that need no injector: adding a switch to one is idle
    for switches in switch_sets(tables, sold, settings, devices):
        boxes = Counter(row.sku for row in switches)
        if any(smaller <= boxes for smaller in enough):
            continue
        for injector in [None, *(row for row in converters if row.kind is ConverterKind.POE_INJECTOR)]:
            ports = plan_ports(tables, devices, switches, injector, settings)
            if isinstance(ports, Refusal):
                refusals.append(ports)
                continue
            if injector is None:
                enough.append(boxes)
            found, refused = kits_of(
                ports, devices, load_profile=load_profile, system_voltage_v=system_voltage_v, converters=converters
            )
            kits += found
            refusals += refused
    return KitResult(kits=tuple(without_dominated(kits)), refusals=tuple(_distinct(refusals)))


def _unpowered(device: Device, settings: Settings) -> Refusal | None:
    """A device that no kit of this version can power."""
    row, limit = device.row, settings.demand.channel_max_m
    if row.supply is Supply.AC:
        return Refusal(rule="ac-not-served", subject=row.device, message="no part of this version feeds an AC device")
    if row.data_ports > 0 and device.cable_m > limit:
        return Refusal(
            rule="channel-length", subject=row.device, value=device.cable_m, limit=limit, unit="m",
            message=f"its cable of {device.cable_m:g} m exceeds the longest Ethernet channel of {limit:g} m",
        )
    return None


def _distinct(refusals: Sequence[Refusal]) -> list[Refusal]:
    """One refusal for each rule and subject: the one that misses by least."""
    best: dict[tuple[str, str], Refusal] = {}
    for refusal in refusals:
        key = refusal.rule, refusal.subject
        if key not in best or refusal.shortfall < best[key].shortfall:
            best[key] = refusal
    return list(best.values())


@dataclass(frozen=True, slots=True, kw_only=True)
class BusLoad:
    """Something fed at one place: power in while on (by schedule), own draw, greatest power, voltage window."""

    sku: str
    schedules: tuple[tuple[str, float], ...]
    own_w: float
    max_w: float
    input_min_v: float
    input_max_v: float
    volume_l: float
    temp_min_c: float
    temp_max_c: float


def feed_choices(load: BusLoad, converters: Sequence[ConverterRow], system_voltage_v: int) -> list[Feed]:
    """The bus, if it can hold the nominal voltage, and every DC-DC converter that suits the load."""
    low, high = (v * system_voltage_v / 12 for v in BUS_RANGE_V_PER_12)
    choices = [BUS] if load.input_min_v <= low and load.input_max_v >= high else []
    return choices + [
        Feed(converter=row)
        for row in converters
        if row.kind is ConverterKind.DC_DC and row.output_v is not None and row.output_max_w is not None
        and load.input_min_v <= row.output_v <= load.input_max_v and load.max_w <= row.output_max_w
        and row.input_min_v <= low and row.input_max_v >= high
    ]


def _switch_load(plan: PortPlan, switch: SwitchRow, unit: int, devices: Mapping[str, Device]) -> BusLoad:
    """A switch with what hangs on it; a pass-through PSE narrows its window to what its ports must hold."""
    hung = [a for a in plan.assignments if (a.host_sku, a.host_unit) == (switch.sku, unit) and not a.via_sku]
    schedules: Counter[str] = Counter()
    for a in hung:
        schedules[a.schedule] += a.host_w / switch.pse_efficiency
    low, high = switch.input_min_v, switch.input_max_v
    if switch.pse_kind is PseKind.PASSTHROUGH:
        for a in hung:
            floor, top = _port_window(devices[a.device].row)
            low, high = max(low, floor), min(high, top)
    return BusLoad(
        sku=switch.sku, schedules=tuple(sorted(schedules.items())), own_w=switch.own_draw_w,
        max_w=switch.own_draw_w + sum(a.host_max_w for a in hung) / switch.pse_efficiency,
        input_min_v=low, input_max_v=high, volume_l=switch.volume_l,
        temp_min_c=switch.temp_min_c, temp_max_c=switch.temp_max_c,
    )


def _port_window(row: DeviceRow) -> tuple[float, float]:
    """Voltage a pass-through port must hold for its device: that of its 802.3 type, or the passive device's own."""
    if row.supply is Supply.PASSIVE_POE:
        return passive_window(row)
    poe = CLASSES[effective_class(row.poe_class or 0)]
    return poe.pse_min_v, poe.pse_max_v


def _device_load(device: Device) -> BusLoad:
    row = device.row
    return BusLoad(
        sku=row.device, schedules=((row.schedule, row.average_w),), own_w=0.0, max_w=row.max_w,
        input_min_v=row.input_min_v or 0.0, input_max_v=row.input_max_v or 0.0, volume_l=0.0,
        temp_min_c=-273.0, temp_max_c=273.0,
    )


def _injector_load(injector: ConverterRow, assignment: PortAssignment) -> BusLoad:
    return BusLoad(
        sku=injector.sku, schedules=((assignment.schedule, assignment.host_w / injector.efficiency),),
        own_w=injector.own_draw_w, max_w=injector.own_draw_w + assignment.host_max_w / injector.efficiency,
        input_min_v=injector.input_min_v, input_max_v=injector.input_max_v, volume_l=injector.volume_l,
        temp_min_c=injector.temp_min_c, temp_max_c=injector.temp_max_c,
    )


def kits_of(
    plan: PortPlan, devices: Sequence[Device], *, load_profile: str, system_voltage_v: int,
    converters: Sequence[ConverterRow],
) -> tuple[list[SupplyKit], list[Refusal]]:
    """Kits of one port plan: every way to feed its switches and DC devices, every load disconnect.

    Like loads (same SKU or device) are fed alike, so that a kit stays simple to build and to spare.
    """
    by_name = {device.row.device: device for device in devices}
    units: dict[str, int] = {}
    groups: dict[str, list[BusLoad]] = {}
    for switch in plan.switches:
        units[switch.sku] = units.get(switch.sku, 0) + 1
        groups.setdefault(switch.sku, []).append(_switch_load(plan, switch, units[switch.sku], by_name))
    for device in plan.dc_devices:
        groups.setdefault(device.row.device, []).append(_device_load(device))
    fixed = [
        _injector_load(injector, a) for injector, _ in plan.injectors for a in plan.assignments if a.via_sku
    ]
    choices, refusals = [], []
    for name, loads in groups.items():
        worst = max(loads, key=lambda load: load.max_w)
        found = feed_choices(worst, converters, system_voltage_v)
        choices.append(found)
        if not found:
            refusals.append(Refusal(
                rule="bus-window", subject=name, value=float(system_voltage_v), unit="V",
                limit=worst.input_min_v if worst.input_min_v > system_voltage_v else worst.input_max_v,
                message=f"takes {worst.input_min_v:g} to {worst.input_max_v:g} V and {worst.max_w:.1f} W: neither a "
                f"{system_voltage_v} V bus nor a converter gives that",
            ))
    if refusals:
        return [], refusals
    kits = [
        kit
        for feeds in product(*choices)
        for kit in _protect(
            _assemble(plan, list(zip(groups.values(), feeds, strict=True)), fixed), plan, load_profile,
            system_voltage_v, converters,
        )
    ]
    return kits, []


@dataclass(frozen=True, slots=True, kw_only=True)
class Assembly:
    """Boxes of a kit before its load disconnect."""

    units: Counter[str]
    on_bus: list[BusLoad]


def _assemble(
    plan: PortPlan, fed: Sequence[tuple[Sequence[BusLoad], Feed]], fixed: Sequence[BusLoad]
) -> Assembly:
    """Put loads on the bus or behind converters; loads that share a converter SKU share its units, first fit."""
    units: Counter[str] = Counter(switch.sku for switch in plan.switches)
    for injector, number in plan.injectors:
        units[injector.sku] += number
    on_bus = list(fixed)
    behind: dict[str, list[BusLoad]] = {}
    rows: dict[str, ConverterRow] = {}
    for loads, feed in fed:
        if feed.converter is None:
            on_bus += loads
        else:
            behind.setdefault(feed.converter.sku, []).extend(loads)
            rows[feed.converter.sku] = feed.converter
    for sku, loads in behind.items():
        for together in _share(loads, rows[sku].output_max_w or 0.0):
            units[sku] += 1
            on_bus.append(_converter_load(rows[sku], together))
    return Assembly(units=units, on_bus=on_bus)


def _share(loads: Sequence[BusLoad], output_max_w: float) -> list[list[BusLoad]]:
    """Loads in as few converters as first fit by falling power finds."""
    bins: list[list[BusLoad]] = []
    for load in sorted(loads, key=lambda load: (-load.max_w, load.sku)):
        room = next((b for b in bins if sum(x.max_w for x in b) + load.max_w <= output_max_w + 1e-9), None)
        if room is None:
            bins.append([load])
        else:
            room.append(load)
    return bins


def _converter_load(row: ConverterRow, loads: Sequence[BusLoad]) -> BusLoad:
    """A converter with what it feeds, as the bus sees it."""
    schedules: Counter[str] = Counter()
    for load in loads:
        for name, watts in load.schedules:
            schedules[name] += watts / row.efficiency
    return BusLoad(
        sku=row.sku, schedules=tuple(sorted(schedules.items())),
        own_w=row.own_draw_w + sum(load.own_w for load in loads) / row.efficiency,
        max_w=row.own_draw_w + sum(load.max_w for load in loads) / row.efficiency,
        input_min_v=row.input_min_v, input_max_v=row.input_max_v,
        volume_l=row.volume_l + sum(load.volume_l for load in loads),
        temp_min_c=max([row.temp_min_c, *(load.temp_min_c for load in loads)]),
        temp_max_c=min([row.temp_max_c, *(load.temp_max_c for load in loads)]),
    )


def _protect(
    assembly: Assembly, plan: PortPlan, load_profile: str, system_voltage_v: int, converters: Sequence[ConverterRow]
) -> list[SupplyKit]:
    """The kit with each sufficient load disconnect, and without one for a controller's load terminals."""
    bus_min_v = BUS_MIN_V_PER_12 * system_voltage_v / 12
    bare_w = sum(load.max_w for load in assembly.on_bus)
    kits = []
    for row in [None, *(row for row in converters if row.kind is ConverterKind.LOAD_DISCONNECT)]:
        most = bare_w + (row.own_draw_w if row else 0.0)
        if row and (row.current_max_a or 0.0) < most / bus_min_v:
            continue
        boxes = [*assembly.on_bus, _disconnect_load(row)] if row else assembly.on_bus
        low = max(boxes, key=lambda box: box.input_min_v)
        high = min(boxes, key=lambda box: box.input_max_v)
        schedules: Counter[str] = Counter()
        for box in boxes:
            for name, watts in box.schedules:
                schedules[name] += watts
        kits.append(SupplyKit(
            load_profile=load_profile, system_voltage_v=system_voltage_v,
            units=tuple(sorted((assembly.units + Counter([row.sku] if row else [])).items())),
            input_min_v=low.input_min_v, input_max_v=high.input_max_v,
            window_low_sku=low.sku, window_high_sku=high.sku, bus_w=tuple(sorted(schedules.items())),
            own_w=sum(box.own_w for box in boxes), max_w=most, max_current_a=most / bus_min_v,
            load_terminal=row is None, volume_l=sum(box.volume_l for box in boxes),
            temp_min_c=max(box.temp_min_c for box in boxes), temp_max_c=min(box.temp_max_c for box in boxes),
            ports=plan.assignments,
        ))
    return [kit for kit in kits if kit.input_min_v < kit.input_max_v]


def _disconnect_load(row: ConverterRow) -> BusLoad:
    return BusLoad(
        sku=row.sku, schedules=(), own_w=row.own_draw_w, max_w=row.own_draw_w, input_min_v=row.input_min_v,
        input_max_v=row.input_max_v, volume_l=row.volume_l, temp_min_c=row.temp_min_c, temp_max_c=row.temp_max_c,
    )


def without_dominated(kits: Sequence[SupplyKit]) -> list[SupplyKit]:
    """Kits that no other one beats at every price, in a fixed order.

    One beats another if it takes a part of the same boxes and draws no more, is no larger, accepts no
    narrower window and temperatures, and needs the load terminals only if the other does.
    """
    order = sorted(kits, key=lambda kit: (sum(n for _, n in kit.units), _loads(kit), kit.units, -kit.input_max_v))
    kept: list[SupplyKit] = []
    for kit in order:
        if not any(_beats(other, kit) for other in kept):
            kept.append(kit)
    return sorted(kept, key=lambda kit: (kit.units, kit.load_terminal, kit.own_w))


def _loads(kit: SupplyKit) -> float:
    return kit.own_w + sum(watts for _, watts in kit.bus_w)


def _beats(one: SupplyKit, other: SupplyKit) -> bool:
    units, watts = dict(other.units), dict(other.bus_w)
    return (
        all(units.get(sku, 0) >= number for sku, number in one.units)
        and all(w <= watts.get(name, 0.0) + 1e-9 for name, w in one.bus_w)
        and one.own_w <= other.own_w + 1e-9 and one.max_w <= other.max_w + 1e-9
        and one.volume_l <= other.volume_l + 1e-9 and one.load_terminal <= other.load_terminal
        and one.input_min_v <= other.input_min_v and one.input_max_v >= other.input_max_v
        and one.temp_min_c <= other.temp_min_c and one.temp_max_c >= other.temp_max_c
    )
