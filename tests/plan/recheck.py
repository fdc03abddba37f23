"""The kit of a planned site, rechecked from the plan's tables and the scenario's, port by port.

Plain scalar arithmetic, written from the standard and the rules; nothing of the planner's demand or designs.
What breaks a rule is a sentence; `Kit` is what the bus then sees.
"""

import re
from collections import Counter, defaultdict
from dataclasses import dataclass, field, replace
from math import inf

from planner.scenario import Scenario
from planner.tables.catalogue import ConverterRow, SwitchRow
from planner.tables.plan_rows import BillRow, PortRow, SiteDesignRow
from planner.tables.rows import DeviceRow, SiteRow
from tests.plan.wires import AWG24_OHM_PER_M, CLASSES, MOST_V, at_load_v, at_source, over

TOL = 1e-3  # the plan's tables round to this and finer


PORT = re.compile(r"(poe class \d|passive [\d.]+ V|data|sfp) #(\d+)(?: \+ injector)?")


@dataclass(frozen=True)
class Draw:
    """What is fed at one place: W around the clock, W while on by schedule, greatest W, window, poles."""

    name: str
    own_w: float = 0.0
    on_w: tuple[tuple[str, float], ...] = ()
    most_w: float = 0.0
    low_v: float = 0.0
    high_v: float = inf
    poles: frozenset[str] = frozenset()
    surge_w: float = 0.0


@dataclass
class Kit:
    """What the bus sees, and what breaks a rule."""

    wrong: list[str] = field(default_factory=list)
    draws: list[Draw] = field(default_factory=list)
    boxes: list[SwitchRow | ConverterRow] = field(default_factory=list)  # all that stand in the enclosure
    units: Counter[str] = field(default_factory=Counter)
    exact: bool = True  # the load is known to the watt, not only from below


