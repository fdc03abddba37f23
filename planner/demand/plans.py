"""Port plans: switches and helpers that carry all devices of a profile."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from math import ceil, inf

from planner.demand.assign import LinkEnd, Wiring, wire_up
from planner.demand.derating import narrows
from planner.demand.lacks import PASSIVE, Lack, shortfalls, unsplit
from planner.demand.ports import EPS_W, Fit, Switch
from planner.demand.profile import Way
from planner.demand.split import Needs, Split, find_split
from planner.tables.catalogue import ConverterRow
from planner.tables.rows import Supply

NOTHING: frozenset[str] = frozenset()
#: Lacks that enough injectors make good, and lacks where injectors are tried.
MADE_GOOD = frozenset({"poe-class", "poe-ports", "poe-budget", "port-window"})
INJECTED = MADE_GOOD | {"port-split", "port-count"}


@dataclass(frozen=True, kw_only=True)
class PortPlan:
    """Switches and helpers with every port named; `load_w` is the mean power at their inputs."""

    switches: tuple[Switch, ...]
    injector_rows: tuple[ConverterRow, ...]
    adapter_rows: dict[str, ConverterRow]
    wiring: Wiring
    load_w: float
    optics: ConverterRow | None = None

    @cached_property
    def boxes(self) -> Counter[str]:
        """Switches by SKU."""
        return Counter(switch.row.sku for switch in self.switches)

    @cached_property
    def helpers(self) -> Counter[str]:
        """Injectors and adapters by SKU."""
        given = (sku for a in self.wiring.assignments for sku in (a.via_sku, a.adapter_sku))
        return Counter(sku for sku in given if sku)

    @cached_property
    def units(self) -> Counter[str]:
        """Every box, SFP modules too."""
        modules = {self.optics.sku: self.modules} if self.optics and self.modules else {}
        return self.boxes + self.helpers + Counter(modules)

    @cached_property
    def modules(self) -> int:
        """SFP ports in use."""
        return sum(end.by_sfp for end in self.wiring.links)

    def modules_on(self, sku: str, unit: int) -> int:
        """SFP ports in use on one switch."""
        return sum(end.by_sfp and (end.host_sku, end.host_unit) == (sku, unit) for end in self.wiring.links)

    @cached_property
    def derated(self) -> bool:
        """Whether some switch gives so much that its own range narrows."""
        used: dict[tuple[str, int], float] = {}
        for a in self.wiring.assignments:
            used[a.host_sku, a.host_unit] = used.get((a.host_sku, a.host_unit), 0.0) + a.allocated_w
        rows = {switch.row.sku: switch.row for switch in self.switches}
        return any(narrows(rows[sku], watts) for (sku, _), watts in used.items() if sku in rows)


def plan_ports(
    way: Way, switches: tuple[Switch, ...], accepted: Sequence[PortPlan]
) -> PortPlan | tuple[Lack, ...]:
    """The plan of these boxes with the fewest helpers, or what they lack: nothing where it would be idle.

    A set that holds an accepted one is idle, unless its better PSE efficiency can repay its own draw or
    it saves helpers.
    """
    needs, able = way.profile.needs, way.injectable
    fits = way.profile.fits_of(switches)
    injectors, adapters = _helper_numbers(way, switches, accepted, fits)
    if not injectors or not adapters:
        return ()
    short = shortfalls(needs, switches, fits, able)
    if way.helpers:
        good = (MADE_GOOD if way.injectors else NOTHING) | ({PASSIVE} if way.adapters else NOTHING)
        if any(rule not in good for rule, _ in short):
            return ()
    elif lacks := tuple(short):
        return lacks
    split = find_split(needs, switches, fits, able, injectors, adapters)
    if split is not None:
        return _finish(way, switches, fits, split)
    return () if way.helpers else (("port-split", partial(unsplit, switches)),)


def _helper_numbers(
    way: Way, switches: Sequence[Switch], accepted: Sequence[PortPlan], fits: Sequence[Sequence[Fit]]
) -> tuple[range, range]:
    """Numbers of injectors and of adapters worth trying; none where an accepted plan is at least as good."""
    boxes: dict[str, int] = {}
    for switch in switches:
        boxes[switch.row.sku] = boxes.get(switch.row.sku, 0) + 1
    needs, adapters = way.profile.needs, _adapter_numbers(way, fits)
    most = sum(group.count for group, ok in zip(needs.groups, way.injectable, strict=True) if ok)
    least = max(1, _injectors_least(needs, switches, fits)) if way.injectors else 0
    lowest_w = _load_floor_w(way, switches)
    modules = needs.network.uplinks if needs.network.medium == "fibre" else 0  # that every plan has
    for plan in accepted:
        if plan.load_w > lowest_w + EPS_W or plan.modules > modules or not within(plan.boxes, boxes):
            continue
        if not plan.helpers:
            return range(0), adapters
        if plan.helpers.keys() == way.helpers:
            if len(way.helpers) == 1 and plan.helpers.total() <= least + adapters.start:
                return range(0), adapters
            if not way.adapters:
                most = min(most, plan.helpers.total() - 1)
    return range(least, most + 1), adapters


def within(part: Mapping[str, int], whole: Mapping[str, int]) -> bool:
    """Whether every SKU stands in `whole` as often as in `part`."""
    return all(whole.get(sku, 0) >= number for sku, number in part.items())


def _adapter_numbers(way: Way, fits: Sequence[Sequence[Fit]]) -> range:
    """Numbers of adapters worth trying: at least one of each SKU, and what passive ports cannot take."""
    if not way.adapters:
        return range(1)
    groups, twins = way.profile.needs.groups, way.profile.needs.twins
    short: dict[float | None, tuple[int, int]] = {}
    most = 0
    for group, twin, row in zip(groups, twins, fits, strict=True):
        if not group.on_poe:
            most += group.count if twin >= 0 else 0
            count, ports = short.get(group.row.passive_v, (0, 0))
            short[group.row.passive_v] = (count + group.count, max(ports, sum(one.ports for one in row)))
    least = sum(max(0, count - ports) for count, ports in short.values())
    return range(max(least, len(way.adapters)), most + 1)


def _injectors_least(needs: Needs, switches: Sequence[Switch], fits: Sequence[Sequence[Fit]]) -> int:
    """No fewer injectors can do: ports of each class, and the budget, over all switches."""
    short, asked, largest, placed = 0, 0.0, 0.0, 0
    for g in needs.asked:
        group, row = needs.groups[g], fits[g]
        allocated = min((one.allocated_w for one in row if one.allocated_w < inf), default=0.0)
        if group.row.supply is Supply.POE:
            asked += group.count * allocated
            placed += group.count
            short = max(short, placed - sum(one.ports for one in row))
            largest = max(largest, allocated)
        elif needs.twins[g] < 0:
            asked += group.count * allocated
    over = asked - sum(switch.budget_w for switch in switches) - EPS_W
    return max(short, ceil(over / largest) if largest and over > 0 else 0)


def _load_floor_w(way: Way, switches: Sequence[Switch]) -> float:
    """No plan of these boxes draws less: every device where it draws least."""
    floors = [way.profile.floor_w[switch.row.sku] for switch in switches]
    total = sum(switch.row.own_draw_w for switch in switches)
    for i, g in enumerate(way.profile.needs.asked):
        best = min([way.injected_w[i], *(floor[i] for floor in floors)])
        total += way.profile.needs.groups[g].count * best if best < inf else 0.0
    return total


def _finish(
    way: Way, switches: tuple[Switch, ...], fits: Sequence[Sequence[Fit]], split: Split
) -> PortPlan | tuple[Lack, ...]:
    """The plan with its ports named; nothing if a helper SKU stays idle."""
    profile = way.profile
    wiring = wire_up(profile.needs, profile.loose, switches, fits, split, way.injectors, profile.settings)
    adapter_rows = {row.sku: row for row in way.adapters}
    efficiency = {s.row.sku: s.row.pse_efficiency for s in switches}
    efficiency |= {row.sku: row.efficiency for row in way.injectors}
    own_w = {row.sku: row.own_draw_w for row in way.injectors}
    load = sum(s.row.own_draw_w for s in switches)
    for a in wiring.assignments:
        load += (a.host_w + a.host_own_w) / efficiency[a.via_sku or a.host_sku] + own_w.get(a.via_sku, 0.0)
    plan = PortPlan(
        switches=switches,
        injector_rows=way.injectors,
        adapter_rows=adapter_rows,
        wiring=wiring,
        load_w=load,
    )
    return plan if plan.helpers.keys() == way.helpers else ()


def with_optics(plan: PortPlan, modules: Sequence[ConverterRow]) -> list[PortPlan]:
    """The plan with each SFP module SKU in its SFP ports; the plan itself where it uses none."""
    if not plan.modules:
        return [plan]
    return [
        replace(
            plan,
            optics=row,
            load_w=plan.load_w + plan.modules * row.own_draw_w,
            wiring=replace(plan.wiring, links=tuple(_equipped(end, row) for end in plan.wiring.links)),
        )
        for row in modules
    ]


def _equipped(end: LinkEnd, row: ConverterRow) -> LinkEnd:
    return replace(end, module_sku=row.sku) if end.by_sfp else end
