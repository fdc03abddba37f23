"""The devices of a load profile: one by one, in groups alike, and what they ask of any kit."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice, product

from planner.demand.channel import CLASS_CLOSURE_W, CLASSES, class_source_w, effective_class
from planner.errors import Refusal
from planner.scenario import Tables
from planner.settings import Settings
from planner.tables.catalogue import ConverterRow
from planner.tables.rows import DeviceRow, Supply

FED_BY_PORT = (Supply.POE, Supply.PASSIVE_POE)
#: Ways to take a profile's devices and their alternatives that are tried, those of the loads' own rows first.
VARIANTS_MAX = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """One device of a profile: its row, its running number among its like, its cable."""

    row: DeviceRow
    instance: int
    cable_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Devices alike in row and cable, which any port serves alike; passive ones perhaps behind an adapter."""

    row: DeviceRow
    cable_m: float
    devices: tuple[Device, ...]
    adapter: ConverterRow | None = None

    @property
    def count(self) -> int:
        """How many."""
        return len(self.devices)

    @property
    def poe_class(self) -> int:
        """Class it is served as; -1 without 802.3 power."""
        return effective_class(self.adapter.poe_class if self.adapter else self.row.poe_class)

    @property
    def on_poe(self) -> bool:
        """Whether it takes an 802.3 port; such a port carries its data too."""
        return self.row.supply is Supply.POE or self.adapter is not None

    @property
    def extra_ports(self) -> int:
        """Copper ports each device takes besides the port that powers it."""
        return max(0, self.row.data_ports - (self.row.supply in FED_BY_PORT))


def variants(tables: Tables, load_profile: str) -> Iterator[dict[str, DeviceRow]]:
    """Ways to power the devices of a profile: of each its own row, or one that states it as `alternative_to`.

    Like devices take the same way. At most `VARIANTS_MAX` ways, the loads' own rows first.
    """
    named = dict.fromkeys(load.device for load in tables.loads if load.load_profile == load_profile)
    rows = {row.device: row for row in tables.devices}
    ways = [[rows[name], *(row for row in tables.devices if row.alternative_to == name)] for name in named]
    for chosen in islice(product(*ways), VARIANTS_MAX):
        yield dict(zip(named, chosen, strict=True))


def expand_devices(
    tables: Tables, load_profile: str, rows: Mapping[str, DeviceRow] | None = None
) -> list[Device]:
    """The devices of a profile one by one, in file order, numbered by device.

    `rows` gives the row that powers each device, its own if not given.
    """
    by_name = rows or {row.device: row for row in tables.devices}
    seen: dict[str, int] = {}
    devices = []
    for load in tables.loads:
        if load.load_profile == load_profile:
            for _ in range(load.quantity):
                row = by_name[load.device]
                seen[row.device] = seen.get(row.device, 0) + 1
                devices.append(Device(row=row, instance=seen[row.device], cable_m=load.cable_m))
    return devices


def group_devices(devices: Sequence[Device]) -> list[Group]:
    """Devices by row and cable, hardest to place first: PoE by falling class, passive by power, the rest."""
    alike: dict[tuple[str, float], list[Device]] = {}
    for device in devices:
        alike.setdefault((device.row.device, device.cable_m), []).append(device)
    groups = [Group(row=same[0].row, cable_m=same[0].cable_m, devices=tuple(same)) for same in alike.values()]
    return sorted(groups, key=hardest)


def hardest(group: Group) -> tuple[int, int, float, str, float]:
    """Sorts groups: the ones hardest to place first."""
    rank = {Supply.POE: 0, Supply.PASSIVE_POE: 1, Supply.DC: 2, Supply.AC: 3}
    supply = Supply.POE if group.on_poe else group.row.supply
    return rank[supply], -group.poe_class, -group.row.max_w, group.row.device, -group.cable_m


def talks(devices: Sequence[Device]) -> bool:
    """Whether anything needs a network; then links and the uplink are needed too."""
    return any(device.row.data_ports > 0 for device in devices)


def unpowered(group: Group, settings: Settings) -> Refusal | None:
    """Why no kit at all can power the device over its cable, or None."""
    row, limit = group.row, settings.demand.channel_max_m
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
