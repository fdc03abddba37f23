"""Port by port: who is plugged in where, once the counts of a split are known."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from planner.demand.channel import class_source_w
from planner.demand.devices import Device, Group
from planner.demand.ports import Fit, Port, Switch, least_injector
from planner.demand.split import Needs, Split
from planner.settings import Settings
from planner.tables.catalogue import ConverterRow, PortKind
from planner.tables.rows import Supply


@dataclass(frozen=True, slots=True, kw_only=True)
class DataPort:
    """A copper port that carries data of a device and no power, as `data #4` of a switch and its number."""

    host_sku: str
    host_unit: int
    port: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PortAssignment:
    """One device on the port that powers it.

    Attributes
    ----------
    host_sku, host_unit : str, int
        The switch and its running number; blank and 0 for a device that takes its power elsewhere.
    port : str
        As `poe class 4 #3`, `passive 24 V #2`, `data #5 + injector`, `bus`, `dc_dc`, `inverter`.
    via_sku : str
        Injector, converter or inverter between, or blank.
    device_w, host_w, host_max_w : float
        Mean at the device while on, mean and greatest power leaving the host's port (or the injector), W.
    allocated_w : float
        Share of the switch's PoE budget, W.
    data_on : tuple of DataPort
        Further copper ports of the device.
    adapter_sku : str
        PoE adapter near the device, or blank.
    poe_class : int
        802.3 class the port serves, of the device or its adapter; -1 for none.
    host_own_w : float
        What leaves the host's port around the clock besides `host_w`: the adapter's idle draw, W.
    """

    device: str
    instance: int
    supply: Supply
    host_sku: str
    host_unit: int
    port: str
    via_sku: str
    cable_m: float
    device_w: float
    host_w: float
    host_max_w: float
    allocated_w: float
    schedule: str
    data_on: tuple[DataPort, ...] = ()
    adapter_sku: str = ""
    poe_class: int = -1
    host_own_w: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkEnd:
    """A port taken by the network itself: an uplink, or an end of link number `link` between switches."""

    link: int  # 0 for an uplink
    host_sku: str
    host_unit: int
    port: str
    by_sfp: bool = False
    module_sku: str = ""  # SFP module in the port


@dataclass(slots=True, kw_only=True)
class _Unit:
    """A switch while its ports are handed out."""

    switch: Switch
    number: int
    free: list[Port]

    def copper(self) -> list[Port]:
        """Ports free for data: data ports first, then idle PoE ports of the lowest class."""
        ports = [port for port in self.free if port.kind in (PortKind.DATA, PortKind.POE)]
        return sorted(ports, key=lambda port: (port.kind is PortKind.POE, port.poe_class, port.number))


@dataclass(frozen=True, slots=True, kw_only=True)
class Wiring:
    """Every port of the switches that is in use."""

    assignments: tuple[PortAssignment, ...]
    #: Of devices that no port powers, by device and instance.
    data_on: dict[tuple[str, int], tuple[DataPort, ...]]
    links: tuple[LinkEnd, ...]


def port_name(port: Port) -> str:
    """The port as the installer finds it."""
    if port.kind is PortKind.POE:
        return f"poe class {port.poe_class} #{port.number}"
    if port.kind is PortKind.PASSIVE_POE:
        return f"passive {port.passive_v:g} V #{port.number}"
    return f"{port.kind.value} #{port.number}"


def wire_up(
    needs: Needs,
    loose: Sequence[Device],
    switches: Sequence[Switch],
    fits: Sequence[Sequence[Fit]],
    split: Split,
    injectors: Sequence[ConverterRow],
    settings: Settings,
) -> Wiring:
    """Name the port of every device, link and uplink of a split.

    `loose` are devices with data ports that no port powers. Each device takes the least port that serves
    it, hardest groups first; links come next, then uplinks, then data.
    """
    units = _units(switches)
    powered = list(_powered(needs.groups, units, fits, split))
    links = (*_links(units, split), *_uplinks(units, needs, split))
    behind = list(_behind_injectors(needs.groups, units, split, injectors, settings))
    assignments = [
        _with_data(assignment, units, group.extra_ports) for assignment, group in (*powered, *behind)
    ]
    data_on = {
        (device.row.device, device.instance): tuple(_take(units) for _ in range(device.row.data_ports))
        for device in loose
    }
    return Wiring(assignments=tuple(assignments), data_on=data_on, links=tuple(links))


def _units(switches: Sequence[Switch]) -> list[_Unit]:
    seen: dict[str, int] = {}
    units = []
    for switch in switches:
        seen[switch.row.sku] = seen.get(switch.row.sku, 0) + 1
        units.append(_Unit(switch=switch, number=seen[switch.row.sku], free=list(switch.ports)))
    return units


def _powered(
    groups: Sequence[Group], units: Sequence[_Unit], fits: Sequence[Sequence[Fit]], split: Split
) -> Iterator[tuple[PortAssignment, Group]]:
    """Devices on ports that power them; on each switch the group with the fewest ports chooses first."""
    taken = [0] * len(groups)
    # A twin's devices are the last of the group it stands for.
    first = [group.count - sum(split.on_switch[g]) if group.adapter else 0 for g, group in enumerate(groups)]
    for h, unit in enumerate(units):
        for g in sorted(range(len(groups)), key=lambda g: fits[g][h].ports):
            group, one = groups[g], fits[g][h]
            for _ in range(split.on_switch[g][h]):
                port = _least(unit, group, one)
                unit.free.remove(port)
                yield _assignment(group, first[g] + taken[g], unit, port, one), group
                taken[g] += 1


def _least(unit: _Unit, group: Group, one: Fit) -> Port:
    if group.on_poe:
        serving = [port for port in unit.free if port.poe_class >= group.poe_class]
    else:
        serving = [
            port
            for port in unit.free
            if port.kind is PortKind.PASSIVE_POE
            and port.passive_v == group.row.passive_v
            and one.most_w <= port.max_w
        ]
    return min(serving, key=lambda port: (port.poe_class, port.max_w, port.number))


def _assignment(group: Group, index: int, unit: _Unit, port: Port, one: Fit) -> PortAssignment:
    return PortAssignment(
        device=group.row.device,
        instance=group.devices[index].instance,
        supply=group.row.supply,
        host_sku=unit.switch.row.sku,
        host_unit=unit.number,
        port=port_name(port),
        via_sku="",
        cable_m=group.cable_m,
        device_w=group.row.average_w,
        host_w=one.average_w,
        host_max_w=one.most_w,
        allocated_w=one.allocated_w,
        schedule=group.row.schedule,
        adapter_sku=group.adapter.sku if group.adapter else "",
        poe_class=group.poe_class,
        host_own_w=one.own_w,
    )


def _behind_injectors(
    groups: Sequence[Group],
    units: Sequence[_Unit],
    split: Split,
    injectors: Sequence[ConverterRow],
    settings: Settings,
) -> Iterator[tuple[PortAssignment, Group]]:
    """The last devices of each group, each behind the injector of the lowest class that serves it."""
    loop = settings.demand.poe_loop_ohm_per_100m
    for group, number in zip(groups, split.injected, strict=True):
        for device in group.devices[group.count - number :]:
            row = least_injector(group, injectors, settings)
            unit, port = _pick(units) if group.row.data_ports else (None, None)
            most, average = (
                class_source_w(w, group.poe_class, group.cable_m, loop)
                for w in (group.row.max_w, group.row.average_w)
            )
            yield (
                PortAssignment(
                    device=group.row.device,
                    instance=device.instance,
                    supply=group.row.supply,
                    host_sku=unit.switch.row.sku if unit else "",
                    host_unit=unit.number if unit else 0,
                    port=f"{port_name(port)} + injector" if port else "injector",
                    via_sku=row.sku,
                    cable_m=group.cable_m,
                    device_w=group.row.average_w,
                    host_w=average,
                    host_max_w=most,
                    allocated_w=0.0,
                    schedule=group.row.schedule,
                    poe_class=group.poe_class,
                ),
                group,
            )


def _pick(units: Sequence[_Unit]) -> tuple[_Unit, Port]:
    """Take a copper port for data, the least useful of all switches."""
    unit = min(
        (unit for unit in units if unit.copper()),
        key=lambda unit: (unit.copper()[0].kind is PortKind.POE, unit.copper()[0].poe_class),
    )
    port = unit.copper()[0]
    unit.free.remove(port)
    return unit, port


def _take(units: Sequence[_Unit]) -> DataPort:
    unit, port = _pick(units)
    return DataPort(host_sku=unit.switch.row.sku, host_unit=unit.number, port=port_name(port))


def _with_data(assignment: PortAssignment, units: Sequence[_Unit], number: int) -> PortAssignment:
    return replace(assignment, data_on=tuple(_take(units) for _ in range(number))) if number else assignment


def _links(units: Sequence[_Unit], split: Split) -> Iterator[LinkEnd]:
    """Both ends of every link of the tree."""
    for number, (above, below, by_sfp) in enumerate(split.links.tree, start=1):
        for unit in (units[above], units[below]):
            port = _sfp(unit) if by_sfp else unit.copper()[0]
            unit.free.remove(port)
            yield _end(number, unit, port)


def _uplinks(units: Sequence[_Unit], needs: Needs, split: Split) -> Iterator[LinkEnd]:
    """Uplinks on SFP ports as far as the split says, the others on copper."""
    for _ in range(split.links.sfp_uplinks):
        unit = next(unit for unit in units if any(port.kind is PortKind.SFP for port in unit.free))
        port = _sfp(unit)
        unit.free.remove(port)
        yield _end(0, unit, port)
    for _ in range(needs.network.uplinks - split.links.sfp_uplinks):
        yield _end(0, *_pick(units))


def _sfp(unit: _Unit) -> Port:
    return next(port for port in unit.free if port.kind is PortKind.SFP)


def _end(link: int, unit: _Unit, port: Port) -> LinkEnd:
    return LinkEnd(
        link=link,
        host_sku=unit.switch.row.sku,
        host_unit=unit.number,
        port=port_name(port),
        by_sfp=port.kind is PortKind.SFP,
    )
