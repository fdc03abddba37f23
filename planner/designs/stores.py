"""Store rows: supply kits with batteries whose bus window they hold."""

from dataclasses import dataclass

import numpy as np

from planner.designs import bus, pv_array
from planner.designs.catalogue import CatalogueArrays, block_class_v
from planner.designs.inputs import (
    EPS,
    BoolArray,
    FloatArray,
    IntArray,
    SiteInputs,
    battery_temp_min_c,
    block_usable_wh,
    enclosure_temp_max_c,
)
from planner.settings import Settings


@dataclass(frozen=True, slots=True, kw_only=True)
class Stores:
    """Store rows (P): kit, battery, blocks in series and charge setpoint of a block.

    `top_v` is the string's setpoint, `charging_v` its mean while charging, `string_wh` and `usable_wh`
    those of one string; `controllers_fit` (P, C) marks the controllers that charge the row at its setpoint.
    """

    kit: IntArray
    battery: IntArray
    series: IntArray
    setpoint_v: FloatArray
    top_v: FloatArray
    charging_v: FloatArray
    string_wh: FloatArray
    usable_wh: FloatArray
    controllers_fit: BoolArray

    @property
    def chargers(self) -> BoolArray:
        """Controllers that charge some row (C,)."""
        return np.asarray(self.controllers_fit.any(axis=0), dtype=bool)


def battery_series(cat: CatalogueArrays, system_voltage_v: int) -> IntArray:
    """Blocks in series for the system voltage (B,); 0 where they do not make it."""
    blocks = system_voltage_v / np.array([block_class_v(row) for row in cat.batteries], dtype=float)
    whole = np.round(blocks)
    fits = (np.abs(blocks - whole) < 1e-6) & (whole >= 1) & (whole <= cat.battery("batteries_series_max"))
    return np.where(fits, whole, 0).astype(np.int64)


def batteries_in_range(cat: CatalogueArrays, inputs: SiteInputs, settings: Settings) -> BoolArray:
    """Batteries that may stand and be charged at the site's temperatures (B,); there are no heaters."""
    cold, hot = battery_temp_min_c(inputs, settings), enclosure_temp_max_c(inputs, settings)
    return (
        (cat.battery("temp_min_c") <= cold)
        & (cat.battery("temp_max_c") >= hot)
        & (cat.battery("charge_temp_min_c") <= cold)
    )


def controllers_in_range(
    cat: CatalogueArrays, inputs: SiteInputs, system_voltage_v: int, settings: Settings
) -> BoolArray:
    """Controllers for the system voltage and the temperatures in the enclosure (C,)."""
    cold, hot = battery_temp_min_c(inputs, settings), enclosure_temp_max_c(inputs, settings)
    return (
        (cat.controller("system_voltage_min_v") <= system_voltage_v)
        & (cat.controller("system_voltage_max_v") >= system_voltage_v)
        & (cat.controller("temp_min_c") <= cold)
        & (cat.controller("temp_max_c") >= hot)
    )


def kits_in_range(inputs: SiteInputs, settings: Settings) -> BoolArray:
    """Kits whose boxes stand the temperatures in the enclosure (K,)."""
    cold, hot = battery_temp_min_c(inputs, settings), enclosure_temp_max_c(inputs, settings)
    return np.array([kit.temp_min_c <= cold and kit.temp_max_c >= hot for kit in inputs.kits], dtype=bool)


@dataclass(frozen=True, slots=True, kw_only=True)
class Windows:
    """Kits with batteries (N), before a controller is chosen; `setpoint_v` and `high_v` are (N, C)."""

    kit: IntArray
    battery: IntArray
    low_v: FloatArray
    setpoint_v: FloatArray
    high_v: FloatArray
    kit_low_v: FloatArray
    kit_high_v: FloatArray


