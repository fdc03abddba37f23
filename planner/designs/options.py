"""Every feasible design of one site at one system voltage, factored into store rows and array columns.

A store row is a supply kit with a battery; an array column is a module, its strings' length, and a number
of controllers of one kind. Given a row and a column, the least number of strings and of battery strings
that suffice are looked up from the month that asks for most, so a site's designs are two small matrices.
Nothing that could be cheapest at some prices is dropped.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.demand import SupplyKit
from planner.designs import battery, bus, pv_array
from planner.designs.catalogue import CatalogueArrays, block_class_v
from planner.settings import Settings
from planner.units import HOURS_PER_DAY, W_PER_M2_STC

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

EPS = 1e-9
SERIES_MAX = 12  # modules in a string tried at most; the controllers' input voltage ends it long before


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteInputs:
    """What the designs of one site depend on.

    Attributes
    ----------
    poa_wh_m2_day, temp_cell_c, day_hours, other_supply_wh_day : (12,)
        Mean daily plane irradiation, irradiance-weighted cell temperature, day length, other energy.
    poa_clipped_wh_m2_day : (12, G)
        Mean daily integral of `min(irradiance, clip_irradiance_w_m2)`.
    kits : sequence of K kits
        Of the site's profile and the system voltage.
    day_wh, night_wh : (K, 12)
        Load at the bus by day and night, margin included, controllers' own draw not.
    """

    site_id: str
    poa_wh_m2_day: FloatArray
    poa_clipped_wh_m2_day: FloatArray
    clip_irradiance_w_m2: FloatArray
    temp_cell_c: FloatArray
    temp_air_min_c: float
    temp_air_max_c: float
    temp_cold_spell_c: float
    temp_hot_month_c: float
    day_hours: FloatArray
    other_supply_wh_day: FloatArray
    autonomy_days: float
    array_to_load_ratio: float
    module_area_max_m2: float | None
    kits: Sequence[SupplyKit]
    day_wh: FloatArray
    night_wh: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteOptions:
    """Feasible designs, factored: store rows (P) x array columns (A).

    `modules_parallel` (P, A) is the least number of strings that suffices, 0 where the pair does not work;
    `batteries_parallel` (P, A) the least number of battery strings.
    """

    system_voltage_v: int
    kit: IntArray
    battery: IntArray
    batteries_series: IntArray
    charge_setpoint_v: FloatArray
    kit_volume_l: FloatArray
    string_volume_l: FloatArray
    module: IntArray
    modules_series: IntArray
    controller: IntArray
    controllers: IntArray
    module_area_m2: FloatArray
    controller_volume_l: FloatArray
    modules_parallel: NDArray[np.int16]
    batteries_parallel: NDArray[np.int16]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stores:
    """Store rows (P) before arrays are known."""

    kit: IntArray
    battery: IntArray
    series: IntArray
    setpoint_v: FloatArray
    charging_v: FloatArray
    string_wh: FloatArray
    usable_wh: FloatArray
    controllers_fit: BoolArray  # (P, C): window, charging voltage and load terminals


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """Array columns (A); the number of controllers varies fastest."""

    module: IntArray
    series: IntArray
    controller: IntArray
    controllers: IntArray
    strings_max: IntArray
    unit_w: FloatArray  # (A, 12): W at the bus per string and 1000 W/m2; A instead of W for PWM


def battery_temp_min_c(inputs: SiteInputs, settings: Settings) -> float:
    """Coldest battery: the extreme minimum of the air, damped by the enclosure."""
    return inputs.temp_air_min_c + settings.battery.enclosure_damping_k


def battery_depth(cat: CatalogueArrays, temp_min_c: float) -> FloatArray:
    """Allowed depth of discharge of each battery (B,): the maker's, and no deeper than freezing lets it."""
    return np.minimum(cat.battery("depth_of_discharge_max"), battery.freezing_depth(temp_min_c, cat.lead_acid))


def string_usable_wh(cat: CatalogueArrays, inputs: SiteInputs, settings: Settings) -> FloatArray:
    """Usable energy of one block of each battery (B,), Wh."""
    rated = cat.battery("capacity_ah") * cat.battery("nominal_v")
    derated = settings.battery.temperature_derating
    factor = battery.temperature_factor(inputs.temp_cold_spell_c, cat.lead_acid & derated)
    depth = battery_depth(cat, battery_temp_min_c(inputs, settings))
    return battery.usable_wh(rated, depth, settings.battery.end_of_life_share, factor)


