"""Which devices hang on which switch: nested PoE classes, budgets, passive feeds, copper ports, injectors.

A port serves every device of its class or lower, so the sets of ports that serve the groups of devices
on one switch are nested, and Hall's condition is a count: taking the groups by how few ports serve them,
the devices so far never exceed those ports. Over several switches the counts are searched.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

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
from planner.scenario import Tables
from planner.settings import Settings
from planner.tables.catalogue import ConverterRow, PortKind, PseKind, SwitchRow
from planner.tables.rows import Allocation, DeviceRow, Supply

PASSIVE_LOW, PASSIVE_HIGH = 0.90, 1.20  # of nominal, at a pass-through port (common practice, no source)
SPLIT_STEPS_MAX = 4000  # counts tried for one set of switches before it is given up
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """A group of devices on a switch: how many ports serve it, and what one device takes there (W)."""

    ports: int
    allocated_w: float
    average_w: float
    most_w: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Needs:
    """What a profile asks of its switches: groups fed by a port, further copper ports, uplinks, links."""

    groups: tuple[Group, ...]
    data_ports: int
    uplinks: int
    linked: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """Devices of each group on each switch, and behind injectors: [group][switch] and [group]."""

    on_switch: tuple[tuple[int, ...], ...]
    injected: tuple[int, ...]


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
        switches.append(Switch(row=row, ports=tuple(ports), copper=copper, sfp=sfp))
    return switches


def passive_window(row: DeviceRow, cable_m: float) -> tuple[float, float]:
    """Voltage a pass-through port must keep for a passive device at the end of its cable, V.

    The device's own window, raised at the bottom by the cable's drop at greatest power; never under
    `PASSIVE_LOW` of nominal, nor, where the device states no window, over `PASSIVE_HIGH`.
    """
    nominal, loop = row.passive_v or 0.0, passive_loop_ohm(cable_m)
    low = max(PASSIVE_LOW * nominal, floor_v(row.max_w, row.input_min_v or 0.0, loop))
    return low, row.input_max_v or PASSIVE_HIGH * nominal


def fit(group: Group, switch: Switch, settings: Settings) -> Fit:
    """How a switch serves a group of devices."""
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


@dataclass(slots=True)
class _Search:
    """Counts handed out so far; bounded by steps, so that a hopeless set costs little."""

    needs: Needs
    switches: Sequence[Switch]
    fits: Sequence[Sequence[Fit]]  # [group][switch]
    order: Sequence[int]  # switches, the least lossy first
    chains: Sequence[Sequence[tuple[int, ...]]]  # per switch, nested chains of groups, fewest ports first
    injectable: Sequence[bool]
    counts: list[list[int]]
    injected: list[int]
    injectors_left: int
    steps: int = 0

    def run(self) -> bool:
        """Whether a split exists; it then stands in `counts` and `injected`."""
        if self.needs.groups:
            return self.place(0, 0, self.needs.groups[0].count)
        bare = all(switch.copper >= self.link_ports() for switch in self.switches)
        return bare and self.spare_copper() >= 0

    def link_ports(self) -> int:
        """Copper each switch keeps for at least one link."""
        return int(self.needs.linked and len(self.switches) > 1)

    def spare_copper(self) -> int:
        """Copper left over all switches once devices, links, uplinks and data ports have theirs."""
        total = sum(switch.copper for switch in self.switches)
        placed = sum(
            sum(row)
            for row, group in zip(self.counts, self.needs.groups, strict=True)
            if group.row.supply is Supply.POE
        )
        behind = sum(
            n for n, group in zip(self.injected, self.needs.groups, strict=True) if group.row.data_ports > 0
        )
        return total - placed - behind - loose_ports(self.needs, self.switches)

    def holds(self, h: int) -> bool:
        """Whether a switch bears what hangs on it: Hall's counts, its budget, copper for a link."""
        for chain in self.chains[h]:
            hung = 0
            for g in chain:
                hung += self.counts[g][h]
                if self.counts[g][h] and hung > self.fits[g][h].ports:
                    return False
        groups = range(len(self.counts))
        drawn = sum(self.counts[g][h] * self.fits[g][h].allocated_w for g in groups if self.counts[g][h])
        on_copper = sum(self.counts[g][h] for g in groups if self.needs.groups[g].row.supply is Supply.POE)
        switch = self.switches[h]
        return drawn <= switch.row.poe_budget_w + EPS_W and on_copper <= switch.copper - self.link_ports()

    def place(self, g: int, at: int, left: int) -> bool:
        """Place what is left of group g on the switches from `at` in order, then the groups after it."""
        self.steps += 1
        if self.steps > SPLIT_STEPS_MAX:
            return False
        if at == len(self.order):
            return self._inject(g, left)
        h = self.order[at]
        for count in range(min(left, self.fits[g][h].ports), -1, -1):
            self.counts[g][h] = count
            if self.holds(h) and self.place(g, at + 1, left - count):
                return True
        self.counts[g][h] = 0
        return False

    def _inject(self, g: int, left: int) -> bool:
        if left and (left > self.injectors_left or not self.injectable[g]):
            return False
        self.injected[g] = left
        self.injectors_left -= left
        last = g + 1 == len(self.counts)
        done = self.spare_copper() >= 0 if last else self.place(g + 1, 0, self.needs.groups[g + 1].count)
        if not done:
            self.injected[g] = 0
            self.injectors_left += left
        return done


