"""Supply kits: every complete way to power and connect the devices of a load profile.

A kit names its boxes, the bus window they accept, what they draw, and which device hangs on which port.
Kits depend on the load profile and the system voltage, not on the site; sites share them.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from planner.demand.assemblies import Assembly, best
from planner.demand.assign import LinkEnd, PortAssignment
from planner.demand.bus import Bus, BusLoad, bottom_v, box_load, holds, make_bus
from planner.demand.collect import collect
from planner.demand.devices import expand_devices, group_devices, unpowered, variants
from planner.demand.feeding import behind, summed
from planner.demand.grounding import accepted
from planner.demand.limits import ANY_NUMBER, UnitLimits
from planner.demand.plugged import device_load
from planner.demand.ports import make_switches
from planner.demand.sharing import inrush_w
from planner.errors import Refusal
from planner.scenario import Tables
from planner.settings import Settings
from planner.tables.catalogue import ConverterKind, ConverterRow
from planner.tables.rows import BusGrounding

#: Bus voltage at which currents are taken, per 12 V, where no battery disconnects lower
#: (common practice, no source).
BUS_MIN_V_PER_12 = 11.0
#: About how many kits a profile and voltage may have, over all load disconnects; and a floor before those.
KITS_MAX, ASSEMBLIES_MIN = 400, 40
REFUSALS_MAX = 25


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyKit:
    """One complete way to power and connect all devices of a load profile at one system voltage.

    Attributes
    ----------
    units : tuple of (sku, count)
        Switches, converters, inverters, injectors, adapters, SFP modules and load disconnect, sorted by SKU.
    input_min_v, input_max_v : float
        Bus window that every box and device on the bus accepts.
    window_low_sku, window_high_sku : str
        Which box or device sets each end.
    bus_w : tuple of (schedule, W)
        Mean power at the bus while on, of the device paths, by schedule.
    own_w : float
        Constant draw of the boxes.
    max_w, max_current_a : float
        Greatest power at the bus, and its current at the lowest voltage of any battery's bus.
    surge_current_a : float
        The same for seconds, while the AC device of the largest inrush starts.
    load_terminal : bool
        No disconnect among the units: a controller's load terminals must carry both currents.
    volume_l : float
        Of the boxes.
    temp_min_c, temp_max_c : float
        Range that every box operates in.
    ports : tuple of PortAssignment
        What powers each device, in the order of the profile.
    links : tuple of LinkEnd
        Ports taken by uplinks and by links between switches.
    feeds : tuple of (sku or device, converter SKU)
        What stands behind a DC-DC converter or an inverter, sorted.
    groundings : tuple of BusGrounding
        Groundings of the bus that all its boxes accept.
    lowest_v : float
        Lowest bus of any battery for sale or at a site: currents and losses of DC cables are taken there.
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
    links: tuple[LinkEnd, ...] = ()
    feeds: tuple[tuple[str, str], ...] = ()
    groundings: tuple[BusGrounding, ...] = tuple(BusGrounding)
    surge_current_a: float = 0.0
    lowest_v: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class KitResult:
    """The kits of a profile at a voltage, and the nearest misses of other ways.

    `left_out` counts port plans beyond `PLANS_MAX`, and ways to feed them beyond those that `KITS_MAX`
    allows; a very large catalogue may have them.
    """

    kits: tuple[SupplyKit, ...]
    refusals: tuple[Refusal, ...]
    left_out: int = 0


