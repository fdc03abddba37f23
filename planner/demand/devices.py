"""The devices of a load profile: one by one, in groups alike, and what they ask of any kit."""

from collections.abc import Sequence
from dataclasses import dataclass

from planner.demand.channel import CLASS_CLOSURE_W, CLASSES, class_source_w, effective_class
from planner.errors import Refusal
from planner.scenario import Tables
from planner.settings import Settings
from planner.tables.rows import DeviceRow, Supply

FED_BY_PORT = (Supply.POE, Supply.PASSIVE_POE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """One device of a profile: its row, its running number among its like, its cable."""

    row: DeviceRow
    instance: int
    cable_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Devices alike in row and cable, which any port serves alike."""

    row: DeviceRow
    cable_m: float
    devices: tuple[Device, ...]

    @property
    def count(self) -> int:
        """How many."""
        return len(self.devices)

    @property
    def poe_class(self) -> int:
        """Class it is served as."""
        return effective_class(self.row.poe_class)

    @property
    def extra_ports(self) -> int:
        """Copper ports each device takes besides the port that powers it."""
        return max(0, self.row.data_ports - (self.row.supply in FED_BY_PORT))


def expand_devices(tables: Tables, load_profile: str) -> list[Device]:
    """The devices of a profile one by one, in file order, numbered by device."""
    by_name = {row.device: row for row in tables.devices}
    seen: dict[str, int] = {}
    devices = []
    for load in tables.loads:
        if load.load_profile == load_profile:
            for _ in range(load.quantity):
                seen[load.device] = seen.get(load.device, 0) + 1
                devices.append(
                    Device(row=by_name[load.device], instance=seen[load.device], cable_m=load.cable_m)
                )
    return devices


def group_devices(devices: Sequence[Device]) -> list[Group]:
    """Devices by row and cable, hardest to place first: PoE by falling class, passive by power, the rest."""
    alike: dict[tuple[str, float], list[Device]] = {}
    for device in devices:
        alike.setdefault((device.row.device, device.cable_m), []).append(device)
    groups = [Group(row=same[0].row, cable_m=same[0].cable_m, devices=tuple(same)) for same in alike.values()]
    rank = {Supply.POE: 0, Supply.PASSIVE_POE: 1, Supply.DC: 2, Supply.AC: 3}
    return sorted(
        groups,
        key=lambda g: (rank[g.row.supply], -g.poe_class, -g.row.max_w, g.row.device, -g.cable_m),
    )


def talks(devices: Sequence[Device]) -> bool:
    """Whether anything needs a network; then links and the uplink are needed too."""
    return any(device.row.data_ports > 0 for device in devices)


def unpowered(group: Group, settings: Settings) -> Refusal | None:
    """Why no kit at all can power the device over its cable, or None."""
    row, limit = group.row, settings.demand.channel_max_m
    if row.supply is Supply.AC:
        return Refusal(
            rule="ac-not-served",
            subject=row.device,
            message="takes alternating current, which no part of the catalogue gives",
        )
    if group.cable_m > limit and (row.data_ports > 0 or row.supply in FED_BY_PORT):
        return Refusal(
            rule="channel-length",
            subject=row.device,
            value=group.cable_m,
            limit=limit,
            unit="m",
            message=f"its cable of {group.cable_m:g} m exceeds the longest Ethernet channel, {limit:g} m",
        )
    return _over_class(group, settings) if row.supply is Supply.POE else None


def _over_class(group: Group, settings: Settings) -> Refusal | None:
    """The port's power at the device's greatest power, against that of its class."""
    row, most = group.row, CLASSES[group.poe_class].pse_w
    asked = class_source_w(row.max_w, group.poe_class, group.cable_m, settings.demand.poe_loop_ohm_per_100m)
    if asked <= most + CLASS_CLOSURE_W:
        return None
    shown = f"{asked:.1f} W" if asked < float("inf") else "more than the cable can carry"
    return Refusal(
        rule="class-power",
        subject=row.device,
        value=asked if asked < float("inf") else None,
        limit=most,
        unit="W",
        message=f"{row.max_w:g} W over {group.cable_m:g} m take {shown} at the port, class {row.poe_class} "
        f"gives {most:g} W",
    )
