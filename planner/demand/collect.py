"""From a site's switches to assemblies: sets of switches, their plans with fewest helpers, their feeds."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import combinations, combinations_with_replacement, groupby
from math import inf

from planner.demand.assemblies import Assembly, assemblies_of
from planner.demand.bus import Bus
from planner.demand.derating import capped
from planner.demand.devices import Device
from planner.demand.lacks import PASSIVE
from planner.demand.limits import ANY_NUMBER, UnitLimits
from planner.demand.plans import INJECTED, PortPlan, plan_ports, with_optics
from planner.demand.ports import Switch
from planner.demand.profile import Profile, Way, make_ways
from planner.errors import Refusal
from planner.settings import Settings
from planner.tables.catalogue import ConverterKind, ConverterRow

#: Port plans whose boxes are fed, those with fewest switches and least watts first.
PLANS_MAX = 60
HEAT_STEPS_MAX = 8  # plans of one set of switches that hold more and more heat
HEAT_STEP_K = 0.01


@dataclass(slots=True, kw_only=True)
class Work:
    """What one way to power a profile on one bus has given so far.

    `accepted` are plans, by their switches, that make larger sets idle: those that narrow no switch's own
    range.
    """

    devices: Sequence[Device]
    bus: Bus
    bare: Way
    ways: Sequence[Way]
    modules: Sequence[ConverterRow]
    found: list[Assembly] = field(default_factory=list)
    refusals: list[Refusal] = field(default_factory=list)
    accepted: dict[tuple[str, ...], list[PortPlan]] = field(default_factory=dict)
    plans: int = 0
    left_out: int = 0

    def derated(self, plan: PortPlan) -> bool:
        """Whether a plan's budgets narrow a range that this bus makes use of."""
        lowest_v = min(span.low_v for span in self.bus.spans)
        return plan.derated(lowest_v=lowest_v, hottest_c=self.bus.hottest_c)

    def part_of(self, switches: Sequence[Switch]) -> list[PortPlan]:
        """Accepted plans of a part of some switches."""
        skus = skus_of(switches)
        parts = dict.fromkeys(some for n in range(len(skus) + 1) for some in combinations(skus, n))
        return [plan for some in parts for plan in self.accepted.get(some, ())]


def collect(
    devices: Sequence[Device],
    switches: Sequence[Switch],
    bus: Bus,
    settings: Settings,
    limits: UnitLimits = ANY_NUMBER,
) -> Work:
    """Assemblies of the port plans, fewer switches first, of as many the least load first.

    Only sets of switches within the limits are tried: none is idle beside one that lacks what must be kept.
    """
    bare, ways = make_ways(devices, switches, bus, settings)
    modules = [row for row in bus.converters if row.kind is ConverterKind.SFP_MODULE]
    work = Work(devices=devices, bus=bus, bare=Way(profile=bare), ways=ways, modules=modules)
    tried = (some for some in switch_sets(bare, switches) if limits.hold(boxes_of(some)))
    for _, sets in groupby(tried, key=len):
        if work.plans >= PLANS_MAX:
            break
        plans = [plan for some in sets for plan in _set_plans(work, some)]
        for plan in sorted(plans, key=lambda plan: plan.load_w):
            if work.plans >= PLANS_MAX:
                work.left_out += 1
            elif not _accept(work, plan) and not plan.helpers:
                for other in _helped(work, plan.switches, work.ways, work.part_of(plan.switches)):
                    _accept(work, other)
    work.found = [assembly for assembly in work.found if limits.hold(assembly.units)]
    return work


def switch_sets(profile: Profile, switches: Sequence[Switch]) -> Iterator[tuple[Switch, ...]]:
    """Sets of up to `policy.switches_max` units, smaller ones first; none where nothing talks."""
    needs = profile.needs
    if not needs.network.linked:
        yield ()
    if needs.network.linked or needs.groups:
        for number in range(1, profile.settings.policy.switches_max + 1):
            yield from combinations_with_replacement(switches, number)


def boxes_of(switches: Sequence[Switch]) -> Counter[str]:
    """Switches by SKU."""
    return Counter(switch.row.sku for switch in switches)


def skus_of(switches: Sequence[Switch]) -> tuple[str, ...]:
    """SKUs of some switches, sorted."""
    return tuple(sorted(switch.row.sku for switch in switches))


def _set_plans(work: Work, switches: tuple[Switch, ...]) -> list[PortPlan]:
    """Plans of a set of switches; where budgets narrow their range, those of lower budgets too."""
    plans = _plans(work, switches)
    if not any(work.derated(plan) for plan in plans):
        return plans
    for volts in (False, True):
        made, heat_c = plans, -inf
        if volts:
            lower = capped(switches, volts=True, heat_c=heat_c)
            made = _plans(work, lower) if lower != switches else []
            plans = plans + made
        for _ in range(HEAT_STEPS_MAX):
            # The next plan must hold a little more heat than the last one.
            reached = max((plan.heat_c for plan in made), default=inf)
            if not heat_c < reached < work.bus.hottest_c:
                break
            heat_c = reached + HEAT_STEP_K
            made = _plans(work, capped(switches, volts=volts, heat_c=heat_c))
            plans = plans + made
    return plans


def _plans(work: Work, switches: tuple[Switch, ...]) -> list[PortPlan]:
    """The plan of a set of switches without helpers, else its plans with them."""
    accepted = work.part_of(switches)
    plan = plan_ports(work.bare, switches, accepted)
    if isinstance(plan, PortPlan):
        return with_optics(plan, work.modules)
    work.refusals += [refusal() for _, refusal in plan[:1]]
    lacks = {rule for rule, _ in plan}
    split = "port-split" in lacks
    if not lacks or not lacks <= INJECTED | {PASSIVE}:
        return []
    if PASSIVE in lacks:
        ways = [way for way in work.ways if way.adapters and (way.injectors or not lacks & INJECTED)]
    else:
        ways = [way for way in work.ways if split or not way.adapters]
    plain = _helped(work, switches, [way for way in ways if not (way.injectors and way.adapters)], accepted)
    both = [way for way in ways if way.injectors and way.adapters]
    return plain or _helped(work, switches, both, accepted)


def _helped(
    work: Work, switches: tuple[Switch, ...], ways: Sequence[Way], accepted: Sequence[PortPlan]
) -> list[PortPlan]:
    """Plans of a set of switches with each way to use helpers, beside those accepted of a part of it."""
    plans = (plan_ports(way, switches, accepted) for way in ways)
    made = [plan for plan in plans if isinstance(plan, PortPlan)]
    return [one for plan in made for one in with_optics(plan, work.modules)]


def _accept(work: Work, plan: PortPlan) -> bool:
    """Keep a plan's assemblies, if its boxes can be fed."""
    made, refused = assemblies_of(plan, work.devices, work.bus)
    work.found += made
    work.refusals += refused
    work.plans += bool(made)
    if made and not work.derated(plan):
        work.accepted.setdefault(skus_of(plan.switches), []).append(plan)
    return bool(made)
