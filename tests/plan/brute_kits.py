"""Every kit of a profile with at most one device on a switch, by loops over single boxes."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product
from math import inf, sqrt

from planner.scenario import Scenario
from tests.designs import builders

# IEEE 802.3-2022, clause 33: port power, least voltage, loop of a 100 m channel at 12.5 ohm.
PORT_W, LEAST_V, MOST_V, LOOP_OHM_100M = {3: 15.4, 4: 30.0}, {3: 44.0, 4: 50.0}, 57.0, 12.5
AWG24_OHM_PER_M = 0.0842  # a conductor at 20 C: ASTM B258 diameter; out and back on two each makes one


@dataclass(frozen=True)
class Box:
    """Something that takes power: mean and greatest W, window, and what it adds to the enclosure."""

    name: str
    mean_w: float
    most_w: float
    low_v: float
    high_v: float
    volume_l: float = 0.0
    cold_c: float = -inf
    hot_c: float = inf
    ohm: float = 0.0  # of a cable before it; the window is that at its source

    def fed_at(self, volts: float) -> "Box":
        """With what its cable takes."""
        mean, most = (at_source(watts, volts, self.ohm) for watts in (self.mean_w, self.most_w))
        return replace(self, mean_w=mean, most_w=most, ohm=0.0)


def box_of(row, name: str) -> Box:
    """A box of the catalogue with nothing behind it."""
    own = row.own_draw_w
    return Box(name, own, own, row.input_min_v, row.input_max_v, row.volume_l, row.temp_min_c, row.temp_max_c)


def at_source(load_w: float, volts: float, ohm: float) -> float:
    """Power into a line that feeds a constant load: V I = P + I2 R."""
    if ohm == 0:
        return load_w
    root = volts**2 - 4 * ohm * load_w
    return volts * (volts - sqrt(root)) / (2 * ohm) if root >= 0 else inf


def switch_boxes(
    scenario: Scenario, device, cable_m: float, uplinks: int
) -> Iterator[tuple[Counter, list[Box]]]:
    """Every way to connect one device: on a switch's port, or behind an injector beside a data port."""
    tables = scenario.tables
    for switch in tables.switches:
        ports = [p for p in tables.switch_ports for _ in range(p.quantity) if p.sku == switch.sku]
        copper = sum(p.port_kind in ("data", "poe") for p in ports)
        asked = uplinks + (device.supply == "poe")  # no SFP modules here, so SFP ports carry nothing
        if copper < asked:
            continue
        box = box_of(switch, switch.sku)
        hung = on_port(switch, ports, device, cable_m)
        if hung is not None:
            yield Counter([switch.sku]), [hung(box)]
        for row in tables.converters if device.supply == "poe" else ():
            if row.kind == "poe_injector" and row.poe_class >= device.poe_class:
                mean, most = (poe_w(device, watts, cable_m) for watts in (device.average_w, device.max_w))
                injector = replace(box_of(row, row.sku), mean_w=row.own_draw_w + mean / row.efficiency,
                                   most_w=row.own_draw_w + most / row.efficiency)  # fmt: skip
                yield Counter([switch.sku, row.sku]), [box, injector]


def poe_w(device, watts: float, cable_m: float) -> float:
    return at_source(watts, LEAST_V[device.poe_class], LOOP_OHM_100M * cable_m / 100)


def on_port(switch, ports, device, cable_m: float):
    """How a switch's box changes with the device on a port of it; None where no port serves."""
    passes = switch.pse_kind == "passthrough"
    if device.supply == "poe":
        mean, most = (poe_w(device, watts, cable_m) for watts in (device.average_w, device.max_w))
        measured = device.power_allocation == "measured" and switch.measured_allocation
        share = most if measured else PORT_W[device.poe_class]
        serves = any(p.port_kind == "poe" and p.poe_class >= device.poe_class for p in ports)
        window = (LEAST_V[device.poe_class], MOST_V)
    else:
        ohm = AWG24_OHM_PER_M * cable_m
        low, nominal = device.input_min_v or 0.0, device.passive_v
        stands = max(low, sqrt(device.max_w * ohm))
        needed = stands + device.max_w * ohm / stands if stands else 0.0
        window = (max(0.9 * nominal, needed), device.input_max_v or 1.2 * nominal)
        volts = window[0] if passes else nominal
        mean, most = at_source(device.average_w, volts, ohm), at_source(device.max_w, volts, ohm)
        share = most
        serves = any(
            p.port_kind == "passive_poe" and p.passive_v == nominal and most <= (p.port_max_w or inf)
            for p in ports
        ) and (passes or max(low and needed, nominal) == nominal <= (device.input_max_v or inf))
    if not serves or share > switch.poe_budget_w + 1e-9:
        return None
    return lambda box: replace(
        box,
        mean_w=box.mean_w + mean / switch.pse_efficiency,
        most_w=box.most_w + most / switch.pse_efficiency,
        low_v=max(box.low_v, window[0]) if passes else box.low_v,
        high_v=min(box.high_v, window[1]) if passes else box.high_v,
    )


