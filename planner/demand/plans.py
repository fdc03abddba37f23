"""Port plans: switches and helpers that carry all devices of a profile."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from math import ceil, inf

from planner.demand.assign import LinkEnd, Wiring, wire_up
from planner.demand.channel import class_source_w
from planner.demand.derating import budget_range
from planner.demand.lacks import PASSIVE, Lack, shortfalls, unsplit
from planner.demand.ports import EPS_W, Fit, Switch
from planner.demand.profile import Way
from planner.demand.split import Needs, Split, find_split
from planner.tables.catalogue import ConverterRow, SwitchRow
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
    def ranges(self) -> list[tuple[SwitchRow, float, float]]:
        """Of every switch that feeds something: its row, lowest voltage and highest temperature it holds."""
        used: dict[tuple[str, int], float] = {}
        for a in self.wiring.assignments:
            used[a.host_sku, a.host_unit] = used.get((a.host_sku, a.host_unit), 0.0) + a.allocated_w
        rows = {switch.row.sku: switch.row for switch in self.switches}
        return [(rows[sku], *budget_range(rows[sku], w)) for (sku, _), w in used.items() if sku in rows]

    def derated(self, *, lowest_v: float, hottest_c: float) -> bool:
        """Whether some switch gives so much that its range narrows, within the limits of a bus."""
        return any(
            max(low_v, lowest_v) > max(row.input_min_v, lowest_v)
            or min(high_c, hottest_c) < min(row.temp_max_c, hottest_c)
            for row, low_v, high_c in self.ranges
        )

    @property
    def heat_c(self) -> float:
        """Highest temperature at which all its switches give what is drawn."""
        return min((high_c for _, _, high_c in self.ranges), default=inf)


def plan_ports(
    way: Way, switches: tuple[Switch, ...], accepted: Sequence[PortPlan]
) -> PortPlan | tuple[Lack, ...]:
    """The plan of these boxes with the fewest helpers, or what they lack: nothing where it would be idle.

    `accepted` are plans of a part of the switches. A set that holds one is idle, unless its better PSE
    efficiency can repay its own draw or it saves helpers.
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
    if split is None:
        return () if way.helpers else (("port-split", partial(unsplit, switches)),)
    helpers, load_w = _sums(way, switches, fits, split)
    idle = helpers.keys() != way.helpers or _beaten(helpers, load_w, split.links.modules, accepted)
    return () if idle else _finish(way, switches, fits, split, load_w)


def _helper_numbers(
    way: Way, switches: Sequence[Switch], accepted: Sequence[PortPlan], fits: Sequence[Sequence[Fit]]
) -> tuple[range, range]:
    """Numbers of injectors and of adapters worth trying; none where an accepted plan is at least as good."""
    needs, adapters = way.profile.needs, _adapter_numbers(way, fits)
    most = sum(group.count for group, ok in zip(needs.groups, way.injectable, strict=True) if ok)
    least = max(len(way.injectors), _injectors_least(needs, switches, fits)) if way.injectors else 0
    lowest_w = _load_floor_w(way, switches) + least * min(
        (row.own_draw_w for row in way.injectors), default=0
    )
    fewest = _fewest(way.injectors, least) | _fewest(way.adapters, adapters.start)
    modules = needs.network.uplinks if needs.network.medium == "fibre" else 0  # that every plan has
    if _beaten(fewest, lowest_w, modules, accepted):
        return range(0), adapters
    for plan in accepted:
        same = not way.adapters and plan.helpers.keys() == way.helpers
        if same and plan.load_w <= lowest_w + EPS_W and plan.modules <= modules:
            most = min(most, plan.helpers.total() - 1)
    return range(least, most + 1), adapters


def _fewest(rows: Sequence[ConverterRow], number: int) -> dict[str, int]:
    """Units that a number of helpers has of each SKU at the least."""
    return {row.sku: number if len(rows) == 1 else 1 for row in rows}


def _beaten(
    helpers: Mapping[str, int], load_w: float, modules: int, accepted: Sequence[PortPlan]
) -> bool:
    """Whether an accepted plan does the same with a part of the helpers and no more load."""
    return any(
        plan.load_w <= load_w + EPS_W and plan.modules <= modules and within(plan.helpers, helpers)
        for plan in accepted
    )


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


def _sums(
    way: Way, switches: Sequence[Switch], fits: Sequence[Sequence[Fit]], split: Split
) -> tuple[Counter[str], float]:
    """Helpers of a split by SKU, and the mean power at the inputs of its boxes."""
    helpers: Counter[str] = Counter()
    load_w = sum(switch.row.own_draw_w for switch in switches)
    for g, group in enumerate(way.profile.needs.groups):
        for number, switch, one in zip(split.on_switch[g], switches, fits[g], strict=True):
            if number:
                load_w += number * (one.average_w + one.own_w) / switch.row.pse_efficiency
        if group.adapter and sum(split.on_switch[g]):
            helpers[group.adapter.sku] += sum(split.on_switch[g])
        injector = way.injector_of(g)
        if split.injected[g] and injector:
            helpers[injector.sku] += split.injected[g]
            mean_w = class_source_w(
                group.row.average_w,
                group.poe_class,
                group.cable_m,
                way.profile.settings.demand.poe_loop_ohm_per_100m,
            )
            load_w += split.injected[g] * (injector.own_draw_w + mean_w / injector.efficiency)
    return helpers, load_w


def _finish(
    way: Way, switches: tuple[Switch, ...], fits: Sequence[Sequence[Fit]], split: Split, load_w: float
) -> PortPlan:
    """The plan with its ports named."""
    profile = way.profile
    return PortPlan(
        switches=switches,
        injector_rows=way.injectors,
        adapter_rows={row.sku: row for row in way.adapters},
        wiring=wire_up(profile.needs, profile.loose, switches, fits, split, way.injectors, profile.settings),
        load_w=load_w,
    )


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
