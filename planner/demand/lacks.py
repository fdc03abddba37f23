"""What a set of switches lacks for a profile, in numbers."""

from collections import Counter
from collections.abc import Iterator, Sequence
from math import inf

from planner.demand.channel import floor_v, passive_loop_ohm, source_w
from planner.demand.devices import Group
from planner.demand.ports import EPS_W, Fit, Switch
from planner.demand.split import Needs
from planner.errors import Refusal
from planner.tables.catalogue import PortKind, PseKind
from planner.tables.rows import Supply


def shortfalls(
    needs: Needs, switches: Sequence[Switch], fits: Sequence[Sequence[Fit]], able: Sequence[bool]
) -> Iterator[Refusal]:
    """What a set of switches lacks even if its ports and budgets were one switch's.

    `able` are the groups that may stand behind an injector; groups with a twin behind adapters lack nothing.
    """
    names = set_name(switches)
    asked, gives, hung = 0.0, sum(switch.budget_w for switch in switches), 0
    for g in needs.asked:
        group, row, twin = needs.groups[g], fits[g], needs.twins[g]
        serving = sum(one.ports for one in row)
        if group.row.supply is Supply.POE:
            hung += group.count
            if hung > serving:
                yield _no_poe_port(names, switches, group.poe_class, hung, serving)
        elif group.count > serving and twin < 0:
            yield _no_passive_port(names, switches, group, serving)
        fed = min((one.allocated_w for one in row if one.allocated_w < inf), default=0.0)
        asked += group.count * (min([fed, *(one.allocated_w for one in fits[twin])]) if twin >= 0 else fed)
    if asked > gives + EPS_W:
        yield Refusal(
            rule="poe-budget",
            subject=names,
            value=gives,
            limit=asked,
            unit="W",
            message=f"{_ports_asked(needs)} need {asked:.1f} W of PoE budget, {names} gives {gives:g} W",
        )
    yield from _short_of_ports(needs, switches, able)


def _short_of_ports(needs: Needs, switches: Sequence[Switch], able: Sequence[bool]) -> Iterator[Refusal]:
    """Copper for devices, data, links and uplinks, where SFP ports with modules stand in for copper."""
    network, names = needs.network, set_name(switches)
    sfp = sum(switch.sfp for switch in switches) if network.sfp else 0
    by_sfp = network.uplinks if network.medium == "fibre" else 0
    if by_sfp > sfp:
        why = "" if network.sfp else " that a module on sale fits"
        yield Refusal(
            rule="sfp-ports",
            subject=names,
            value=float(sfp),
            limit=float(by_sfp),
            unit="ports",
            message=f"{by_sfp} SFP ports are needed for uplinks, {names} has {sfp}{why}",
        )
    links = 2 * (len(switches) - 1) if network.linked and switches else 0
    spare = max(0, sfp - by_sfp)
    uplinks = network.uplinks - by_sfp
    relieved = min(spare, links + (uplinks if network.medium == "any" else 0))
    on_ports = sum(
        group.count
        for g in needs.asked
        if (group := needs.groups[g]).row.supply is Supply.POE and (group.row.data_ports > 0 or not able[g])
    )
    wanted = network.data_ports + links + uplinks - relieved + on_ports
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
    best = max((port.poe_class for switch in switches for port in switch.ports), default=-1)
    if best < wanted:
        shown = f"serves up to class {best}" if best >= 0 else "has no PoE port"
        return Refusal(
            rule="poe-class",
            subject=names,
            value=float(max(best, 0)),
            limit=float(wanted),
            unit="class",
            message=f"a port of class {wanted} is needed, {names} {shown}",
        )
    if not serving:
        return Refusal(
            rule="port-window",
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


def _no_passive_port(names: str, switches: Sequence[Switch], group: Group, serving: int) -> Refusal:
    """Too few ports of the voltage; or too far for it; or too much power for the ports there are."""
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
        rule="passive-port",
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
