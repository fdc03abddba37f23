"""Assemblies: a port plan with its boxes and DC devices fed, on the bus or behind converters."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.demand.channel import CLASSES, effective_class
from planner.demand.devices import Device
from planner.demand.dominance import Merits, undominated
from planner.demand.feeding import (
    BusLoad,
    BusSpan,
    fed_loads,
    feed_choices,
    feedings,
    no_feed,
    on_bus,
    summed,
)
from planner.demand.plans import PortPlan
from planner.demand.ports import passive_window
from planner.errors import Refusal
from planner.scenario import Tables
from planner.tables.catalogue import ConverterRow, PseKind, SwitchRow
from planner.tables.rows import DeviceRow, Supply

#: Assemblies of a profile and voltage that are kept, those with fewest boxes and least watts first.
ASSEMBLIES_MAX = 150
ALWAYS = "always"


@dataclass(frozen=True, slots=True, kw_only=True)
class Assembly:
    """The boxes of a kit before its load disconnect, with what stands on the bus."""

    plan: PortPlan
    feeding: Mapping[str, ConverterRow | None]
    units: Counter[str]
    on_bus: tuple[BusLoad, ...]

    @property
    def low(self) -> BusLoad:
        """Which box asks for the highest bottom of the window."""
        return max(self.on_bus, key=lambda box: box.input_min_v)

    @property
    def high(self) -> BusLoad:
        """Which box asks for the lowest top of the window."""
        return min(self.on_bus, key=lambda box: box.input_max_v)

    @property
    def window(self) -> BusLoad:
        """The boxes on the bus as one, for its window."""
        return replace(self.low, input_max_v=self.high.input_max_v)


def assemblies_of(
    plan: PortPlan,
    devices: Sequence[Device],
    converters: Sequence[ConverterRow],
    spans: Sequence[BusSpan],
    system_voltage_v: int,
) -> tuple[list[Assembly], list[Refusal]]:
    """Assemblies of one port plan: every way to feed its switches and the DC devices."""
    loads = _loads(plan, devices)
    choices, refusals = {}, []
    for name, like in loads.items():
        # Like boxes are fed alike: the feed must hold the narrowest window and the greatest power of them.
        hardest = replace(
            like[0],
            max_w=max(load.max_w for load in like),
            input_min_v=max(load.input_min_v for load in like),
            input_max_v=min(load.input_max_v for load in like),
        )
        choices[name] = feed_choices(hardest, converters, spans)
        if not choices[name]:
            refusals.append(no_feed(hardest, converters, spans, system_voltage_v))
    if refusals:
        return [], refusals
    injected = _injector_loads(plan)
    boxes = plan.boxes + plan.injectors
    found = []
    for feeding in feedings(choices, loads):
        units, bus = fed_loads(feeding, loads)
        assembly = Assembly(plan=plan, feeding=feeding, units=boxes + units, on_bus=(*bus, *injected))
        if assembly.on_bus and on_bus(assembly.window, spans):
            found.append(assembly)
    return found, [] if found else [_no_common_window(plan, loads, system_voltage_v)]


def _loads(plan: PortPlan, devices: Sequence[Device]) -> dict[str, list[BusLoad]]:
    """Switches by SKU and DC devices by name, each with what it draws."""
    rows = {device.row.device: device for device in devices}
    loads: dict[str, list[BusLoad]] = {}
    for switch in plan.switches:
        like = loads.setdefault(switch.row.sku, [])
        like.append(_switch_load(plan, switch.row, len(like) + 1, rows))
    for device in devices:
        if device.row.supply is Supply.DC:
            loads.setdefault(device.row.device, []).append(_device_load(device.row))
    return loads


def _switch_load(plan: PortPlan, row: SwitchRow, unit: int, devices: Mapping[str, Device]) -> BusLoad:
    """A switch with what it feeds; a pass-through PSE narrows its window to what its ports must hold."""
    hung = [
        a for a in plan.wiring.assignments if (a.host_sku, a.host_unit) == (row.sku, unit) and not a.via_sku
    ]
    box = box_load(row)
    low, high = row.input_min_v, row.input_max_v
    if row.pse_kind is PseKind.PASSTHROUGH:
        for a in hung:
            floor, top = _port_window(devices[a.device].row, a.cable_m)
            low, high = max(low, floor), min(high, top)
    schedules: dict[str, float] = {}
    for a in hung:
        schedules[a.schedule] = schedules.get(a.schedule, 0.0) + a.host_w / row.pse_efficiency
    return replace(
        box,
        schedules=tuple(sorted(schedules.items())),
        max_w=row.own_draw_w + sum(a.host_max_w for a in hung) / row.pse_efficiency,
        input_min_v=low,
        input_max_v=high,
    )


def _port_window(row: DeviceRow, cable_m: float) -> tuple[float, float]:
    """Voltage a pass-through port must keep: that of the device's 802.3 type, or the passive device's own."""
    if row.supply is Supply.PASSIVE_POE:
        return passive_window(row, cable_m)
    poe = CLASSES[effective_class(row.poe_class)]
    return poe.pse_min_v, poe.pse_max_v


def box_load(row: SwitchRow | ConverterRow) -> BusLoad:
    """A box with nothing behind it."""
    return BusLoad(
        sku=row.sku,
        schedules=(),
        own_w=row.own_draw_w,
        max_w=row.own_draw_w,
        input_min_v=row.input_min_v,
        input_max_v=row.input_max_v,
        volume_l=row.volume_l,
        temp_min_c=row.temp_min_c,
        temp_max_c=row.temp_max_c,
    )


def _device_load(row: DeviceRow) -> BusLoad:
    return BusLoad(
        sku=row.device,
        schedules=((row.schedule, row.average_w),),
        own_w=0.0,
        max_w=row.max_w,
        input_min_v=row.input_min_v or 0.0,
        input_max_v=row.input_max_v or 0.0,
        volume_l=0.0,
        temp_min_c=-float("inf"),
        temp_max_c=float("inf"),
    )


def _injector_loads(plan: PortPlan) -> list[BusLoad]:
    """Each injector on the bus with its device."""
    rows = {row.sku: row for row in plan.injector_rows}
    return [
        replace(
            box_load(rows[a.via_sku]),
            schedules=((a.schedule, a.host_w / rows[a.via_sku].efficiency),),
            max_w=rows[a.via_sku].own_draw_w + a.host_max_w / rows[a.via_sku].efficiency,
        )
        for a in plan.wiring.assignments
        if a.via_sku
    ]


def _no_common_window(
    plan: PortPlan, loads: Mapping[str, Sequence[BusLoad]], system_voltage_v: int
) -> Refusal:
    """Each box can be fed, but no battery's bus suits them together."""
    every = [load for like in loads.values() for load in like] + _injector_loads(plan)
    low = max(every, key=lambda load: load.input_min_v)
    high = min(every, key=lambda load: load.input_max_v)
    return Refusal(
        rule="bus-window",
        subject=f"{low.sku} with {high.sku}",
        message=f"{low.sku} asks for {low.input_min_v:g} V and more, {high.sku} for {high.input_max_v:g} V "
        f"and less: no {system_voltage_v} V battery keeps both",
    )


