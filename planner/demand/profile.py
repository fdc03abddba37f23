"""What a load profile asks of its switches, and the helpers (injectors, adapters) it may be given."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations
from math import inf

from planner.demand.adapters import adapter_sets, behind_adapters
from planner.demand.bus import Bus, box_load
from planner.demand.channel import effective_class
from planner.demand.devices import FED_BY_PORT, Device, Group, group_devices, hardest, talks
from planner.demand.feeding import feed_choices
from planner.demand.grounding import box_poles
from planner.demand.links import Network
from planner.demand.ports import Fit, Switch, fit, hung_poles, injects, least_injector, port_window
from planner.demand.split import Needs
from planner.settings import Settings
from planner.tables.catalogue import ConverterKind, ConverterRow, PseKind

#: Whether a switch that serves a device of a group can itself be fed.
Feedable = Callable[[Switch, Group], bool]


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """What a load profile asks, and how every switch that a site may have fits it."""

    needs: Needs
    loose: tuple[Device, ...]  # with data ports that no port powers
    fits: dict[str, tuple[Fit, ...]]  # by switch SKU, a Fit for each group
    floor_w: dict[
        str, tuple[float, ...]
    ]  # by switch SKU, least mean W at its input for a device of each asked group
    settings: Settings

    def fits_of(self, switches: Sequence[Switch]) -> list[list[Fit]]:
        """[group][switch]."""
        return [[self.fits[s.row.sku][g] for s in switches] for g in range(len(self.needs.groups))]


@dataclass(frozen=True, kw_only=True)
class Way:
    """A profile with the helper SKUs that may be used; its groups have twins behind the adapters."""

    profile: Profile
    injectors: tuple[ConverterRow, ...] = ()
    adapters: tuple[ConverterRow, ...] = ()

    @cached_property
    def injectable(self) -> list[bool]:
        """Groups that may stand behind an injector."""
        return [
            group.adapter is None
            and any(injects(row, group, self.profile.settings) for row in self.injectors)
            for group in self.profile.needs.groups
        ]

    def injector_of(self, g: int) -> ConverterRow | None:
        """The injector of a group: the one of the lowest class that serves it."""
        group = self.profile.needs.groups[g]
        if not self.injectable[g]:
            return None
        return least_injector(group, self.injectors, self.profile.settings)

    @cached_property
    def injected_w(self) -> list[float]:
        """Least mean power at an injector's input for a device of each asked group."""
        needs, best = self.profile.needs, max((row.efficiency for row in self.injectors), default=0.0)
        least = [
            min(
                (fits[g].average_w for fits in self.profile.fits.values()),
                default=needs.groups[g].row.average_w,
            )
            for g in needs.asked
        ]
        pairs = zip(needs.asked, least, strict=True)
        return [watts / best if self.injectable[g] else inf for g, watts in pairs]

    @cached_property
    def helpers(self) -> frozenset[str]:
        """Their SKUs."""
        return frozenset(row.sku for row in (*self.injectors, *self.adapters))


def make_profile(
    devices: Sequence[Device],
    switches: Sequence[Switch],
    settings: Settings,
    *,
    adapters: Sequence[ConverterRow] = (),
    sfp: bool = False,
    feedable: Feedable | None = None,
) -> Profile:
    """The needs of a profile's devices. Where nothing talks, neither links nor an uplink are needed.

    Parameters
    ----------
    devices, switches, settings
        Of the profile, of the site, of the scenario.
    adapters : sequence of rows
        PoE adapters that passive groups may stand behind.
    sfp : bool
        Whether SFP modules can be bought.
    feedable : callable, optional
        A switch serves no group with which it cannot be fed; every group if not given.
    """
    groups = [group for group in group_devices(devices) if group.row.supply in FED_BY_PORT]
    ordered, twins = _with_twins(groups, adapters, settings)
    loose = tuple(d for d in devices if d.row.supply not in FED_BY_PORT and d.row.data_ports > 0)
    extra = sum(group.count * group.extra_ports for group in groups)
    linked = talks(devices)
    network = Network(
        data_ports=extra + sum(device.row.data_ports for device in loose),
        uplinks=settings.policy.uplink_ports if linked else 0,
        medium=settings.policy.uplink_medium,
        linked=linked,
        sfp=sfp,
    )

    def served(group: Group, switch: Switch) -> Fit:
        one = fit(group, switch, settings)
        serves = not one.ports or feedable is None or feedable(switch, group)
        return one if serves else replace(one, ports=0)

    needs = Needs(groups=tuple(ordered), twins=tuple(twins), network=network)
    fits = {s.row.sku: tuple(served(group, s) for group in ordered) for s in switches}
    return Profile(
        needs=needs,
        loose=loose,
        fits=fits,
        floor_w={s.row.sku: _floor_w(needs, s, fits[s.row.sku]) for s in switches},
        settings=settings,
    )


