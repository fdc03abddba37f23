"""Assemblies: a port plan with its boxes and DC and AC devices fed, on the bus or behind converters."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product
from math import inf

import numpy as np

from planner.demand.bus import Bus, BusLoad, holds, whole_bus
from planner.demand.devices import Device
from planner.demand.dominance import Merits, undominated
from planner.demand.feeding import Fed, feed_choices, feedings, summed
from planner.demand.grounding import NONE, Poles, accepted
from planner.demand.plans import PortPlan
from planner.demand.plugged import device_load, injector_loads, switch_load
from planner.demand.sharing import inrush_w
from planner.demand.unfed import no_common_bus, no_feed
from planner.errors import Refusal
from planner.scenario import Tables
from planner.settings import DemandSettings
from planner.tables.catalogue import ConverterRow
from planner.tables.rows import BusGrounding, Supply

ALWAYS = "always"


@dataclass(frozen=True, kw_only=True)
class Assembly:
    """The boxes of a kit before its load disconnect, with what stands on the bus."""

    plan: PortPlan
    devices: Sequence[Device]
    feeding: Mapping[str, ConverterRow | None]
    units: Counter[str]
    on_bus: tuple[BusLoad, ...]

    @cached_property
    def low(self) -> BusLoad:
        """Which box asks for the highest bottom of the window."""
        return max(self.on_bus, key=lambda box: box.input_min_v)

    @cached_property
    def high(self) -> BusLoad:
        """Which box asks for the lowest top of the window."""
        return min(self.on_bus, key=lambda box: box.input_max_v)

    @cached_property
    def poles(self) -> Poles:
        """Poles of the bus that the boxes tie to earth."""
        return NONE.union(*(box.poles for box in self.on_bus))

    def held(self, bus: Bus) -> bool:
        """Whether some battery's bus, and its grounding, suit all boxes together."""
        if not self.on_bus or bus.grounding not in accepted(self.poles):
            return False
        return holds(self.low.input_min_v, self.high.input_max_v, bus.spans)


def assemblies_of(
    plan: PortPlan, devices: Sequence[Device], bus: Bus
) -> tuple[list[Assembly], list[Refusal]]:
    """Assemblies of one port plan: every way to feed its switches, injectors and the DC and AC devices."""
    loads = _loads(plan, devices, bus.demand)
    choices, refusals = {}, []
    for name, like in loads.items():
        hardest = _hardest(like)
        choices[name] = feed_choices(hardest, bus)
        if not choices[name]:
            refusals.append(no_feed(hardest, bus))
    if refusals:
        return [], refusals
    found, fed = [], Fed(loads, bus.spans)
    for feeding in _feedings(plan, choices, loads, bus):
        units, boxes = fed.on_bus(feeding)
        assembly = Assembly(
            plan=plan, devices=devices, feeding=feeding, units=plan.units + units, on_bus=tuple(boxes)
        )
        if assembly.held(bus):
            found.append(assembly)
    every = [load for like in loads.values() for load in like]
    return found, [] if found else [no_common_bus(every, bus)]


def _feedings(
    plan: PortPlan,
    choices: Mapping[str, list[ConverterRow | None]],
    loads: Mapping[str, Sequence[BusLoad]],
    bus: Bus,
) -> Iterator[dict[str, ConverterRow | None]]:
    """Ways to feed the boxes; injectors follow the others.

    Where the others narrow the bus already, an injector that accepts it stands on it. Elsewhere it may
    also stand behind a converter that another box has, or behind any where there is none.
    """
    riders = [name for name in choices if name in plan.helpers]
    for feeding in feedings({name: rows for name, rows in choices.items() if name not in riders}, loads):
        there = {row.sku for row in feeding.values() if row}
        direct = [load for name, row in feeding.items() if row is None for load in loads[name]]
        narrow = not all(whole_bus(load, bus.spans) for load in direct)
        rides = []
        for name in riders:
            direct_too = [row for row in choices[name] if row is None]
            near = [row for row in choices[name] if row and row.sku in there]
            behind = near or [row for row in choices[name] if row]
            rides.append(direct_too if direct_too and narrow else [*direct_too, *behind])
        for chosen in product(*rides):
            yield feeding | dict(zip(riders, chosen, strict=True))


def _hardest(like: Sequence[BusLoad]) -> BusLoad:
    """Like boxes are fed alike: the feed must hold the narrowest window and the greatest power of them."""
    return replace(
        like[0],
        max_w=max(load.max_w for load in like),
        input_min_v=max(load.input_min_v for load in like),
        input_max_v=min(load.input_max_v for load in like),
        loop_ohm=max(load.loop_ohm for load in like),
        poles=NONE.union(*(load.poles for load in like)),
    )


def _loads(plan: PortPlan, devices: Sequence[Device], settings: DemandSettings) -> dict[str, list[BusLoad]]:
    """Switches and injectors by SKU, DC and AC devices by name, each with what it draws."""
    rows = {device.row.device: device.row for device in devices}
    loads: dict[str, list[BusLoad]] = {}
    for switch in plan.switches:
        like = loads.setdefault(switch.row.sku, [])
        like.append(switch_load(plan, switch.row, len(like) + 1, rows))
    for load in injector_loads(plan):
        loads.setdefault(load.sku, []).append(load)
    for device in devices:
        if device.row.supply in (Supply.DC, Supply.AC):
            loads.setdefault(device.row.device, []).append(device_load(device.row, device.cable_m, settings))
    return loads


def best(
    found: Sequence[Assembly], bus: Bus, tables: Tables, groundings: Sequence[BusGrounding], most: int
) -> tuple[list[Assembly], int]:
    """At most `most` assemblies that no other one beats, the simplest first; and how many more there were."""
    if not found:
        return [], 0
    low, top = min(span.low_v for span in bus.spans), max(span.top_v for span in bus.spans)
    coldest = max(-1e3, min((row.temp_min_c for row in tables.batteries), default=-inf))
    hottest = min(1e3, max((row.temp_max_c for row in tables.batteries), default=inf))
    limits = Limits(low_v=low, top_v=top, coldest_c=coldest, hottest_c=hottest, groundings=groundings)
    merits = [_merits(assembly, limits) for assembly in found]
    keep = np.flatnonzero(undominated(merits))

    def simple(i: int) -> tuple[float, float]:
        on = found[i].on_bus
        return found[i].units.total(), sum(box.own_w + sum(w for _, w in box.schedules) for box in on)

    order = sorted((int(i) for i in keep), key=simple)
    return [found[i] for i in order[:most]], max(0, len(order) - most)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """How far windows and temperatures count, as some battery makes use of them; groundings as sites do."""

    low_v: float
    top_v: float
    coldest_c: float
    hottest_c: float
    groundings: Sequence[BusGrounding]


def _merits(assembly: Assembly, limits: Limits) -> Merits:
    boxes = assembly.on_bus
    watts = dict(summed(boxes))
    watts[ALWAYS] = watts.get(ALWAYS, 0.0) + sum(box.own_w for box in boxes)
    most, takes = sum(box.max_w for box in boxes), accepted(assembly.poles)
    return Merits(
        units=assembly.units,
        watts=watts,
        costs=(
            most,
            most + inrush_w(boxes),
            sum(box.volume_l for box in boxes),
            max(assembly.low.input_min_v, limits.low_v),
            -min(assembly.high.input_max_v, limits.top_v),
            max(limits.coldest_c, max(box.temp_min_c for box in boxes)),
            -min(limits.hottest_c, min(box.temp_max_c for box in boxes)),
            *(float(grounding not in takes) for grounding in limits.groundings),
        ),
    )