def injects(row: ConverterRow, group: Group, settings: Settings) -> bool:
    """Whether an injector feeds a device of the group: its class, and its power where it states one."""
    if group.row.supply is not Supply.POE or effective_class(row.poe_class) < group.poe_class:
        return False
    loop = settings.demand.poe_loop_ohm_per_100m
    most = class_source_w(group.row.max_w, group.poe_class, group.cable_m, loop)
    return row.output_max_w is None or most <= row.output_max_w + CLASS_CLOSURE_W


def loose_ports(needs: Needs, switches: Sequence[Switch]) -> int:
    """Copper ports for data, for both ends of the links of a tree of switches, for uplinks without SFP."""
    links = 2 * (len(switches) - 1) if needs.linked and switches else 0
    fibre = sum(switch.sfp for switch in switches)
    return needs.data_ports + links + max(0, needs.uplinks - fibre)


def find_split(
    needs: Needs,
    switches: Sequence[Switch],
    fits: Sequence[Sequence[Fit]],
    injectable: Sequence[bool],
    injectors: range,
) -> Split | None:
    """Counts of every group on every switch with the fewest injectors, or None.

    Parameters
    ----------
    needs : Needs
        Groups fed by a port, hardest first, and what else takes copper.
    switches : sequence of Switch
        Units; the same SKU may stand twice.
    fits : sequence of sequences of Fit
        [group][switch].
    injectable : sequence of bool
        Groups that may stand behind an injector on a data port.
    injectors : range
        Numbers of injectors to try, in order.

    Notes
    -----
    Devices go to the switch with the best PSE efficiency first, hardest groups first; with backtracking
    this finds a split whenever one exists, within `SPLIT_STEPS_MAX` counts tried.
    """
    chains = [_chains(needs.groups, fits, h) for h in range(len(switches))]
    order = sorted(range(len(switches)), key=lambda h: (-switches[h].row.pse_efficiency, h))
    for number in injectors:
        search = _Search(
            needs=needs,
            switches=switches,
            fits=fits,
            order=order,
            chains=chains,
            injectable=injectable,
            counts=[[0] * len(switches) for _ in needs.groups],
            injected=[0] * len(needs.groups),
            injectors_left=number,
        )
        if search.run():
            return Split(on_switch=tuple(map(tuple, search.counts)), injected=tuple(search.injected))
    return None


def _chains(groups: Sequence[Group], fits: Sequence[Sequence[Fit]], h: int) -> tuple[tuple[int, ...], ...]:
    """Groups whose ports on switch h are nested, the fewest ports first: PoE, and each passive voltage."""
    nested: dict[float | None, list[int]] = {}
    for g, group in enumerate(groups):
        passive = group.row.supply is Supply.PASSIVE_POE
        nested.setdefault(group.row.passive_v if passive else None, []).append(g)
    return tuple(tuple(sorted(chain, key=lambda g: fits[g][h].ports)) for chain in nested.values())
