"""What a set of switches lacks for a profile, in numbers."""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from math import inf

from planner.demand.channel import floor_v, passive_loop_ohm, source_w
from planner.demand.devices import Group
from planner.demand.ports import EPS_W, Fit, Switch
from planner.demand.split import Needs
from planner.errors import Refusal
from planner.tables.catalogue import PortKind, PseKind
from planner.tables.rows import Supply

PASSIVE = "passive-port"  # its refusal may name the cable or the port's power instead
#: A rule that is not kept, and what makes the refusal: most are never shown.
Lack = tuple[str, Callable[[], Refusal]]


def shortfalls(
    needs: Needs, switches: Sequence[Switch], fits: Sequence[Sequence[Fit]], able: Sequence[bool]
) -> Iterator[Lack]:
    """What a set of switches lacks even if its ports and budgets were one switch's.

    `able` are the groups that may stand behind an injector; groups with a twin behind adapters lack nothing.
    """
    asked, gives, hung = 0.0, sum(switch.budget_w for switch in switches), 0
    for g in needs.asked:
        group, row, twin = needs.groups[g], fits[g], needs.twins[g]
        serving = sum(one.ports for one in row)
        if group.row.supply is Supply.POE:
            hung += group.count
            if hung > serving:
                refusal = partial(_no_poe_port, switches, group.poe_class, hung, serving)
                yield _poe_rule(switches, group.poe_class, serving), refusal
        elif group.count > serving and twin < 0:
            yield PASSIVE, partial(_no_passive_port, switches, group, serving)
        allocated = [one.allocated_w for one in (*row, *(fits[twin] if twin >= 0 else ()))]
        asked += group.count * min((watts for watts in allocated if watts < inf), default=0.0)
    if asked > gives + EPS_W:
        yield "poe-budget", partial(_over_budget, needs, switches, asked, gives)
    yield from _short_of_ports(needs, switches, able)


def _over_budget(needs: Needs, switches: Sequence[Switch], asked: float, gives: float) -> Refusal:
    names = set_name(switches)
    return Refusal(
        rule="poe-budget",
        subject=names,
        value=gives,
        limit=asked,
        unit="W",
        message=f"{_ports_asked(needs)} need {asked:.1f} W of PoE budget, {names} gives {gives:g} W",
    )


def _short_of_ports(needs: Needs, switches: Sequence[Switch], able: Sequence[bool]) -> Iterator[Lack]:
    """Copper for devices, data, links and uplinks, where SFP ports with modules stand in for copper."""
    network = needs.network
    sfp = sum(switch.sfp for switch in switches) if network.sfp else 0
    by_sfp = network.uplinks if network.medium == "fibre" else 0
    if by_sfp > sfp:
        yield "sfp-ports", partial(_no_sfp_port, switches, by_sfp, sfp, network.sfp)
    links = 2 * (len(switches) - 1) if network.linked and switches else 0
    uplinks = network.uplinks - by_sfp
    relieved = min(max(0, sfp - by_sfp), links + (uplinks if network.medium == "any" else 0))
    wanted = network.data_ports + links + uplinks - relieved
    for g in needs.asked:
        group = needs.groups[g]
        if group.row.supply is Supply.POE and (group.row.data_ports > 0 or not able[g]):
            wanted += group.count
    copper = sum(switch.copper for switch in switches)
    if wanted > copper:
        yield "port-count", partial(_no_copper_port, switches, wanted, copper)


def _no_sfp_port(switches: Sequence[Switch], wanted: int, sfp: int, fits: bool) -> Refusal:
    names = set_name(switches)
    why = "" if fits else " that a module fits which the site may have"
    return Refusal(
        rule="sfp-ports",
        subject=names,
        value=float(sfp),
        limit=float(wanted),
        unit="ports",
        message=f"{wanted} SFP ports are needed for uplinks, {names} has {sfp}{why}",
    )


