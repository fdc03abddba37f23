"""Bus windows of kits with batteries: which controllers charge them, at which setpoint, how far it swings."""

from dataclasses import dataclass

import numpy as np

from planner.designs import bus
from planner.designs.catalogue import CatalogueArrays
from planner.designs.codes import ranked
from planner.designs.inputs import (
    EPS,
    BoolArray,
    FloatArray,
    IntArray,
    SiteInputs,
    battery_temp_min_c,
)
from planner.designs.kits import as_kits
from planner.designs.site_parts import SetpointRange, SiteParts
from planner.designs.suits import battery_series, controllers_for_voltage, kits_in_range
from planner.settings import Settings


@dataclass(frozen=True, slots=True, kw_only=True)
class Windows:
    """Kits with batteries (N), before a controller is chosen; `carries` (N, C) has the controllers whose load
    terminals carry the kit, where it needs them, `setpoint_v` and `high_v` are (N, C) too.

    Of kits of one window that the same terminals carry the first stands for all: `kits` suit the site,
    `first` those that stand for others, `same` the place among these of the one that does for each of `kits`.
    """

    kits: IntArray
    same: IntArray
    first: IntArray
    kit: IntArray
    battery: IntArray
    carries: BoolArray
    low_v: FloatArray
    setpoint_v: FloatArray
    high_v: FloatArray
    kit_low_v: FloatArray
    kit_high_v: FloatArray


def bus_windows(
    inputs: SiteInputs, cat: CatalogueArrays, parts: SiteParts, system_voltage_v: int, settings: Settings
) -> Windows:
    """Bus window of every kit and battery that stand the temperatures and make the voltage."""
    series, span = battery_series(cat, system_voltage_v), parts.span
    batteries = np.flatnonzero((series > 0) & parts.batteries)
    kits = np.flatnonzero(kits_in_range(inputs, settings))
    carries = terminals_carry(inputs, cat)[kits]
    first, same = _first_alike(as_kits(inputs.kits).window[kits], carries)
    kit, b = np.repeat(kits[first], len(batteries)), np.tile(batteries, len(first))
    blocks, cold = series[b][:, None], battery_temp_min_c(inputs, settings)
    follows, cap = span.follows_v_per_k[b], cat.controller("charge_max_v")[None, :]
    kit_high = inputs.kit("input_max_v")[kit]
    setpoint = bus.setpoint_v(
        recommended_v=span.recommended_v[b],
        least_v=span.least_v[b],
        series=blocks,
        compensation_v_per_k=follows,
        temp_c=cold,
        window_top_v=kit_high[:, None],
        cap_v=cap,
    )
    high = bus.charging_top_v(setpoint, blocks, follows, cold, cap)
    if settings.battery.equalise_required:
        equalise = cat.battery("equalise_v")[b][:, None]  # NaN: this battery is not equalised
        high = np.fmax(high, bus.charging_top_v(equalise, blocks, follows, cold, cap))
    return Windows(
        kits=kits,
        same=same,
        first=kits[first],
        kit=kit,
        battery=b,
        carries=np.repeat(carries[first], len(batteries), axis=0),
        low_v=bus.bottom_v(cat.battery("disconnect_v")[b], series[b], settings.demand.bus_cable_drop),
        setpoint_v=setpoint,
        high_v=high,
        kit_low_v=inputs.kit("input_min_v")[kit],
        kit_high_v=kit_high,
    )


def _first_alike(window: IntArray, carries: BoolArray) -> tuple[IntArray, IntArray]:
    """Place of the first of kits (K,) of each window and terminals that carry it (K, C), rising.

    And for each kit the place of its own among them.
    """
    first, same = ranked(window, *np.packbits(carries, axis=1).T)
    order = np.argsort(first)
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    return first[order], rank[same]


def reached_v(
    cat: CatalogueArrays, span: SetpointRange, system_voltage_v: int, settings: Settings
) -> FloatArray:
    """Voltage that a controller must make at 25 C to charge each battery (B, C), V.

    Infinite where no setpoint suits the battery behind that controller in cold and heat; the equalising
    voltage counts where it is required.
    """
    needed = np.where(span.least_v <= span.most_v + EPS, span.least_v, np.inf)
    if settings.battery.equalise_required:
        needed = np.fmax(needed, cat.battery("equalise_v")[:, None])
    series = np.maximum(battery_series(cat, system_voltage_v), 1)
    return np.asarray(needed * series[:, None])


def charges(
    windows: Windows, cat: CatalogueArrays, parts: SiteParts, system_voltage_v: int, settings: Settings
) -> BoolArray:
    """Controllers that charge each kit's battery and, where it has no disconnect, carry its load (N, C)."""
    reached = cat.controller("charge_max_v") >= reached_v(cat, parts.span, system_voltage_v, settings) - EPS
    reached &= parts.controllers & controllers_for_voltage(cat, system_voltage_v)
    return np.asarray(reached[windows.battery] & windows.carries)


def terminals_carry(inputs: SiteInputs, cat: CatalogueArrays) -> BoolArray:
    """Controllers whose load terminals carry each kit that has no disconnect, inrush too if stated (K, C)."""
    own = inputs.kit("load_terminal") > 0
    asks = inputs.kit("max_current_a")
    starts = inputs.kit("surge_current_a")
    most = np.nan_to_num(cat.controller("load_terminal_max_a"), nan=0.0)
    surge = np.nan_to_num(cat.controller("load_terminal_surge_a"), nan=np.inf)
    carries = (asks[:, None] <= most + EPS) & (starts[:, None] <= surge + EPS)
    return np.asarray(~own[:, None] | carries)