def _floor_w(needs: Needs, switch: Switch, fits: Sequence[Fit]) -> tuple[float, ...]:
    """Least mean power at a switch's input for a device of each asked group; infinite if unserved."""
    return tuple(
        min((fits[i].average_w for i in (g, needs.twins[g]) if i >= 0 and fits[i].ports), default=inf)
        / switch.row.pse_efficiency
        for g in needs.asked
    )


def _with_twins(
    groups: Sequence[Group], adapters: Sequence[ConverterRow], settings: Settings
) -> tuple[list[Group], list[int]]:
    """Groups with their twins behind adapters; then passive groups come first, as the twins take the rest."""
    pairs = [(group, behind_adapters(group, adapters, settings)) for group in groups]
    if all(twin is None for _, twin in pairs):
        return list(groups), [-1] * len(groups)
    first = [group for group in groups if not group.on_poe]
    rest = [group for group in groups if group.on_poe] + [twin for _, twin in pairs if twin]
    ordered = first + sorted(rest, key=hardest)
    of = {id(group): twin for group, twin in pairs if twin}
    places = {id(group): g for g, group in enumerate(ordered)}
    return ordered, [places[id(of[id(group)])] if id(group) in of else -1 for group in ordered]


def feeds_on(bus: Bus) -> Feedable:
    """Whether a switch can be fed on a bus with one device of a group, as far as its window and poles go."""
    known: dict[tuple[str, float, float, bool], bool] = {}

    def feedable(switch: Switch, group: Group) -> bool:
        row = switch.row
        low, high, poles = row.input_min_v, row.input_max_v, box_poles(row)
        if row.pse_kind is PseKind.PASSTHROUGH:
            floor, top = port_window(group.row, group.cable_m, group.poe_class)
            low, high = max(low, floor), min(high, top)
        if group.adapter is None:
            poles |= hung_poles(row, group.row)
        bare = box_load(row)
        load = replace(bare, input_min_v=low, input_max_v=high, poles=poles)
        key = (row.sku, low, high, poles == bare.poles)
        if load != bare and key not in known:
            # A switch that nothing feeds anyway is refused as such, not for its ports.
            known[key] = bool(feed_choices(load, bus)) or not feed_choices(bare, bus)
        return known.get(key, True)

    return feedable


def make_ways(
    devices: Sequence[Device], switches: Sequence[Switch], bus: Bus, settings: Settings
) -> tuple[Profile, list[Way]]:
    """The profile without helpers, and every way to help it: injectors, adapters, both."""
    rows = [row for row in bus.converters if row.kind is ConverterKind.POE_ADAPTER]
    sfp = any(row.kind is ConverterKind.SFP_MODULE for row in bus.converters)
    feedable = feeds_on(bus)
    bare = make_profile(devices, switches, settings, sfp=sfp, feedable=feedable)
    injectors = injector_sets(bare, bus)
    ways = [Way(profile=bare, injectors=some) for some in injectors]
    for some in adapter_sets(bare.needs.groups, rows, settings):
        helped = make_profile(devices, switches, settings, adapters=some, sfp=sfp, feedable=feedable)
        ways += [Way(profile=helped, injectors=more, adapters=some) for more in ((), *injectors)]
    return bare, ways


def injector_sets(profile: Profile, bus: Bus) -> list[tuple[ConverterRow, ...]]:
    """One injector SKU that serves some group and can be fed, or two of unlike class."""
    able = [
        row
        for row in bus.converters
        if row.kind is ConverterKind.POE_INJECTOR
        and any(injects(row, group, profile.settings) for group in profile.needs.groups)
        and feed_choices(box_load(row), bus)
    ]
    sets: list[tuple[ConverterRow, ...]] = [(row,) for row in able]
    sets += [
        pair
        for pair in combinations(able, 2)
        if effective_class(pair[0].poe_class) != effective_class(pair[1].poe_class)
    ]
    return sets
