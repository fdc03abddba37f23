"""Which device hangs on which port: nested PoE classes, power budgets, data ports, links and the uplink."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import combinations_with_replacement

from planner.demand.channel import CLASSES, class_source_w, effective_class, passive_loop_ohm, source_w
from planner.errors import Refusal
from planner.scenario import Tables
from planner.settings import Settings
from planner.tables.catalogue import ConverterRow, PortKind, PseKind, SwitchRow
from planner.tables.rows import Allocation, DeviceRow, Supply

PASSIVE_TOLERANCE = (0.90, 1.20)  # of nominal, for a passive device that states no window (common practice)


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """One device of a profile: its row, its running number, its cable."""

    row: DeviceRow
    instance: int
    cable_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PortAssignment:
    """One device on one port, with its mean power at the device and at the port, and its share of the budget."""

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


@dataclass(slots=True, kw_only=True)
class Port:
    """A free port of a switch unit."""

    kind: PortKind
    number: int
    poe_class: int | None = None
    passive_v: float | None = None
    port_max_w: float | None = None


@dataclass(slots=True, kw_only=True)
class Host:
    """A switch unit while ports are handed out."""

    row: SwitchRow
    unit: int
    ports: list[Port]
    budget_w: float
    used: list[PortAssignment] = field(default_factory=list)

    def copper(self) -> list[Port]:
        """Ports that carry copper Ethernet, the least useful first."""
        rank = {PortKind.DATA: 0, PortKind.PASSIVE_POE: 1, PortKind.POE: 2}
        free = [port for port in self.ports if port.kind in rank]
        return sorted(free, key=lambda port: (rank[port.kind], port.poe_class or 0, port.number))


@dataclass(frozen=True, slots=True, kw_only=True)
class PortPlan:
    """All network devices on ports: the switches, the injectors it takes, the assignments."""

    switches: tuple[SwitchRow, ...]
    injectors: tuple[tuple[ConverterRow, int], ...]
    assignments: tuple[PortAssignment, ...]
    dc_devices: tuple[Device, ...]
    poe_type: int


def expand_devices(tables: Tables, load_profile: str) -> list[Device]:
    """The devices of a profile one by one, in file order, numbered by device."""
    by_name = {row.device: row for row in tables.devices}
    seen: dict[str, int] = {}
    devices = []
    for load in tables.loads:
        if load.load_profile == load_profile:
            for _ in range(load.quantity):
                seen[load.device] = seen.get(load.device, 0) + 1
                devices.append(Device(row=by_name[load.device], instance=seen[load.device], cable_m=load.cable_m))
    return devices


def networked(device: Device) -> bool:
    """Whether the device needs a switch."""
    return device.row.data_ports > 0 or device.row.supply in (Supply.POE, Supply.PASSIVE_POE)


def switch_sets(
    tables: Tables, sold: frozenset[str], settings: Settings, devices: Sequence[Device]
) -> Iterator[tuple[SwitchRow, ...]]:
    """Sets of up to `policy.switches_max` switches, smaller ones first; none where nothing is networked."""
    if not any(networked(device) for device in devices):
        yield ()
        return
    rows = [row for row in tables.switches if row.sku in sold]
    for number in range(1, settings.policy.switches_max + 1):
        yield from combinations_with_replacement(rows, number)


def plan_ports(
    tables: Tables, devices: Sequence[Device], switches: tuple[SwitchRow, ...], injector: ConverterRow | None,
    settings: Settings,
) -> PortPlan | Refusal:
    """Hand out the ports of the switches, devices of the highest class first.

    A PoE device takes the least port of its class or higher with budget left, else, where an injector is
    given, a data port behind one. Links between switches and the uplink are taken first, from the ports
    that are least useful otherwise. Within one switch this finds an assignment whenever one exists, as
    classes are nested; over several switches it is first fit, which may miss one.
    """
    hosts = _hosts(tables, switches)
    refusal = _reserve(hosts, settings) if hosts else None
    if refusal:
        return refusal
    injectors = 0
    order = sorted(devices, key=lambda d: (-_rank(d), d.row.device, d.instance))
    for device in order:
        row = device.row
        if row.supply is Supply.POE:
            outcome = _place_poe(hosts, device, settings) or _place_injector(hosts, device, injector, settings)
            injectors += bool(outcome and outcome.via_sku)
        elif row.supply is Supply.PASSIVE_POE:
            outcome = _place_passive(hosts, device)
        else:
            outcome = None
        if outcome is None and row.supply in (Supply.POE, Supply.PASSIVE_POE):
            return _no_port(device, switches, hosts)
        extra = row.data_ports - (1 if row.supply in (Supply.POE, Supply.PASSIVE_POE) else 0)
        if not _take_copper(hosts, extra):
            return Refusal(
                rule="port-count", subject=_names(switches), value=0, limit=extra, unit="ports",
                message=f"no copper port is left for {row.device}",
            )
    if injector is not None and injectors == 0:
        return Refusal(rule="injector-idle", subject=injector.sku, message="no device needs the injector")
    assignments = [a for host in hosts for a in host.used]
    types = [CLASSES[a_class].poe_type for host in hosts for a_class in _classes(host, devices)]
    return PortPlan(
        switches=switches, injectors=((injector, injectors),) if injector and injectors else (),
        assignments=tuple(assignments), poe_type=max(types, default=0),
        dc_devices=tuple(device for device in devices if device.row.supply is Supply.DC),
    )


def _rank(device: Device) -> float:
    """Order of placing: PoE by class, then passive, then the rest."""
    if device.row.supply is Supply.POE:
        return 10.0 + effective_class(device.row.poe_class or 0)
    return 1.0 if device.row.supply is Supply.PASSIVE_POE else 0.0


def _hosts(tables: Tables, switches: Sequence[SwitchRow]) -> list[Host]:
    counts: dict[str, int] = {}
    hosts = []
    for row in switches:
        counts[row.sku] = counts.get(row.sku, 0) + 1
        ports: list[Port] = []
        for group in tables.switch_ports:
            if group.sku == row.sku:
                ports += [
                    Port(
                        kind=group.port_kind, number=len(ports) + i + 1, poe_class=group.poe_class,
                        passive_v=group.passive_v, port_max_w=group.port_max_w,
                    )
                    for i in range(group.quantity)
                ]
        hosts.append(Host(row=row, unit=counts[row.sku], ports=ports, budget_w=row.poe_budget_w))
    return hosts


def _reserve(hosts: list[Host], settings: Settings) -> Refusal | None:
    """Take the ports of the links in a chain of switches, and those of the uplink."""
    for left, right in zip(hosts, hosts[1:], strict=False):
        if not (_take_from(left) and _take_from(right)):
            names = _names([host.row for host in hosts])
            return Refusal(rule="port-count", subject=names, message="no port is left to link the switches")
    for _ in range(settings.policy.uplink_ports):
        fibre = next(((host, port) for host in hosts for port in host.ports if port.kind is PortKind.SFP), None)
        if fibre:
            fibre[0].ports.remove(fibre[1])
        elif not _take_copper(hosts, 1):
            names = _names([host.row for host in hosts])
            return Refusal(rule="port-count", subject=names, message="no port is left for the uplink")
    return None


def _take_from(host: Host) -> bool:
    free = host.copper()
    if free:
        host.ports.remove(free[0])
    return bool(free)


def _take_copper(hosts: list[Host], number: int) -> bool:
    """Take copper ports, the least useful of all switches first."""
    for _ in range(number):
        free = [(port.kind is PortKind.POE, port.poe_class or 0, i) for i, h in enumerate(hosts) for port in h.copper()[:1]]
        if not free:
            return False
        _take_from(hosts[min(free)[2]])
    return True


def _place_poe(hosts: list[Host], device: Device, settings: Settings) -> PortAssignment | None:
    row, wanted = device.row, effective_class(device.row.poe_class or 0)
    loop = settings.demand.poe_loop_ohm_per_100m
    fits = []
    for i, host in enumerate(hosts):
        measured = row.power_allocation is Allocation.MEASURED and host.row.measured_allocation
        most = class_source_w(row.max_w, wanted, device.cable_m, loop)
        allocated = most if measured else CLASSES[wanted].pse_w
        for port in host.ports:
            served = effective_class(port.poe_class or 0) if port.kind is PortKind.POE else 0
            if served >= wanted and allocated <= host.budget_w + 1e-9:
                fits.append((served, i, port.number, port, allocated, most))
    if not fits:
        return None
    _, i, _, port, allocated, most = min(fits, key=lambda fit: fit[:3])
    return _assign(
        hosts[i], port, device, allocated, class_source_w(row.average_w, wanted, device.cable_m, loop), most,
        f"PoE class {port.poe_class} #{port.number}",
    )


def _place_injector(
    hosts: list[Host], device: Device, injector: ConverterRow | None, settings: Settings
) -> PortAssignment | None:
    row, wanted = device.row, effective_class(device.row.poe_class or 0)
    if injector is None or effective_class(injector.poe_class or 0) < wanted:
        return None
    for host in hosts:
        free = host.copper()
        if free:
            loop = settings.demand.poe_loop_ohm_per_100m
            average, most = (class_source_w(w, wanted, device.cable_m, loop) for w in (row.average_w, row.max_w))
            name = f"{free[0].kind.value} #{free[0].number} + injector"
            return _assign(host, free[0], device, 0.0, average, most, name, via=injector.sku)
    return None


def passive_window(row: DeviceRow) -> tuple[float, float]:
    """Voltages a passive PoE device accepts."""
    nominal = row.passive_v or 0.0
    low, high = PASSIVE_TOLERANCE
    return row.input_min_v or low * nominal, row.input_max_v or high * nominal


def _place_passive(hosts: list[Host], device: Device) -> PortAssignment | None:
    row = device.row
    loop = passive_loop_ohm(device.cable_m)
    for host in hosts:
        for port in host.ports:
            if port.kind is not PortKind.PASSIVE_POE or port.passive_v != row.passive_v:
                continue
            average, most = (source_w(w, port.passive_v or 1.0, loop) for w in (row.average_w, row.max_w))
            if most <= (port.port_max_w or most) and most <= host.budget_w + 1e-9:
                return _assign(
                    host, port, device, most, average, most, f"passive {port.passive_v:g} V #{port.number}"
                )
    return None


def _assign(
    host: Host, port: Port, device: Device, allocated: float, average: float, most: float, name: str, via: str = ""
) -> PortAssignment:
    host.ports.remove(port)
    host.budget_w -= allocated
    assignment = PortAssignment(
        device=device.row.device, instance=device.instance, supply=device.row.supply, host_sku=host.row.sku,
        host_unit=host.unit, port=name, via_sku=via, cable_m=device.cable_m, device_w=device.row.average_w,
        host_w=average, host_max_w=most, allocated_w=allocated, schedule=device.row.schedule,
    )
    host.used.append(assignment)
    return assignment


def _classes(host: Host, devices: Sequence[Device]) -> list[int]:
    """Classes a switch's own PSE feeds; they fix the 802.3 voltage its ports must hold."""
    classes = {device.row.device: device.row.poe_class for device in devices}
    if host.row.pse_kind is PseKind.NONE:
        return []
    return [
        effective_class(classes[a.device] or 0) for a in host.used if a.supply is Supply.POE and not a.via_sku
    ]


def _no_port(device: Device, switches: Sequence[SwitchRow], hosts: Sequence[Host]) -> Refusal:
    row = device.row
    if row.supply is Supply.PASSIVE_POE:
        return Refusal(
            rule="passive-port", subject=_names(switches),
            message=f"no passive port of {row.passive_v:g} V with the power for {row.device} over {device.cable_m:g} m",
        )
    wanted = effective_class(row.poe_class or 0)
    served = [effective_class(p.poe_class or 0) for h in hosts for p in h.ports if p.kind is PortKind.POE]
    if any(c >= wanted for c in served):
        left = max((host.budget_w for host in hosts), default=0.0)
        return Refusal(
            rule="poe-budget", subject=_names(switches), value=left, limit=CLASSES[wanted].pse_w, unit="W",
            message=f"{left:.1f} W of PoE budget are left for {row.device}, its class {wanted} takes {CLASSES[wanted].pse_w:g} W",
        )
    return Refusal(
        rule="poe-class", subject=_names(switches), value=float(max(served, default=0)), limit=float(wanted),
        unit="class", message=f"no free port of class {wanted} or higher for {row.device}",
    )


def _names(switches: Sequence[SwitchRow]) -> str:
    return " + ".join(row.sku for row in switches)