class Recheck:
    """One site: its rows of the plan, and the parts by SKU."""

    def __init__(
        self, scenario: Scenario, site: SiteRow, design: SiteDesignRow, ports: list[PortRow],
        bill: list[BillRow], bus_v: tuple[float, float], hot_c: float,
    ) -> None:  # fmt: skip
        """`bus_v` is the window of the bus, `hot_c` the hottest hour in the enclosure."""
        self.site, self.design, self.ports, self.settings = site, design, ports, scenario.settings
        self.bus_v, self.hot_c = bus_v, hot_c
        tables = scenario.tables
        self.tables = tables
        self.switches = {row.sku: row for row in tables.switches}
        self.converters = {row.sku: row for row in tables.converters}
        self.devices = {row.device: row for row in tables.devices}
        self.bill = Counter({row.sku: row.quantity for row in bill})
        self.feeds = dict(pair.split(" behind ") for pair in design.feeds.split("; ")) if design.feeds else {}
        self.kit = Kit()

    def expect(self, holds: bool, sentence: str) -> None:
        if not holds:
            self.kit.wrong.append(f"{self.site.site_id}: {sentence}")

    def run(self) -> Kit:
        """Every check; the kit as the bus sees it."""
        power = [row for row in self.ports if row.role == "power"]
        self.all_devices(power)
        self.all_ports()
        self.network(power)
        fed: dict[str, list[Draw]] = defaultdict(list)
        for (sku, unit), rows in self.by_switch(power).items():
            fed[sku].append(self.switch(self.switches[sku], unit, rows))
        for row in power:
            device = self.devices[row.device]
            via = self.converters.get(row.via_sku)
            if via is not None and via.kind == "poe_injector":
                fed[via.sku].append(self.injector(via, device, row))
            elif device.supply in ("dc", "ac"):
                fed[device.device].append(self.loose(device, row))
        self.feed(fed)
        self.protect()
        return self.kit

    # Devices and ports

    def all_devices(self, power: list[PortRow]) -> None:
        """Every load's devices are powered, each as stated or all of a kind by one alternative."""
        asked: Counter[tuple[str, float]] = Counter()
        for load in self.tables.loads:
            if load.load_profile == self.site.load_profile:
                asked[load.device, load.cable_m] += load.quantity
        given = Counter((self.devices[r.device].alternative_to or r.device, r.cable_m) for r in power)
        self.expect(asked == given, f"asks for {asked}, powers {given}")
        self.expect(len({(r.device, r.instance) for r in power}) == len(power), "numbers a device twice")

    def all_ports(self) -> None:
        """Every port exists, is of the kind that the row says, and is taken once."""
        taken = Counter((r.switch_sku, r.switch_unit, self.number(r)) for r in self.ports if r.switch_sku)
        for port, times in taken.items():
            self.expect(times == 1, f"takes port {port} {times} times")
        for row in self.ports:
            if not row.switch_sku:
                continue
            port = self.port(row)
            served = f"poe class {3 if port.poe_class == 0 else port.poe_class}"
            names = {"poe": served, "passive_poe": f"passive {port.passive_v or 0:g} V"}
            name = names.get(port.port_kind, port.port_kind)
            self.expect(row.port.startswith(f"{name} #"), f"calls {name} of {row.switch_sku} {row.port}")
            if row.role == "data" or row.port.endswith("injector"):
                self.expect(port.port_kind in ("poe", "data"), f"{row.device} has data on {row.port}")
            if row.role in ("uplink", "link"):
                self.expect(port.port_kind != "passive_poe", f"{row.role} on {row.port}")

    def number(self, row: PortRow) -> int:
        found = PORT.fullmatch(row.port)
        assert found is not None, row.port
        return int(found[2])

    def port(self, row: PortRow):
        """The group of `switch_ports` that the numbered port stands in."""
        left = self.number(row)
        for group in self.tables.switch_ports:
            if group.sku == row.switch_sku:
                if left <= group.quantity:
                    return group
                left -= group.quantity
        raise AssertionError(f"{row.switch_sku} has no port {row.port}")

    def by_switch(self, power: list[PortRow]) -> dict[tuple[str, int], list[PortRow]]:
        """Devices that each switch powers, with switches that power none."""
        hung: dict[tuple[str, int], list[PortRow]] = {
            (r.switch_sku, r.switch_unit or 0): [] for r in self.ports if r.switch_sku
        }
        for row in power:
            injected = row.via_sku and self.converters[row.via_sku].kind == "poe_injector"
            if row.switch_sku and not injected:
                hung[row.switch_sku, row.switch_unit or 0].append(row)
        for sku, _ in hung:
            self.kit.units[sku] += 1
        return hung

    def network(self, power: list[PortRow]) -> None:
        """Data ports, the uplinks, and links that join all switches; a module in every SFP port."""
        data = Counter((r.device, r.instance) for r in self.ports if r.role == "data")
        for row in power:
            device = self.devices[row.device]
            own = 1 if row.switch_sku and device.data_ports else 0
            has = data[row.device, row.instance] + own
            self.expect(has == device.data_ports or (own == 1 and device.data_ports == 0),
                        f"{row.device} needs {device.data_ports} ports, has {has}")  # fmt: skip
            if device.data_ports or device.supply in ("poe", "passive_poe"):
                self.expect(
                    row.cable_m <= self.settings.demand.channel_max_m, f"{row.device} at {row.cable_m} m"
                )
        talks = any(self.devices[row.device].data_ports for row in power)
        uplinks = [row for row in self.ports if row.role == "uplink"]
        policy = self.settings.policy
        self.expect(len(uplinks) == policy.uplink_ports * talks, f"has {len(uplinks)} uplinks")
        mediums = {self.port(row).port_kind == "sfp" for row in uplinks}
        self.expect(
            {"copper": True, "fibre": False}.get(policy.uplink_medium) not in mediums, "uplink's medium"
        )
        self.joined() if talks else None
        modules = [row for row in self.ports if row.port.startswith("sfp")]
        for row in modules:
            module = self.converters.get(row.via_sku)
            self.expect(module is not None and module.kind == "sfp_module", f"no SFP module in {row.port}")
            self.kit.units[row.via_sku] += 1

    def joined(self) -> None:
        ends: dict[int, list[PortRow]] = defaultdict(list)
        for row in self.ports:
            if row.role == "link":
                ends[row.link or 0].append(row)
        units = {(r.switch_sku, r.switch_unit) for r in self.ports if r.switch_sku}
        tree = {unit: unit for unit in units}

        def root(unit):
            return unit if tree[unit] == unit else root(tree[unit])

        for number, pair in ends.items():
            kinds = {self.port(row).port_kind == "sfp" for row in pair}
            self.expect(len(pair) == 2 and len(kinds) == 1, f"link {number} is no pair of like ports")
            tree[root((pair[0].switch_sku, pair[0].switch_unit))] = root(
                (pair[-1].switch_sku, pair[-1].switch_unit)
            )
        self.expect(len({root(unit) for unit in units}) <= 1, "leaves switches apart")

    # What boxes draw

    def switch(self, row: SwitchRow, unit: int, hung: list[PortRow]) -> Draw:
        """A switch with what it powers: budget, classes, pairs, passive voltages."""
        low, high = self.at(row.sku)
        budget = row.poe_budget_w
        if row.poe_budget_low_w is not None and low < row.poe_budget_low_below_v - TOL:
            budget = row.poe_budget_low_w
        if row.poe_derate_above_c is not None:
            budget -= max(0.0, self.hot_c - row.poe_derate_above_c) * row.poe_derate_w_per_k
        budget = max(0.0, budget)
        mine = [r for r in self.ports if (r.switch_sku, r.switch_unit) == (row.sku, unit)]
        modules = [self.converters[r.via_sku] for r in mine if r.port.startswith("sfp")]
        self.kit.boxes += [row, *modules]
        own = row.own_draw_w + sum(module.own_draw_w for module in modules)
        draw = replace(bare(row), own_w=own, most_w=own)
        drawn = 0.0
        for one in hung:
            device = self.devices[one.device]
            share, idle, mean, most, poles = self.hangs(row, device, one, low, high)
            drawn += share
            on = ((device.schedule, mean / row.pse_efficiency),)
            draw = replace(
                draw, own_w=draw.own_w + idle / row.pse_efficiency, on_w=draw.on_w + on,
                most_w=draw.most_w + most / row.pse_efficiency, poles=draw.poles | poles,
            )  # fmt: skip
        self.expect(drawn <= budget + TOL, f"{row.sku} gives {drawn:.2f} W of {budget:.2f} W")
        return draw

    def hangs(self, switch: SwitchRow, device: DeviceRow, row: PortRow, low: float, high: float):
        """(share of the budget, idle W, mean W on top, greatest W, poles) of a device at its port."""
        port, passes = self.port(row), switch.pse_kind == "passthrough"
        self.expect(switch.pse_kind != "none", f"{switch.sku} powers {device.device}")
        if device.supply == "poe" or row.via_sku:
            asked = self.converters[row.via_sku] if row.via_sku else device
            poe = CLASSES[asked.poe_class]
            rank = 3 if asked.poe_class == 0 else asked.poe_class
            given = 3 if port.poe_class == 0 else port.poe_class
            self.expect(
                port.port_kind == "poe" and given >= rank, f"{device.device} of class {rank} on {row.port}"
            )
            self.expect(poe.pairs <= (4 if given >= 5 else 2), f"{device.device} needs four pairs")
            if passes:
                self.expect(
                    poe.least_v <= low + TOL and high <= MOST_V + TOL, f"{switch.sku} passes {low}-{high} V"
                )
            if row.via_sku:
                idle, on, most = self.adapted(asked, device, row)
                share = poe.pse_w
            else:
                idle, (on, most) = 0.0, (over(device.poe_class, w, row.cable_m, self.settings)
                                         for w in (device.average_w, device.max_w))  # fmt: skip
                measured = device.power_allocation == "measured" and switch.measured_allocation
                share = most if measured else poe.pse_w
            self.expect(
                most <= poe.pse_w + 0.1, f"{device.device} takes {most:.2f} W at a port of {poe.pse_w} W"
            )
            return share, idle, on - idle, most, frozenset()
        ohm, nominal = AWG24_OHM_PER_M * row.cable_m, device.passive_v
        self.expect(
            port.port_kind == "passive_poe" and port.passive_v == nominal, f"{device.device} on {row.port}"
        )
        v_low, v_high = (low, high) if passes else (nominal, nominal)
        if passes:
            self.expect(0.9 * nominal <= v_low + TOL, f"{device.device} has {v_low:.2f} V at its port")
            self.expect(
                v_high <= (device.input_max_v or 1.2 * nominal) + TOL, f"{device.device} gets {v_high:.2f} V"
            )
            self.kit.exact = False
        self.window(device, v_low, v_high, ohm)
        most = at_source(device.max_w, v_low, ohm)
        self.expect(
            most <= (port.port_max_w or inf) + TOL, f"{device.device} takes {most:.2f} W of {row.port}"
        )
        poles = earthed(device.case_ground, switch.isolated)
        return most, 0.0, at_source(device.average_w, v_low, ohm), most, poles if passes else behind(poles)

    def window(self, device: DeviceRow, low: float, high: float, ohm: float) -> None:
        """A device at the end of a cable: voltage at its greatest power, and without load."""
        left = at_load_v(device.max_w, low, ohm)
        self.expect(left >= (device.input_min_v or TOL) - TOL, f"{device.device} has {left:.2f} V left")
        self.expect(high <= (device.input_max_v or inf) + TOL, f"{device.device} gets {high:.2f} V")

    def adapted(self, adapter: ConverterRow, device: DeviceRow, row: PortRow) -> tuple[float, float, float]:
        """Idle, mean and greatest W at the port of an adapter near its device."""
        self.expect(
            adapter.kind == "poe_adapter" and adapter.output_v == device.passive_v, f"{device.device} via"
        )
        patch = min(row.cable_m, self.settings.demand.adapter_patch_m)
        ohm, volts = AWG24_OHM_PER_M * patch, adapter.output_v
        self.window(device, volts, volts, ohm)
        on, most = at_source(device.average_w, volts, ohm), at_source(device.max_w, volts, ohm)
        self.expect(most <= adapter.output_max_w + TOL, f"{adapter.sku} gives {most:.2f} W")
        self.kit.units[adapter.sku] += 1
        self.kit.boxes.append(adapter)
        own, far = adapter.own_draw_w, row.cable_m - patch
        idle, on, most = (
            over(adapter.poe_class, own + w / adapter.efficiency, far, self.settings) for w in (0, on, most)
        )
        return idle, on, most

    def injector(self, row: ConverterRow, device: DeviceRow, port: PortRow) -> Draw:
        """An injector with its device."""
        rank, given = (3 if c == 0 else c for c in (device.poe_class, row.poe_class))
        self.expect(device.supply == "poe" and given >= rank, f"{device.device} behind {row.sku}")
        on, most = (
            over(device.poe_class, w, port.cable_m, self.settings) for w in (device.average_w, device.max_w)
        )
        self.expect(
            most <= min(CLASSES[device.poe_class].pse_w, row.output_max_w or inf) + 0.1, f"{row.sku} {most} W"
        )
        self.kit.units[row.sku] += 1
        self.kit.boxes.append(row)
        return replace(bare(row), most_w=row.own_draw_w + most / row.efficiency,
                       on_w=((device.schedule, on / row.efficiency),))  # fmt: skip

    def loose(self, device: DeviceRow, row: PortRow) -> Draw:
        """A DC device at the end of its cable, or an AC device."""
        alternating = device.supply == "ac"
        mean, most = device.average_w, device.max_w
        if not alternating and row.cable_m:
            low, high = self.at(device.device)
            demand = self.settings.demand
            ohm = 2 * demand.copper_ohm_mm2_per_m * row.cable_m / demand.dc_conductor_mm2
            self.window(device, low, high, ohm)
            mean, most = at_source(mean, low, ohm), at_source(most, low, ohm)
            self.kit.exact &= device.device in self.feeds  # else the planner takes the lowest bus of all
        poles = frozenset() if alternating else earthed(device.case_ground, False)
        return Draw(
            device.device, 0.0, ((device.schedule, mean),), most,
            device.input_min_v or 0.0, device.input_max_v or inf, poles,
            (device.surge_w or 0.0) if alternating else 0.0,
        )  # fmt: skip

    # Feeding

    def at(self, name: str) -> tuple[float, float]:
        """Voltages at which a box is fed."""
        via = self.feeds.get(name)
        volts = self.converters[via].output_v if via else None
        return self.bus_v if via is None else (volts, volts)

    def feed(self, fed: dict[str, list[Draw]]) -> None:
        """Everything on the bus or behind as many converters as the bill has, within power and poles."""
        self.expect(set(self.feeds) <= set(fed), f"feeds {set(self.feeds) - set(fed)} that are not there")
        behind_of: dict[str, list[Draw]] = defaultdict(list)
        for name, draws in fed.items():
            low, high = self.at(name)
            for draw in draws:
                inside = draw.low_v <= low + TOL and high <= draw.high_v + TOL
                self.expect(inside, f"{name} takes {draw.low_v}-{draw.high_v} V, gets {low:.2f}-{high:.2f} V")
            device = self.devices.get(name)
            via = self.converters.get(self.feeds.get(name, ""))
            alternating = device is not None and device.supply == "ac"
            kind = ("inverter",) if alternating else ("dc_dc", None)
            self.expect((via.kind if via else None) in kind, f"{name} is fed by {via and via.kind}")
            if alternating and via is not None and device.input_hz:
                self.expect(device.input_hz == via.output_hz, f"{name} gets {via.output_hz} Hz")
            (behind_of[via.sku] if via else self.kit.draws).extend(draws)
        for sku, draws in behind_of.items():
            self.share(self.converters[sku], draws)

    def share(self, row: ConverterRow, draws: list[Draw]) -> None:
        number = self.bill[row.sku]
        self.kit.units[row.sku] += number
        self.kit.boxes += [row] * number
        self.expect(
            packs(draws, [[] for _ in range(number)], row), f"{number} x {row.sku} cannot feed {draws}"
        )
        poles = behind(frozenset().union(*(d.poles for d in draws))) if not row.isolated else frozenset()
        eff, own = row.efficiency, number * row.own_draw_w
        self.kit.draws.append(
            replace(
                bare(row), own_w=own + sum(d.own_w for d in draws) / eff,
                on_w=tuple((name, w / eff) for d in draws for name, w in d.on_w),
                most_w=own + sum(d.most_w for d in draws) / eff,
                surge_w=own + (sum(d.most_w for d in draws) + inrush(draws)) / eff,
                poles=earthed(row.case_ground, row.isolated) | poles,
            )
        )  # fmt: skip

    def protect(self) -> None:
        """The load disconnect, if it is a box: all load passes it."""
        boxes = [
            sku
            for sku in self.bill
            if sku in self.converters and self.converters[sku].kind == "load_disconnect"
        ]
        own = self.design.load_disconnect == "its own box"
        self.expect(len(boxes) == own, f"disconnects by {self.design.load_disconnect}, buys {boxes}")
        for sku in boxes:
            row = self.converters[sku]
            self.kit.units[sku] += 1
            self.kit.boxes.append(row)
            self.kit.draws = [*(passed(draw, row.efficiency) for draw in self.kit.draws), bare(row)]
            amps = sum(d.most_w for d in self.kit.draws) / self.bus_v[0]
            self.expect(amps <= row.current_max_a + TOL, f"{amps:.2f} A through {sku}")
            starts = amps + inrush(self.kit.draws) / self.bus_v[0]
            self.expect(starts <= (row.surge_a or inf) + TOL, f"{starts:.2f} A for seconds through {sku}")
        for draw in self.kit.draws:
            low, high = self.bus_v
            inside = draw.low_v <= low + TOL and high <= draw.high_v + TOL
            self.expect(
                inside, f"{draw.name} takes {draw.low_v}-{draw.high_v} V, the bus has {low:.2f}-{high:.2f} V"
            )
        poles = frozenset().union(*(d.poles for d in self.kit.draws))
        ground = self.site.bus_grounding.value
        self.expect(
            len(poles) < 2 and (ground == "floating" or poles <= {ground}), f"{ground} bus earthed at {poles}"
        )