def feeds(
    scenario: Scenario, units: Counter, boxes: list[Box], least_v: float
) -> Iterator[tuple[Counter, list[Box]]]:
    """Every box on the bus, or behind a DC-DC converter; boxes behind the same SKU share one."""
    converters = [row for row in scenario.tables.converters if row.kind == "dc_dc"]
    ways = [
        [None, *(row for row in converters if box.name and box.low_v <= row.output_v <= box.high_v)]
        for box in boxes
    ]
    for way in product(*ways):
        used = {row.sku: row for row in way if row is not None}
        bus = [
            box.fed_at(max(box.low_v, least_v)) for box, row in zip(boxes, way, strict=True) if row is None
        ]
        taken = units.copy()
        for sku, row in used.items():
            behind = [box.fed_at(row.output_v) for box, other in zip(boxes, way, strict=True) if other is row]
            if sum(box.most_w for box in behind) > row.output_max_w:
                assert all(box.most_w > row.output_max_w for box in behind), "share them among converters"
                break
            taken[sku] += 1
            bus.append(
                Box(sku, row.own_draw_w + sum(box.mean_w for box in behind) / row.efficiency,
                    row.own_draw_w + sum(box.most_w for box in behind) / row.efficiency,
                    row.input_min_v, row.input_max_v, row.volume_l + sum(box.volume_l for box in behind),
                    max(row.temp_min_c, *(box.cold_c for box in behind)),
                    min(row.temp_max_c, *(box.hot_c for box in behind)))
            )  # fmt: skip
        else:
            yield taken, bus


def kits(scenario: Scenario, profile: str, volts: int) -> list:
    """Every complete kit of a profile, with each load disconnect and without one."""
    tables = scenario.tables
    rows = {row.device: row for row in tables.devices}
    loads = [(rows[load.device], load.cable_m) for load in tables.loads if load.load_profile == profile]
    assert all(row.schedule == "always" for row, _ in loads)
    direct = [wired(row, cable_m) for row, cable_m in loads if row.supply == "dc"]
    ported = [(row, cable_m) for row, cable_m in loads if row.supply != "dc"]
    assert len(ported) <= 1
    starts = [(Counter(), [])]
    if ported:
        starts = list(switch_boxes(scenario, *ported[0], scenario.settings.policy.uplink_ports))
    found = []
    for units, boxes in starts:
        for taken, bus in feeds(scenario, units, boxes + direct, least_bus_v(scenario, volts)):
            for row in [None, *(row for row in tables.converters if row.kind == "load_disconnect")]:
                made = protected(taken, bus, row, volts)
                if made is not None:
                    found.append(made)
    return found


def wired(row, cable_m: float) -> Box:
    """A DC device at the end of 1.5 mm2 of warm copper (0.0225 ohm mm2/m, IEC 60364-5-52, from memory)."""
    ohm = 2 * 0.0225 * cable_m / 1.5
    lowest = row.input_min_v + row.max_w * ohm / row.input_min_v  # if the next line holds
    assert row.input_min_v**2 >= row.max_w * ohm
    return Box(row.device, row.average_w, row.max_w, lowest, row.input_max_v, ohm=ohm)


def least_bus_v(scenario: Scenario, volts: int) -> float:
    """Lowest voltage at a box on the bus of any battery for sale or at a site."""
    sold = {row.sku for row in scenario.tables.prices}
    found = [(round(volts / row.nominal_v), row) for row in scenario.tables.batteries if row.sku in sold]
    fits = [(n, row) for n, row in found if 0 < n <= row.batteries_series_max
            and abs(n * row.nominal_v - volts) < 0.1 * volts]  # fmt: skip
    drop = scenario.settings.demand.bus_cable_drop
    return min((n * row.disconnect_v * (1 - drop) for n, row in fits), default=volts * 11.5 / 12)


def protected(units: Counter, bus: list[Box], row, volts: int):
    """A kit with a load disconnect, or for a controller's load terminals; None where it cannot carry it."""
    share = row.efficiency if row else 1.0
    mean, most = sum(box.mean_w for box in bus) / share, sum(box.most_w for box in bus) / share
    if row:
        bus = [*bus, box_of(row, row.sku)]
        mean, most = mean + row.own_draw_w, most + row.own_draw_w
    current = most / (11 * volts / 12)
    if row and row.current_max_a < current:
        return None
    low, high = max(box.low_v for box in bus), min(box.high_v for box in bus)
    if low > high:
        return None
    kit = builders.kit(
        system_voltage_v=volts, units=tuple((units + Counter([row.sku] if row else [])).items()),
        input_min_v=low, input_max_v=high, bus_w=(("always", mean),), max_w=most, max_current_a=current,
        load_terminal=row is None, volume_l=sum(box.volume_l for box in bus),
        temp_min_c=max(box.cold_c for box in bus), temp_max_c=min(box.hot_c for box in bus),
    )  # fmt: skip
    return kit, mean