def battery_series(cat: CatalogueArrays, system_voltage_v: int) -> IntArray:
    """Blocks in series for the system voltage (B,); 0 where they do not make it."""
    blocks = system_voltage_v / np.array([block_class_v(row.nominal_v) for row in cat.batteries])
    whole = np.round(blocks)
    fits = (np.abs(blocks - whole) < 1e-6) & (whole >= 1) & (whole <= cat.battery("batteries_series_max"))
    return np.where(fits, whole, 0).astype(np.int64)


def batteries_in_range(cat: CatalogueArrays, inputs: SiteInputs, settings: Settings) -> BoolArray:
    """Batteries that may stand and be charged at the site's temperatures (B,)."""
    cold, hot = battery_temp_min_c(inputs, settings), inputs.temp_air_max_c + settings.battery.enclosure_rise_k
    return (
        (cat.battery("temp_min_c") <= cold) & (cat.battery("temp_max_c") >= hot)
        & (cat.battery("charge_temp_min_c") <= cold)
    )


def make_stores(inputs: SiteInputs, cat: CatalogueArrays, system_voltage_v: int, settings: Settings) -> Stores:
    """Kits with batteries whose bus window the kit holds with at least one controller."""
    cold = battery_temp_min_c(inputs, settings)
    hot = inputs.temp_air_max_c + settings.battery.enclosure_rise_k
    series = battery_series(cat, system_voltage_v)
    kits = inputs.kits
    top = np.array([kit.input_max_v for kit in kits])[:, None]
    bottom = np.array([kit.input_min_v for kit in kits])[:, None]
    kit_fits = np.array([kit.temp_min_c <= cold and kit.temp_max_c >= hot for kit in kits], dtype=bool)[:, None]
    blocks, compensation = np.maximum(series, 1), cat.battery("temp_compensation_v_per_k")
    setpoint = bus.setpoint_v(
        recommended_v=cat.battery("charge_v"), least_v=cat.battery("charge_min_v"), series=blocks,
        compensation_v_per_k=compensation, temp_c=cold, window_top_v=top,
    )
    low = bus.bottom_v(cat.battery("disconnect_v"), blocks, settings.demand.bus_cable_drop)
    fits = kit_fits & (series > 0) & batteries_in_range(cat, inputs, settings) & (low >= bottom - EPS)
    kit, b = np.nonzero(fits)
    cap = cat.controller("charge_max_v")[None, :]
    p = (kit, b)
    highest = bus.charging_top_v(
        setpoint[p][:, None], blocks[b][:, None], compensation[b][:, None], cold, cap
    )
    charges = cap >= (blocks[b] * cat.battery("charge_min_v")[b])[:, None] - EPS
    terminal = np.nan_to_num(cat.controller("load_terminal_max_a"), nan=0.0)[None, :]
    asks = np.array([kit.max_current_a if kit.load_terminal else 0.0 for kit in kits])[kit][:, None]
    controllers_fit = (highest <= top[kit] + EPS) & charges & (asks <= terminal)
    controllers_fit &= controllers_in_range(cat, inputs, system_voltage_v, settings)[None, :]
    rated = cat.battery("capacity_ah") * cat.battery("nominal_v")
    keep = controllers_fit.any(axis=1)
    kit, b, p_setpoint = kit[keep], b[keep], setpoint[p][keep]
    return Stores(
        kit=kit, battery=b, series=series[b], setpoint_v=p_setpoint,
        charging_v=pv_array.charging_v(cat.battery("nominal_v")[b], p_setpoint, series[b]),
        string_wh=rated[b] * series[b], usable_wh=string_usable_wh(cat, inputs, settings)[b] * series[b],
        controllers_fit=controllers_fit[keep],
    )


def controllers_in_range(
    cat: CatalogueArrays, inputs: SiteInputs, system_voltage_v: int, settings: Settings
) -> BoolArray:
    """Controllers for the system voltage and the temperatures in the enclosure (C,)."""
    cold, hot = battery_temp_min_c(inputs, settings), inputs.temp_air_max_c + settings.battery.enclosure_rise_k
    return (
        (cat.controller("system_voltage_min_v") <= system_voltage_v)
        & (cat.controller("system_voltage_max_v") >= system_voltage_v)
        & (cat.controller("temp_min_c") <= cold) & (cat.controller("temp_max_c") >= hot)
    )


