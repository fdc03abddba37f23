"""Port plans: switches and injectors that carry all devices of a profile, and why others do not."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, combinations_with_replacement
from math import ceil

from planner.demand.assign import Wiring, wire_up
from planner.demand.channel import effective_class
from planner.demand.devices import FED_BY_PORT, Device, Group, group_devices, talks
from planner.demand.ports import Fit, Needs, Split, Switch, find_split, fit, injects, loose_ports
from planner.errors import Refusal
from planner.settings import Settings
from planner.tables.catalogue import ConverterRow
from planner.tables.rows import Supply

EPS_W = 1e-9
MADE_GOOD = ("poe-class", "poe-ports", "poe-budget")  # lacks that enough injectors make good
INJECTED = ("poe-class", "poe-ports", "poe-budget", "port-split", "port-count")  # where injectors are tried


@dataclass(frozen=True, slots=True, kw_only=True)
class PortPlan:
    """Switches and injectors with every port named; `load_w` is the mean power at their inputs."""

    switches: tuple[Switch, ...]
    boxes: Counter[str]  # switches by SKU
    injectors: Counter[str]
    injector_rows: tuple[ConverterRow, ...]
    wiring: Wiring
    load_w: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """What a load profile asks, and how every switch on sale fits it."""

    needs: Needs
    loose: tuple[Device, ...]  # with data ports that no port powers
    fits: dict[str, tuple[Fit, ...]]  # by switch SKU, a Fit for each group
    settings: Settings

    def fits_of(self, switches: Sequence[Switch]) -> list[list[Fit]]:
        """[group][switch]."""
        return [[self.fits[s.row.sku][g] for s in switches] for g in range(len(self.needs.groups))]


def make_profile(devices: Sequence[Device], switches: Sequence[Switch], settings: Settings) -> Profile:
    """The needs of a profile's devices. Where nothing talks, neither links nor an uplink are needed."""
    groups = tuple(group for group in group_devices(devices) if group.row.supply in FED_BY_PORT)
    loose = tuple(d for d in devices if d.row.supply not in FED_BY_PORT and d.row.data_ports > 0)
    extra = sum(group.count * group.extra_ports for group in groups)
    linked = talks(devices)
    return Profile(
        needs=Needs(
            groups=groups,
            data_ports=extra + sum(device.row.data_ports for device in loose),
            uplinks=settings.policy.uplink_ports if linked else 0,
            linked=linked,
        ),
        loose=loose,
        fits={s.row.sku: tuple(fit(group, s, settings) for group in groups) for s in switches},
        settings=settings,
    )


def switch_sets(profile: Profile, switches: Sequence[Switch]) -> Iterator[tuple[Switch, ...]]:
    """Sets of up to `policy.switches_max` units, smaller ones first; none where nothing talks."""
    if not profile.needs.linked:
        yield ()
    if profile.needs.linked or profile.needs.groups:
        for number in range(1, profile.settings.policy.switches_max + 1):
            yield from combinations_with_replacement(switches, number)


def injector_sets(profile: Profile, rows: Sequence[ConverterRow]) -> list[tuple[ConverterRow, ...]]:
    """One injector SKU that serves some group, or two of unlike class."""
    able = [
        row for row in rows if any(injects(row, group, profile.settings) for group in profile.needs.groups)
    ]
    sets: list[tuple[ConverterRow, ...]] = [(row,) for row in able]
    sets += [
        pair
        for pair in combinations(able, 2)
        if effective_class(pair[0].poe_class) != effective_class(pair[1].poe_class)
    ]
    return sets


def plan_ports(
    profile: Profile,
    switches: tuple[Switch, ...],
    injectors: tuple[ConverterRow, ...],
    accepted: Sequence[PortPlan],
) -> PortPlan | Refusal | None:
    """The plan of these boxes with the fewest injectors; a refusal; or None where it would be idle.

    A set that holds an accepted one is idle, unless its better PSE efficiency can repay its own draw or
    it saves injectors.
    """
    fits = profile.fits_of(switches)
    able = [any(injects(row, group, profile.settings) for row in injectors) for group in profile.needs.groups]
    numbers = _injector_numbers(profile, switches, injectors, accepted, fits, able)
    if not numbers:
        return None
    short = shortfalls(profile.needs, switches, fits, able)
    lacks = (lack for lack in short if not injectors or lack.rule not in MADE_GOOD)
    if refusal := next(lacks, None):
        return None if injectors else refusal
    split = find_split(profile.needs, switches, fits, able, numbers)
    if split is None:
        return None if injectors else _unsplit(switches)
    return _finish(profile, switches, fits, split, injectors)