def enumerate_kits(
    tables: Tables,
    *,
    load_profile: str,
    system_voltage_v: int,
    settings: Settings,
    sold: frozenset[str] | None = None,
    limits: UnitLimits = ANY_NUMBER,
) -> KitResult:
    """Every kit of a load profile at a system voltage that could be part of a cheapest plan.

    Parameters
    ----------
    tables : Tables
        Loads, devices, and the catalogue.
    load_profile : str
        Key of the profile in `loads`.
    system_voltage_v : int
        Nominal DC bus, 12, 24 or 48.
    settings : Settings
        Of the scenario.
    sold : frozenset of str, optional
        SKUs that can be bought or stand at the site; all of them if not given.
    limits : UnitLimits
        Units of boxes that a kit has at least or at most.

    Returns
    -------
    KitResult
        Kits in a fixed order, and why other ways were refused, the nearest miss first.

    Notes
    -----
    Every way to take the devices and their alternatives is tried on a bus of every grounding that the
    profile's sites have. Sets of switches are tried from small to large; devices are shared among them so
    that as few injectors and adapters as possible are needed. Like boxes are fed alike. A kit that another
    one beats with a part of the same boxes, no more load, no narrower window and no fewer groundings is
    left out.
    """
    if not any(load.load_profile == load_profile for load in tables.loads):
        empty = Refusal(rule="no-devices", subject=load_profile, message="the load profile has no devices")
        return KitResult(kits=(), refusals=(empty,))
    number, most = sum(n for _, n in limits.least), settings.policy.switches_max
    if number > most:
        return KitResult(kits=(), refusals=(_too_many_switches(load_profile, number, most),))
    switches = make_switches(tables, sold)
    groundings = site_groundings(tables, load_profile)
    found: list[Assembly] = []
    refusals: list[Refusal] = []
    left_out = 0
    for rows in variants(tables, load_profile):
        devices = expand_devices(tables, load_profile, rows)
        blocked = [r for group in group_devices(devices) if (r := unpowered(group, settings))]
        refusals += blocked
        for grounding in groundings if not blocked else ():
            bus = make_bus(tables, sold, system_voltage_v, settings, grounding)
            work = collect(devices, switches, bus, settings, limits)
            found += work.found
            refusals += work.refusals
            left_out += work.left_out
    bus = make_bus(tables, sold, system_voltage_v, settings)
    kits, more = _kits(found, bus, tables, groundings, load_profile)
    kits = tuple(kit for kit in kits if limits.hold(dict(kit.units)))  # a load disconnect came last
    return KitResult(kits=kits, refusals=nearest(refusals), left_out=left_out + more)


def _too_many_switches(load_profile: str, number: int, most: int) -> Refusal:
    return Refusal(
        rule="switches-kept",
        subject=load_profile,
        value=number,
        limit=most,
        unit="units",
        message=f"a site has {number} switches at least; policy.switches_max allows {most}",
    )


def site_groundings(tables: Tables, load_profile: str) -> tuple[BusGrounding, ...]:
    """Groundings of the sites that run a profile; a negative one where no site does."""
    asked = {site.bus_grounding for site in tables.sites if site.load_profile == load_profile}
    return tuple(g for g in BusGrounding if g in asked) or (BusGrounding.NEGATIVE,)