def series_limits(cat: CatalogueArrays, inputs: SiteInputs) -> IntArray:
    """Most modules in series by cold open-circuit voltage, for each module and controller (M, C)."""
    cold = pv_array.cold_v_oc_v(cat.module("v_oc_v"), cat.module("beta_voc_per_k"), inputs.temp_air_min_c)
    limit = np.minimum(cat.module("system_voltage_max_v")[:, None], cat.controller("pv_input_max_v")[None, :])
    most = np.floor(limit / cold[:, None] + EPS).astype(np.int64)
    usable = (cat.module("temp_min_c") <= inputs.temp_air_min_c) & (
        cat.module("temp_max_c") >= inputs.temp_air_max_c + pv_array.CELL_RISE_K
    )
    return np.minimum(np.where(usable[:, None], most, 0), SERIES_MAX)


def strings_per_controller(cat: CatalogueArrays, settings: Settings) -> IntArray:
    """Most strings on one controller by its hard current limits (M, C).

    A tracker's output limit clips instead of forbidding; a PWM controller passes the array's current on,
    so its output limit is hard too.
    """
    current = cat.module("i_sc_a") * settings.array.irradiance_factor_isc
    limit = np.where(
        cat.mppt, cat.controller("pv_input_max_a"),
        np.minimum(cat.controller("pv_input_max_a"), cat.controller("output_max_a")),
    )
    return np.floor(limit[None, :] / current[:, None] + EPS).astype(np.int64)