def injected_plans(
    profile: Profile,
    switches: tuple[Switch, ...],
    ways: Sequence[tuple[ConverterRow, ...]],
    accepted: Sequence[PortPlan],
) -> list[PortPlan]:
    """Plans of a set of switches with each way to use injectors."""
    plans = (plan_ports(profile, switches, way, accepted) for way in ways)
    return [plan for plan in plans if isinstance(plan, PortPlan)]


def _injector_numbers(
    profile: Profile,
    switches: Sequence[Switch],
    injectors: tuple[ConverterRow, ...],
    accepted: Sequence[PortPlan],
    fits: Sequence[Sequence[Fit]],
    able: Sequence[bool],
) -> range:
    """Numbers of injectors worth trying."""
    boxes = Counter(switch.row.sku for switch in switches)
    groups = profile.needs.groups
    most = sum(group.count for group, ok in zip(groups, able, strict=True) if ok)
    least = max(1, _injectors_least(profile.needs, switches, fits)) if injectors else 0
    lowest_w = _load_floor_w(profile.needs, switches, fits, injectors)
    for plan in accepted:
        if plan.boxes <= boxes and plan.load_w <= lowest_w + EPS_W:
            if not plan.injectors:
                return range(0)
            if plan.injector_rows == injectors:
                most = min(most, plan.injectors.total() - 1)
    return range(least, most + 1)


def _injectors_least(needs: Needs, switches: Sequence[Switch], fits: Sequence[Sequence[Fit]]) -> int:
    """No fewer injectors can do: ports of each class, and the budget, over all switches."""
    short, asked, largest, placed = 0, 0.0, 0.0, 0
    for group, row in zip(needs.groups, fits, strict=True):
        allocated = min((one.allocated_w for one in row), default=0.0)
        asked += group.count * allocated
        if group.row.supply is Supply.POE:
            placed += group.count
            short = max(short, placed - sum(one.ports for one in row))
            largest = max(largest, allocated)
    over = asked - sum(switch.row.poe_budget_w for switch in switches) - EPS_W
    return max(short, ceil(over / largest) if largest and over > 0 else 0)


def _load_floor_w(
    needs: Needs,
    switches: Sequence[Switch],
    fits: Sequence[Sequence[Fit]],
    injectors: Sequence[ConverterRow],
) -> float:
    """No plan of these boxes draws less: every device at the best efficiency that serves it."""
    best_injector = max((row.efficiency for row in injectors), default=0.0)
    total = sum(switch.row.own_draw_w for switch in switches)
    for group, row in zip(needs.groups, fits, strict=True):
        ways = [s.row.pse_efficiency for s, one in zip(switches, row, strict=True) if one.ports]
        best = max([best_injector, *ways])
        if best:
            total += group.count * min((one.average_w for one in row), default=group.row.average_w) / best
    return total


def _finish(
    profile: Profile,
    switches: tuple[Switch, ...],
    fits: Sequence[Sequence[Fit]],
    split: Split,
    injectors: tuple[ConverterRow, ...],
) -> PortPlan | None:
    """The plan with its ports named; None if an injector of the pair stays idle."""
    wiring = wire_up(profile.needs, profile.loose, switches, fits, split, injectors, profile.settings)
    used = Counter(a.via_sku for a in wiring.assignments if a.via_sku)
    if len(used) < len(injectors):
        return None
    efficiency = {s.row.sku: s.row.pse_efficiency for s in switches}
    efficiency |= {row.sku: row.efficiency for row in injectors}
    load = sum(s.row.own_draw_w for s in switches)
    load += sum(used[row.sku] * row.own_draw_w for row in injectors)
    load += sum(a.host_w / efficiency[a.via_sku or a.host_sku] for a in wiring.assignments)
    return PortPlan(
        switches=switches,
        boxes=Counter(s.row.sku for s in switches),
        injectors=used,
        injector_rows=injectors,
        wiring=wiring,
        load_w=load,
    )