def bus_windows(
    inputs: SiteInputs, cat: CatalogueArrays, system_voltage_v: int, settings: Settings
) -> Windows:
    """Bus window of every kit and battery that stand the temperatures and make the voltage."""
    series = battery_series(cat, system_voltage_v)
    batteries = np.flatnonzero((series > 0) & batteries_in_range(cat, inputs, settings))
    kits = np.flatnonzero(kits_in_range(inputs, settings))
    kit, b = np.repeat(kits, len(batteries)), np.tile(batteries, len(kits))
    blocks, cold = series[b][:, None], battery_temp_min_c(inputs, settings)
    compensation = cat.battery("temp_compensation_v_per_k")[b][:, None]
    kit_high = np.array([one.input_max_v for one in inputs.kits], dtype=float)[kit]
    cap = cat.controller("charge_max_v")[None, :]
    setpoint = bus.setpoint_v(
        recommended_v=cat.battery("charge_v")[b][:, None],
        least_v=cat.battery("charge_min_v")[b][:, None],
        series=blocks,
        compensation_v_per_k=compensation,
        temp_c=cold,
        window_top_v=kit_high[:, None],
        cap_v=cap,
    )
    return Windows(
        kit=kit,
        battery=b,
        low_v=bus.bottom_v(cat.battery("disconnect_v")[b], series[b], settings.demand.bus_cable_drop),
        setpoint_v=setpoint,
        high_v=bus.charging_top_v(setpoint, blocks, compensation, cold, cap),
        kit_low_v=np.array([one.input_min_v for one in inputs.kits], dtype=float)[kit],
        kit_high_v=kit_high,
    )


def charges(
    windows: Windows, inputs: SiteInputs, cat: CatalogueArrays, system_voltage_v: int, settings: Settings
) -> BoolArray:
    """Controllers that charge each kit's battery and, where it has no disconnect, carry its load (N, C).

    They reach the battery's least setpoint; where its maker asks for compensation they follow its
    temperature, since an uncompensated charge leaves a cold lead-acid battery half full.
    """
    b = windows.battery
    least = (battery_series(cat, system_voltage_v) * cat.battery("charge_min_v"))[b]
    follows = (cat.controller("temp_compensated") > 0)[None, :]
    terminal = np.nan_to_num(cat.controller("load_terminal_max_a"), nan=0.0)[None, :]
    asks = np.array([one.max_current_a if one.load_terminal else 0.0 for one in inputs.kits])[windows.kit]
    return (
        controllers_in_range(cat, inputs, system_voltage_v, settings)[None, :]
        & (cat.controller("charge_max_v")[None, :] >= least[:, None] - EPS)
        & (follows | (cat.battery("temp_compensation_v_per_k")[b] >= 0)[:, None])
        & (asks[:, None] <= terminal + EPS)
    )


def make_stores(
    inputs: SiteInputs, cat: CatalogueArrays, system_voltage_v: int, settings: Settings
) -> Stores:
    """Every kit with every battery whose bus window the kit holds with at least one controller.

    A row stands for one setpoint: controllers that ask for different ones stand in different rows.
    """
    w = bus_windows(inputs, cat, system_voltage_v, settings)
    fits = charges(w, inputs, cat, system_voltage_v, settings)
    fits &= (w.low_v >= w.kit_low_v - EPS)[:, None] & (w.high_v <= w.kit_high_v[:, None] + EPS)
    pair, controller = np.nonzero(fits)
    levels, level = np.unique(w.setpoint_v[pair, controller], return_inverse=True)
    rows, row = np.unique(pair * max(1, len(levels)) + level, return_inverse=True)
    controllers_fit = np.zeros((len(rows), fits.shape[1]), dtype=bool)
    controllers_fit[row, controller] = True
    pair, setpoint = np.divmod(rows, max(1, len(levels)))
    kit, b, setpoint_v = w.kit[pair], w.battery[pair], levels[setpoint]
    series = battery_series(cat, system_voltage_v)[b]
    rated = (cat.battery("capacity_ah") * cat.battery("nominal_v"))[b]
    return Stores(
        kit=kit,
        battery=b,
        series=series,
        setpoint_v=setpoint_v,
        top_v=setpoint_v * series,
        charging_v=pv_array.charging_v(cat.battery("nominal_v")[b], setpoint_v, series),
        string_wh=rated * series,
        usable_wh=block_usable_wh(cat, inputs, settings)[b] * series,
        controllers_fit=controllers_fit,
    )