def bare(row: SwitchRow | ConverterRow) -> Draw:
    """A box with nothing behind it."""
    own = row.own_draw_w
    return Draw(
        row.sku, own, (), own, row.input_min_v, row.input_max_v, earthed(row.case_ground, row.isolated)
    )


def earthed(ground: str | None, isolated: bool) -> frozenset[str]:
    """The pole that a case ties to earth."""
    return frozenset() if isolated or ground in (None, "floating") else frozenset({str(ground)})


def behind(poles: frozenset[str]) -> frozenset[str]:
    """Poles of an output that shares its negative with the input: its positive is another, so a short."""
    return frozenset({"negative", "positive"}) if "positive" in poles else poles


def passed(d: Draw, eff: float) -> Draw:
    """What is drawn through a box that loses a share."""
    on_w = tuple((name, watts / eff) for name, watts in d.on_w)
    return replace(d, own_w=d.own_w / eff, on_w=on_w, most_w=d.most_w / eff, surge_w=d.surge_w / eff)


def inrush(draws: list[Draw]) -> float:
    """What the worst start takes on top of everything at its greatest; one starts at a time."""
    return max([0.0, *(d.surge_w - d.most_w for d in draws)])


def packs(draws: list[Draw], bins: list[list[Draw]], row: ConverterRow) -> bool:
    """Whether boxes go behind these units: power, inrush of the worst on top, one earthed pole."""
    if not draws:
        return True
    for i, some in enumerate(bins):
        together = [*some, draws[0]]
        most = sum(d.most_w for d in together)
        peak = most + inrush(together)
        holds = most <= row.output_max_w + TOL and len(frozenset().union(*(d.poles for d in together))) < 2
        if peak > most + TOL:
            holds &= peak <= max(row.surge_w or 0.0, row.output_max_w) + TOL
        if holds and packs(draws[1:], [*bins[:i], together, *bins[i + 1 :]], row):
            return True
        if not some:
            return False
    return False