def shortfalls(
    needs: Needs, switches: Sequence[Switch], fits: Sequence[Sequence[Fit]], able: Sequence[bool]
) -> Iterator[Refusal]:
    """What a set of switches lacks even if its ports and budgets were one switch's.

    `able` are the groups that may stand behind an injector.
    """
    names = set_name(switches)
    asked, gives = 0.0, sum(switch.row.poe_budget_w for switch in switches)
    hung: dict[float | None, int] = {}
    for group, row in zip(needs.groups, fits, strict=True):
        chain = group.row.passive_v if group.row.supply is Supply.PASSIVE_POE else None
        hung[chain] = hung.get(chain, 0) + group.count
        asked += group.count * min((one.allocated_w for one in row), default=0.0)
        serving = sum(one.ports for one in row)
        if chain is None and hung[chain] > serving:
            yield _no_poe_port(names, switches, group.poe_class, hung[chain], serving)
        elif chain is not None and group.count > serving:
            yield _no_passive_port(names, group, serving)
    if asked > gives + EPS_W:
        yield Refusal(
            rule="poe-budget",
            subject=names,
            value=gives,
            limit=asked,
            unit="W",
            message=f"{_ports_asked(needs)} need {asked:.1f} W of PoE budget, {names} gives {gives:g} W",
        )
    wanted = loose_ports(needs, switches) + sum(
        group.count
        for group, ok in zip(needs.groups, able, strict=True)
        if group.row.supply is Supply.POE and (group.row.data_ports > 0 or not ok)
    )
    copper = sum(switch.copper for switch in switches)
    if wanted > copper:
        yield Refusal(
            rule="port-count",
            subject=names,
            value=float(copper),
            limit=float(wanted),
            unit="ports",
            message=f"{wanted} copper ports are needed with links and uplink, {names} has {copper}",
        )


def _no_poe_port(names: str, switches: Sequence[Switch], wanted: int, devices: int, serving: int) -> Refusal:
    if not serving:
        best = max((port.poe_class for switch in switches for port in switch.ports), default=-1)
        shown = f"serves up to class {best}" if best >= 0 else "has no PoE port"
        return Refusal(
            rule="poe-class",
            subject=names,
            value=float(max(best, 0)),
            limit=float(wanted),
            unit="class",
            message=f"a port of class {wanted} is needed, {names} {shown}",
        )
    return Refusal(
        rule="poe-ports",
        subject=names,
        value=float(serving),
        limit=float(devices),
        unit="ports",
        message=f"{devices} ports of class {wanted} or higher are needed, {names} has {serving}",
    )


def _no_passive_port(names: str, group: Group, serving: int) -> Refusal:
    row = group.row
    return Refusal(
        rule="passive-port",
        subject=names,
        value=float(serving),
        limit=float(group.count),
        unit="ports",
        message=f"{group.count} passive {row.passive_v:g} V ports with the power and voltage for "
        f"{row.device} over {group.cable_m:g} m are needed, {names} has {serving}",
    )


def _ports_asked(needs: Needs) -> str:
    counts: dict[str, int] = {}
    for group in needs.groups:
        name = f"class {group.poe_class}" if group.row.supply is Supply.POE else "passive"
        counts[name] = counts.get(name, 0) + group.count
    return " and ".join(f"{n} {name} port{'s' * (n > 1)}" for name, n in counts.items())


def _unsplit(switches: Sequence[Switch]) -> Refusal:
    names = set_name(switches)
    return Refusal(
        rule="port-split",
        subject=names,
        message=f"no way to share the devices among {names} keeps every port, budget and link",
    )


def set_name(switches: Sequence[Switch]) -> str:
    """The switches as `2 x A + B`."""
    counts = Counter(switch.row.sku for switch in switches)
    return " + ".join(f"{n} x {sku}" if n > 1 else sku for sku, n in counts.items()) or "no switch"