def make_columns(inputs: SiteInputs, cat: CatalogueArrays, fits: BoolArray, settings: Settings) -> Columns:
    """Every module, string length and number of controllers that the electrical limits allow.

    `fits` (C,) marks the controllers that some store row takes.
    """
    most, strings = series_limits(cat, inputs), strings_per_controller(cat, settings)
    length = np.arange(1, SERIES_MAX + 1)
    ok = (length[None, None, :] <= most[:, :, None]) & (strings[:, :, None] > 0) & fits[None, :, None]
    m, c, s = np.nonzero(ok)
    counts = settings.policy.controllers_max
    m, c, s = (np.repeat(x, counts) for x in (m, c, length[s]))
    number = np.tile(np.arange(1, counts + 1), len(m) // counts)
    return Columns(
        module=m, series=s, controller=c, controllers=number, strings_max=number * strings[m, c],
        unit_w=_unit_w(inputs, cat, m, c, s, settings),
    )


def _unit_w(
    inputs: SiteInputs, cat: CatalogueArrays, m: IntArray, c: IntArray, s: IntArray, settings: Settings
) -> FloatArray:
    """Power at the bus (A for PWM) of one string at 1000 W/m2 and each month's cell temperature (A, 12)."""
    factor = pv_array.derating(settings.array) * cat.controller("efficiency")[c]
    full = np.full((1, 1), W_PER_M2_STC)
    tracked = pv_array.mppt_wh(
        (cat.module("nameplate_w")[m] * s)[:, None], cat.module("gamma_pmp_per_k")[m][:, None], full,
        inputs.temp_cell_c[None, :], factor[:, None],
    )
    direct = pv_array.pwm_wh(cat.module("i_mp_a")[m][:, None], 1.0, full, factor[:, None])
    return np.where(cat.mppt[c][:, None], tracked, direct)


def site_options(
    inputs: SiteInputs, *, catalogue: CatalogueArrays, system_voltage_v: int, settings: Settings
) -> SiteOptions:
    """All feasible designs of a site at a system voltage; without any, P or A is 0."""
    cat = catalogue
    stores = make_stores(inputs, cat, system_voltage_v, settings)
    columns = make_columns(inputs, cat, stores.controllers_fit.any(axis=0), settings)
    strings = least_strings(inputs, cat, stores, columns, settings)
    blocks = least_batteries(inputs, cat, stores, columns, strings, settings)
    strings = np.where(blocks <= cat.battery("batteries_parallel_max")[stores.battery][:, None], strings, 0)
    strings = _without_idle_controllers(strings, blocks, settings.policy.controllers_max)
    rows, cols = strings.any(axis=1), strings.any(axis=0)
    area = cat.module("length_m") * cat.module("width_m")
    m, c = columns.module[cols], columns.controller[cols]
    kit, b = stores.kit[rows], stores.battery[rows]
    kit_volume = np.array([kit.volume_l for kit in inputs.kits])
    return SiteOptions(
        system_voltage_v=system_voltage_v, kit=kit, battery=b, batteries_series=stores.series[rows],
        charge_setpoint_v=stores.setpoint_v[rows], kit_volume_l=kit_volume[kit],
        string_volume_l=cat.battery("volume_l")[b] * stores.series[rows],
        module=m, modules_series=columns.series[cols], controller=c, controllers=columns.controllers[cols],
        module_area_m2=area[m] * columns.series[cols],
        controller_volume_l=cat.controller("volume_l")[c] * columns.controllers[cols],
        modules_parallel=strings[np.ix_(rows, cols)].astype(np.int16),
        batteries_parallel=np.where(strings > 0, blocks, 0)[np.ix_(rows, cols)].astype(np.int16),
    )


def net_load(inputs: SiteInputs, kit: IntArray, own_w: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Day and night load of kits (R,) with controllers' draws (O,), less other supply; two (R, O, 12), Wh a day.

    Other supply serves the day first, then the night.
    """
    day = inputs.day_wh[kit][:, None, :] + own_w[None, :, None] * inputs.day_hours
    night = inputs.night_wh[kit][:, None, :] + own_w[None, :, None] * (HOURS_PER_DAY - inputs.day_hours)
    left = np.maximum(inputs.other_supply_wh_day - day, 0.0)
    return np.maximum(day - inputs.other_supply_wh_day, 0.0), np.maximum(night - left, 0.0)


def least_strings(
    inputs: SiteInputs, cat: CatalogueArrays, stores: Stores, columns: Columns, settings: Settings
) -> IntArray:
    """Least strings for every store row and array column (P, A), 0 where none suffices."""
    efficiency = cat.battery("round_trip_efficiency")[stores.battery]
    keys = np.stack([stores.kit.astype(float), efficiency, stores.charging_v], axis=1)
    groups, group_of = np.unique(keys, axis=0, return_inverse=True)
    kit, efficiency, charging = groups[:, 0].astype(np.int64), groups[:, 1], groups[:, 2]
    own = cat.controller("own_draw_w")[columns.controller] * columns.controllers
    draws, draw_of = np.unique(own, return_inverse=True)
    day, night = net_load(inputs, kit, draws)
    need = inputs.array_to_load_ratio * (day + night / efficiency[:, None, None])
    per_hour = columns.unit_w * inputs.poa_wh_m2_day / W_PER_M2_STC  # (A, 12)
    tracked = cat.mppt[columns.controller]
    volts = np.where(tracked[None, :], 1.0, charging[:, None])  # (R, A)
    asked = np.zeros((len(kit), len(own)))
    for month in range(per_hour.shape[1]):
        want = need[:, draw_of, month]
        each = per_hour[:, month][None, :] * volts
        asks = np.divide(want, each, out=np.full(want.shape, np.inf), where=each > 0)
        np.maximum(asked, np.where(want > 0, asks, 0.0), out=asked)
    with np.errstate(invalid="ignore"):
        strings = np.where(np.isfinite(asked), np.maximum(np.ceil(asked - EPS), 1), 0).astype(np.int64)
    strings = np.where(strings <= columns.strings_max, strings, 0)
    strings = _raise_for_clipping(inputs, cat, columns, strings, need[:, draw_of], charging)
    rows = strings[group_of.ravel()]
    voltage = pv_array.hot_v_mp_v(cat.module("v_mp_v"), cat.module("gamma_pmp_per_k"), inputs.temp_air_max_c)
    hot = voltage[columns.module] * columns.series - cat.controller("headroom_v")[columns.controller]
    ok = hot[None, :] >= (stores.setpoint_v * stores.series)[:, None] - EPS
    ok &= stores.controllers_fit[:, columns.controller]
    shared = np.array([kit.load_terminal for kit in inputs.kits], dtype=bool)[stores.kit]
    ok &= ~shared[:, None] | (columns.controllers == 1)[None, :]  # load terminals are not paralleled
    if inputs.module_area_max_m2 is not None:
        area = (cat.module("length_m") * cat.module("width_m"))[columns.module] * columns.series
        ok &= rows * area[None, :] <= inputs.module_area_max_m2 + EPS
    return np.where(ok, rows, 0)


def clipped_energy(
    inputs: SiteInputs, unit_w: FloatArray, strings: IntArray, limit_w: FloatArray
) -> FloatArray:
    """Energy at the bus of arrays (N,) that stop at `limit_w` (N,), by month (N, 12), Wh a day."""
    power = unit_w * strings[:, None]
    limit = W_PER_M2_STC * limit_w[:, None] / power
    month = np.broadcast_to(np.arange(power.shape[1]), power.shape)
    hours = pv_array.clipped_wh_m2(
        inputs.poa_clipped_wh_m2_day, inputs.clip_irradiance_w_m2, limit.ravel(), month.ravel()
    )
    return power * hours.reshape(power.shape) / W_PER_M2_STC


def _raise_for_clipping(
    inputs: SiteInputs, cat: CatalogueArrays, columns: Columns, strings: IntArray, need: FloatArray, charging: FloatArray
) -> IntArray:
    """Add strings where a tracker's output limit clips too much; need is (R, A, 12). 0 where none suffices."""
    limit = (cat.controller("output_max_a")[columns.controller] * columns.controllers)[None, :] * charging[:, None]
    full = columns.unit_w.max(axis=1) * inputs.clip_irradiance_w_m2[-1] / W_PER_M2_STC
    check = cat.mppt[columns.controller][None, :] & (strings * full[None, :] > limit)
    r, a = np.nonzero(check)
    while len(r):
        energy = clipped_energy(inputs, columns.unit_w[a], strings[r, a], limit[r, a])
        short = (energy < need[r, a] - 1e-6).any(axis=1)
        r, a = r[short], a[short]
        strings[r, a] += 1
        over = strings[r, a] > columns.strings_max[a]
        strings[r[over], a[over]] = 0
        r, a = r[~over], a[~over]
    return strings


def least_batteries(
    inputs: SiteInputs, cat: CatalogueArrays, stores: Stores, columns: Columns, strings: IntArray, settings: Settings
) -> IntArray:
    """Least battery strings for autonomy, daily depth, discharge and charge current (P, A)."""
    own = cat.controller("own_draw_w")[columns.controller] * columns.controllers
    draws, draw_of = np.unique(own, return_inverse=True)
    day, night = net_load(inputs, np.arange(len(inputs.kits)), draws)
    daily, nightly = (day + night).max(axis=2), night.max(axis=2)  # (K, O)
    lead = cat.lead_acid[stores.battery]
    depth = np.where(lead, settings.battery.daily_depth_max_lead_acid, settings.battery.daily_depth_max_lfp)
    autonomy = battery.strings_needed(inputs.autonomy_days * daily[stores.kit], stores.usable_wh[:, None])
    cycling = battery.strings_needed(nightly[stores.kit], (depth * stores.string_wh)[:, None])
    current = np.array([kit.max_current_a for kit in inputs.kits])[stores.kit]
    discharge = battery.strings_needed(current, cat.battery("discharge_current_max_a")[stores.battery])
    least = np.maximum(np.maximum(autonomy, cycling), np.maximum(discharge, 1.0)[:, None])[:, draw_of]
    charge = battery.strings_needed(
        charge_current_a(cat, stores, columns, strings),
        cat.battery("charge_current_max_a")[stores.battery][:, None],
    )
    return np.minimum(np.maximum(least, charge), np.iinfo(np.int16).max).astype(np.int64)


def charge_current_a(cat: CatalogueArrays, stores: Stores, columns: Columns, strings: IntArray) -> FloatArray:
    """Greatest charge current, gross of load (P, A): the array's, and a tracker's no more than its output limit."""
    tracked = cat.mppt[columns.controller][None, :]
    power = (cat.module("nameplate_w")[columns.module] * columns.series)[None, :] * strings
    limit = (cat.controller("output_max_a")[columns.controller] * columns.controllers)[None, :]
    mppt = np.minimum(power / stores.charging_v[:, None], limit)
    return np.where(tracked, mppt, cat.module("i_sc_a")[columns.module][None, :] * strings)


def _without_idle_controllers(strings: IntArray, blocks: IntArray, counts: int) -> IntArray:
    """Drop a number of controllers where one less does with no more strings and batteries."""
    shape = (len(strings), strings.shape[1] // counts, counts)
    by_count = strings.reshape(shape).copy()
    stored = blocks.reshape(shape)
    for n in range(counts - 1, 0, -1):
        for fewer in range(n):
            idle = (
                (by_count[:, :, fewer] > 0) & (by_count[:, :, fewer] <= by_count[:, :, n])
                & (stored[:, :, fewer] <= stored[:, :, n])
            )
            by_count[:, :, n] = np.where(idle, 0, by_count[:, :, n])
    return by_count.reshape(strings.shape)