def _kits(
    found: Sequence[Assembly],
    bus: Bus,
    tables: Tables,
    groundings: Sequence[BusGrounding],
    load_profile: str,
) -> tuple[tuple[SupplyKit, ...], int]:
    """The kits of the assemblies that none beats, in a fixed order, and how many assemblies were too many."""
    disconnects = [row for row in bus.converters if row.kind is ConverterKind.LOAD_DISCONNECT]
    most = max(ASSEMBLIES_MIN, KITS_MAX // (1 + len(disconnects)))
    kept, left_out = best(found, bus, tables, groundings, most)
    kits = [
        kit
        for assembly in kept
        for kit in _protected(assembly, load_profile, bus, disconnects)
        if set(kit.groundings) & set(groundings)
    ]
    order = sorted(kits, key=lambda kit: (kit.units, kit.load_terminal, kit.own_w, kit.bus_w, kit.feeds))
    return tuple(order), left_out


def nearest(refusals: Sequence[Refusal]) -> tuple[Refusal, ...]:
    """One refusal for each rule and subject, the smallest relative miss first, at most `REFUSALS_MAX`."""

    def miss(refusal: Refusal) -> float:
        if refusal.value is None or not refusal.limit:
            return float("inf")
        return refusal.shortfall / abs(refusal.limit)

    best: dict[tuple[str, str], Refusal] = {}
    for refusal in refusals:
        key = refusal.rule, refusal.subject
        if key not in best or miss(refusal) < miss(best[key]):
            best[key] = refusal
    return tuple(sorted(best.values(), key=miss)[:REFUSALS_MAX])


def _protected(
    assembly: Assembly, load_profile: str, bus: Bus, disconnects: Sequence[ConverterRow]
) -> Iterator[SupplyKit]:
    """The kit with each sufficient load disconnect, and without one for a controller's load terminals."""
    lowest_v = min(span.low_v for span in bus.spans)
    bus_min_v = min(BUS_MIN_V_PER_12 * bus.system_voltage_v / 12, lowest_v)
    for row in [None, *disconnects]:
        boxes = assembly.on_bus
        if row:
            # The disconnect's own loss is taken where it stands: all load passes it.
            boxes = (*(_behind_disconnect(box, row) for box in assembly.on_bus), box_load(row))
        most = sum(box.max_w for box in boxes)
        if row and not _bears(row, most / bus_min_v, (most + inrush_w(boxes)) / bus_min_v):
            continue
        units = assembly.units + Counter([row.sku] if row else [])
        whole = replace(assembly, units=units, on_bus=boxes)
        if holds(whole.low.input_min_v, whole.high.input_max_v, bus.spans):
            yield _kit(whole, load_profile, bus, bus_min_v, row is None)


def _bears(row: ConverterRow, current_a: float, surge_a: float) -> bool:
    """Whether a load disconnect carries a current, and one of seconds if its maker says how much it bears."""
    return current_a <= (row.current_max_a or 0.0) and (row.surge_a is None or surge_a <= row.surge_a)


def _behind_disconnect(box: BusLoad, row: ConverterRow) -> BusLoad:
    """A box as the battery sees it through a load disconnect."""
    return replace(
        box,
        schedules=tuple((name, watts / row.efficiency) for name, watts in box.schedules),
        own_w=box.own_w / row.efficiency,
        max_w=box.max_w / row.efficiency,
        surge_w=box.surge_w / row.efficiency,
    )


def _kit(
    whole: Assembly,
    load_profile: str,
    bus: Bus,
    bus_min_v: float,
    load_terminal: bool,
) -> SupplyKit:
    boxes = whole.on_bus
    most = sum(box.max_w for box in boxes)
    return SupplyKit(
        load_profile=load_profile,
        system_voltage_v=bus.system_voltage_v,
        units=tuple(sorted(whole.units.items())),
        input_min_v=whole.low.input_min_v,
        input_max_v=whole.high.input_max_v,
        window_low_sku=whole.low.sku,
        window_high_sku=whole.high.sku,
        bus_w=summed(boxes),
        own_w=sum(box.own_w for box in boxes),
        max_w=most,
        max_current_a=most / bus_min_v,
        surge_current_a=(most + inrush_w(boxes)) / bus_min_v,
        load_terminal=load_terminal,
        volume_l=sum(box.volume_l for box in boxes),
        temp_min_c=max(box.temp_min_c for box in boxes),
        temp_max_c=min(box.temp_max_c for box in boxes),
        ports=_ports(whole, bus),
        links=whole.plan.wiring.links,
        feeds=tuple(sorted((name, row.sku) for name, row in whole.feeding.items() if row)),
        groundings=accepted(whole.poles),
        lowest_v=min(span.low_v for span in bus.spans),
    )


def _ports(whole: Assembly, bus: Bus) -> tuple[PortAssignment, ...]:
    """What powers each device, in the order of the profile."""
    wiring = whole.plan.wiring
    powered = {(a.device, a.instance): a for a in wiring.assignments}
    ports = []
    for device in whole.devices:
        row, key = device.row, (device.row.device, device.instance)
        if key in powered:
            ports.append(powered[key])
            continue
        converter = whole.feeding[row.device]
        load = device_load(row, device.cable_m, bus.demand)
        fed = behind(load, converter) if converter else load.fed_at(bottom_v(load, bus.spans))
        ports.append(
            PortAssignment(
                device=row.device,
                instance=device.instance,
                supply=row.supply,
                host_sku="",
                host_unit=0,
                port=converter.kind.value if converter else "bus",
                via_sku=converter.sku if converter else "",
                cable_m=device.cable_m,
                device_w=row.average_w,
                host_w=sum(watts for _, watts in fed.schedules),
                host_max_w=fed.max_w,
                allocated_w=0.0,
                schedule=row.schedule,
                data_on=wiring.data_on.get(key, ()),
            )
        )
    return tuple(ports)