def best(
    found: Sequence[Assembly], spans: Sequence[BusSpan], tables: Tables, most: int
) -> tuple[list[Assembly], int]:
    """At most `most` assemblies that no other one beats, the simplest first; and how many more there were."""
    if not found:
        return [], 0
    keep = np.flatnonzero(undominated([_merits(assembly, spans, tables) for assembly in found]))

    def simple(i: int) -> tuple[float, float]:
        on = found[i].on_bus
        return found[i].units.total(), sum(box.own_w + sum(w for _, w in box.schedules) for box in on)

    order = sorted((int(i) for i in keep), key=simple)
    return [found[i] for i in order[:most]], max(0, len(order) - most)


def _merits(assembly: Assembly, spans: Sequence[BusSpan], tables: Tables) -> Merits:
    """Windows and temperatures count only as far as some battery makes use of them."""
    boxes = assembly.on_bus
    watts = dict(summed(boxes))
    watts[ALWAYS] = watts.get(ALWAYS, 0.0) + sum(box.own_w for box in boxes)
    coldest = min((row.temp_min_c for row in tables.batteries), default=-float("inf"))
    hottest = max((row.temp_max_c for row in tables.batteries), default=float("inf"))
    return Merits(
        units=assembly.units,
        watts=watts,
        costs=(
            sum(box.max_w for box in boxes),
            sum(box.volume_l for box in boxes),
            max(assembly.low.input_min_v, min(span.low_v for span in spans)),
            -min(assembly.high.input_max_v, max(span.top_v for span in spans)),
            max(-1e3, coldest, max(box.temp_min_c for box in boxes)),
            max(-1e3, -hottest, -min(box.temp_max_c for box in boxes)),
        ),
    )