def _no_copper_port(switches: Sequence[Switch], wanted: int, copper: int) -> Refusal:
    names = set_name(switches)
    return Refusal(
        rule="port-count",
        subject=names,
        value=float(copper),
        limit=float(wanted),
        unit="ports",
        message=f"{wanted} copper ports are needed with links and uplink, {names} has {copper}",
    )


def _best_class(switches: Sequence[Switch]) -> int:
    return max((port.poe_class for switch in switches for port in switch.ports), default=-1)


def _poe_rule(switches: Sequence[Switch], wanted: int, serving: int) -> str:
    if serving:
        return "poe-ports"
    return "poe-class" if _best_class(switches) < wanted else "port-window"


def _no_poe_port(switches: Sequence[Switch], wanted: int, devices: int, serving: int) -> Refusal:
    names, rule, best = set_name(switches), _poe_rule(switches, wanted, serving), _best_class(switches)
    if rule == "poe-class":
        shown = f"serves up to class {best}" if best >= 0 else "has no PoE port"
        return Refusal(
            rule=rule,
            subject=names,
            value=float(max(best, 0)),
            limit=float(wanted),
            unit="class",
            message=f"a port of class {wanted} is needed, {names} {shown}",
        )
    if rule == "port-window":
        return Refusal(
            rule=rule,
            subject=names,
            message=f"no bus or converter keeps the voltage of class {wanted} on the ports of {names}, which "
            "pass their input on",
        )
    return Refusal(
        rule="poe-ports",
        subject=names,
        value=float(serving),
        limit=float(devices),
        unit="ports",
        message=f"{devices} ports of class {wanted} or higher are needed, {names} has {serving}",
    )


def _no_passive_port(switches: Sequence[Switch], group: Group, serving: int) -> Refusal:
    """Too few ports of the voltage; or too far for it; or too much power for the ports there are."""
    names = set_name(switches)
    row, loop = group.row, passive_loop_ohm(group.cable_m)
    volts = row.passive_v or 0.0
    ports = [
        (switch, port)
        for switch in switches
        for port in switch.ports
        if port.kind is PortKind.PASSIVE_POE and port.passive_v == row.passive_v
    ]
    boosted = [port for switch, port in ports if switch.row.pse_kind is not PseKind.PASSTHROUGH]
    lowest = floor_v(row.max_w, row.input_min_v or 0.0, loop)
    if boosted and len(boosted) == len(ports) and lowest > volts:
        return Refusal(
            rule="passive-drop",
            subject=row.device,
            value=volts,
            limit=lowest,
            unit="V",
            message=f"{row.max_w:g} W over {group.cable_m:g} m need {lowest:.2f} V at the port, "
            f"{names} gives {volts:g} V",
        )
    most, asked = max((port.max_w for port in boosted), default=inf), source_w(row.max_w, volts, loop)
    if len(boosted) == len(ports) and most < asked < inf:
        return Refusal(
            rule="passive-power",
            subject=row.device,
            value=most,
            limit=asked,
            unit="W",
            message=f"{row.max_w:g} W over {group.cable_m:g} m take {asked:.1f} W at the port, "
            f"a port of {names} gives {most:g} W",
        )
    return Refusal(
        rule=PASSIVE,
        subject=names,
        value=float(serving),
        limit=float(group.count),
        unit="ports",
        message=f"{group.count} passive {volts:g} V ports with the power and voltage for "
        f"{row.device} over {group.cable_m:g} m are needed, {names} has {serving}",
    )


def _ports_asked(needs: Needs) -> str:
    counts: dict[str, int] = {}
    for group in (needs.groups[g] for g in needs.asked):
        name = f"class {group.poe_class}" if group.row.supply is Supply.POE else "passive"
        counts[name] = counts.get(name, 0) + group.count
    return " and ".join(f"{n} {name} port{'s' * (n > 1)}" for name, n in counts.items())


def unsplit(switches: Sequence[Switch]) -> Refusal:
    """Counts suffice, yet no split keeps every switch's own."""
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
