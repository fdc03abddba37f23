"""Adapters that take 802.3 power from a switch port and feed a passive device.

An adapter stands near its device: `demand.adapter_patch_m` of the cable lies behind it, the rest before it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import inf

from planner.demand.channel import (
    CLASS_CLOSURE_W,
    CLASSES,
    class_source_w,
    effective_class,
    floor_v,
    passive_loop_ohm,
    source_w,
)
from planner.demand.devices import Group
from planner.settings import Settings
from planner.tables.catalogue import ConverterRow
from planner.tables.rows import Supply


@dataclass(frozen=True, slots=True, kw_only=True)
class Adapted:
    """What the switch port of an adapter gives: standing part, mean beyond it while on, greatest (W)."""

    own_w: float
    average_w: float
    most_w: float


def adapted(group: Group, row: ConverterRow, settings: Settings) -> Adapted | None:
    """Power at the switch port for a passive device behind an adapter, or None where it does not suit.

    The adapter must give the device's voltage at the end of the patch within its window, its power, and ask
    no more of the port than its class has.
    """
    device, volts = group.row, row.output_v or 0.0
    patch_m = min(group.cable_m, settings.demand.adapter_patch_m)
    loop = passive_loop_ohm(patch_m)
    lowest = floor_v(device.max_w, device.input_min_v, loop) if device.input_min_v else 0.0
    if volts != device.passive_v or not lowest <= volts <= (device.input_max_v or inf):
        return None
    out_w, out_max_w = source_w(device.average_w, volts, loop), source_w(device.max_w, volts, loop)
    if out_max_w > (row.output_max_w or 0.0):
        return None

    def port_w(watts: float) -> float:
        return class_source_w(
            row.own_draw_w + watts / row.efficiency,
            effective_class(row.poe_class),
            group.cable_m - patch_m,
            settings.demand.poe_loop_ohm_per_100m,
        )

    own, most = port_w(0.0), port_w(out_max_w)
    if most > CLASSES[effective_class(row.poe_class)].pse_w + CLASS_CLOSURE_W:
        return None
    return Adapted(own_w=own, average_w=port_w(out_w) - own, most_w=most)


def behind_adapters(group: Group, rows: Sequence[ConverterRow], settings: Settings) -> Group | None:
    """The group behind the adapter of the lowest class that suits it, or None."""
    if group.row.supply is not Supply.PASSIVE_POE:
        return None
    able = [row for row in rows if adapted(group, row, settings) is not None]
    best = min(able, key=lambda row: (effective_class(row.poe_class), row.sku), default=None)
    return None if best is None else replace(group, adapter=best)


def adapter_sets(
    groups: Sequence[Group], rows: Sequence[ConverterRow], settings: Settings
) -> list[tuple[ConverterRow, ...]]:
    """One adapter SKU that suits some group, or two of which each is some group's choice."""
    sets: list[tuple[ConverterRow, ...]] = []
    for some in [*((row,) for row in rows), *combinations(rows, 2)]:
        twins = [twin for group in groups if (twin := behind_adapters(group, some, settings))]
        if len({twin.adapter.sku for twin in twins if twin.adapter}) == len(some):
            sets.append(some)
    return sets
