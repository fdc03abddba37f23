"""Array columns: modules, their strings' length, and a number of controllers of one kind."""

from dataclasses import dataclass

import numpy as np

from planner.designs import pv_array
from planner.designs.catalogue import CatalogueArrays
from planner.designs.codes import distinct
from planner.designs.inputs import EPS, BoolArray, FloatArray, IntArray, SiteInputs
from planner.settings import Settings
from planner.units import W_PER_M2_STC

SERIES_MAX = 24  # longest string tried; a controller's input voltage ends it before


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """Array columns (A), sorted by module, controller, series, controllers.

    A string gives `scale x warm[shape]` at 1000 W/m2 in each month: W at the bus behind a tracker, A behind
    a PWM controller. `strings_max` is the most strings on all controllers, 0 where a design may not have so
    many or few of these, `strings_least` the least that hold the modules to be kept, `hot_v` the string's
    voltage left for charging on the hottest day, `draw` what the controllers draw, one of `draws_w`.
    """

    module: IntArray
    series: IntArray
    controller: IntArray
    controllers: IntArray
    tracked: BoolArray
    strings_max: IntArray
    strings_least: IntArray
    hot_v: FloatArray
    draw: IntArray
    output_max_a: FloatArray  # of one controller
    string_w: FloatArray  # nameplate of one string
    string_i_sc_a: FloatArray
    area_m2: FloatArray
    scale: FloatArray
    shape: IntArray
    warm: FloatArray  # (G, 12)
    draws_w: FloatArray  # (O,)

    @property
    def own_w(self) -> FloatArray:
        """The controllers' own draw (A,)."""
        return np.asarray(self.draws_w[self.draw])

    def draws(self) -> tuple[FloatArray, IntArray]:
        """Draws that occur, W, and the place of each column's among them (A,)."""
        draw, place = distinct(self.draw, len(self.draws_w))
        return self.draws_w[draw], place

    def courses(self) -> tuple[FloatArray, IntArray, IntArray, IntArray]:
        """Draws that occur, W; draw and shape of each pair of them that occurs; the pair of each column (A,).

        Columns of a pair need as many strings in each month as one of another scale, so the month that asks
        for most is found once for each pair.
        """
        draw, place = distinct(self.draw, len(self.draws_w))
        pairs, pair = distinct(place * len(self.warm) + self.shape, len(draw) * len(self.warm))
        at, shape = np.divmod(pairs, len(self.warm))
        return self.draws_w[draw], at, shape, pair

    def take(self, keep: BoolArray) -> "Columns":
        """The columns at the marked places."""
        return self if keep.all() else self.at(np.flatnonzero(keep))

    def at(self, places: IntArray) -> "Columns":
        """The columns at the given places."""
        own = {name: getattr(self, name)[places] for name in EACH_COLUMN}
        return Columns(warm=self.warm, draws_w=self.draws_w, **own)

    def groups(self, other: IntArray) -> IntArray:
        """Number of each column's group (A,): same module, controller and `other`."""
        controllers, others = (int(one.max(initial=0)) + 1 for one in (self.controller, other))
        code = (self.module * controllers + self.controller) * others + other
        return distinct(code, int(code.max(initial=0)) + 1)[1]


SHARED = "warm", "draws_w"  # by all columns
EACH_COLUMN = tuple(name for name in Columns.__dataclass_fields__ if name not in SHARED)


def modules_in_range(cat: CatalogueArrays, inputs: SiteInputs, settings: Settings) -> BoolArray:
    """Modules whose cells stand the coldest dawn and full sun on the hottest day, and the wind (M,)."""
    hot = pv_array.cell_max_c(inputs.temp_air_max_c)
    fits = (cat.module("temp_min_c") <= inputs.temp_air_min_c) & (cat.module("temp_max_c") >= hot)
    if inputs.wind_design_m_s is not None:
        pressure = pv_array.wind_pa(inputs.wind_design_m_s, settings.array.wind_pressure_coefficient)
        fits &= ~(cat.module("pressure_max_pa") < pressure)  # a blank is not checked
    return np.asarray(fits, dtype=bool)


def series_limits(cat: CatalogueArrays, inputs: SiteInputs, settings: Settings) -> IntArray:
    """Most modules in series by cold open-circuit voltage, for each module and controller (M, C).

    Modules that do not suit the site have 0.
    """
    cold = pv_array.cold_v_oc_v(cat.module("v_oc_v"), cat.module("beta_voc_per_k"), inputs.temp_air_min_c)
    limit = np.minimum(cat.module("system_voltage_max_v")[:, None], cat.controller("pv_input_max_v")[None, :])
    most = np.floor(limit / cold[:, None] + EPS).astype(np.int64)
    return np.minimum(np.where(modules_in_range(cat, inputs, settings)[:, None], most, 0), SERIES_MAX)


def strings_per_controller(cat: CatalogueArrays, settings: Settings) -> IntArray:
    """Most strings on one controller by its hard current limits (M, C).

    The short-circuit current counts at its bright-sky value (NEC 690.8(A)). A tracker's output limit clips
    instead of forbidding; a PWM controller passes the array's current on, so its output limit is hard too.
    """
    current = cat.module("i_sc_a") * settings.array.irradiance_factor_isc
    both = np.minimum(cat.controller("pv_input_max_a"), cat.controller("output_max_a"))
    limit = np.where(cat.mppt, cat.controller("pv_input_max_a"), both)
    return np.floor(limit[None, :] / current[:, None] + EPS).astype(np.int64)


def make_columns(inputs: SiteInputs, cat: CatalogueArrays, fits: BoolArray, settings: Settings) -> Columns:
    """Every module, string length and number of controllers that the electrical limits allow.

    `fits` (C,) marks the controllers that some store row takes.
    """
    most, strings = series_limits(cat, inputs, settings), strings_per_controller(cat, settings)
    length = np.arange(1, SERIES_MAX + 1)
    ok = (length[None, None, :] <= most[:, :, None]) & (strings[:, :, None] > 0) & fits[None, :, None]
    m, c, s = np.nonzero(ok)
    counts = settings.policy.controllers_max
    number = np.tile(np.arange(1, counts + 1), len(m))
    m, c, s = (np.repeat(x, counts) for x in (m, c, length[s]))
    strings_max, strings_least = string_limits(inputs, cat, m, s, c, number, strings[m, c])
    hot = pv_array.hot_v_mp_v(cat.module("v_mp_v"), cat.module("gamma_pmp_per_k"), inputs.temp_air_max_c)
    tracked = cat.mppt[c]
    factor = pv_array.derating(settings.array) * cat.controller("efficiency")[c]
    draws_w, draw = np.unique(
        cat.controller("own_draw_w")[:, None] * np.arange(1, counts + 1), return_inverse=True
    )
    gammas, kind = cat.gammas
    return Columns(
        module=m,
        series=s,
        controller=c,
        controllers=number,
        tracked=tracked,
        strings_max=strings_max,
        strings_least=strings_least,
        hot_v=hot[m] * s - cat.controller("headroom_v")[c],
        draw=draw[c, number - 1],
        output_max_a=cat.controller("output_max_a")[c],
        string_w=cat.module("nameplate_w")[m] * s,
        string_i_sc_a=cat.module("i_sc_a")[m],
        area_m2=(cat.module("length_m") * cat.module("width_m"))[m] * s,
        scale=np.where(tracked, cat.module("nameplate_w")[m] * s, cat.module("i_mp_a")[m]) * factor,
        shape=np.where(tracked, kind[m], len(gammas)),
        warm=warm_shares(inputs, cat),
        draws_w=draws_w,
    )


def warm_shares(inputs: SiteInputs, cat: CatalogueArrays) -> FloatArray:
    """Power over that at 25 C, by shape of columns and month (G, 12); the last one behind PWM controllers."""
    warm = pv_array.warm_share(cat.gammas[0][:, None], inputs.temp_cell_c[None, :])
    return np.concatenate([warm, np.ones((1, warm.shape[1]))])


def string_limits(
    inputs: SiteInputs,
    cat: CatalogueArrays,
    m: IntArray,
    series: IntArray,
    c: IntArray,
    number: IntArray,
    strings: IntArray,
) -> tuple[IntArray, IntArray]:
    """Most strings, given the most on one controller, and least by what must be kept; two arrays (A,)."""
    if not inputs.units_least and not inputs.units_most:
        return number * strings, np.ones(len(number), dtype=np.int64)
    least, most = (of(cat.module_sku)[m] for of in (inputs.least_of, inputs.most_of))
    fewest, greatest = (of(cat.controller_sku)[c] for of in (inputs.least_of, inputs.most_of))
    able = (fewest <= number) & (number <= greatest)
    strings_max = np.where(able, np.minimum(number * strings, np.floor(most / series)), 0)
    return strings_max.astype(np.int64), np.maximum(np.ceil(least / series), 1).astype(np.int64)


def peak_w(inputs: SiteInputs, columns: Columns, charging_v: float) -> FloatArray:
    """Greatest power at the bus of one string at a charging voltage (A,)."""
    bright = max(1.0, float(inputs.clip_irradiance_w_m2[-1]) / W_PER_M2_STC)
    volts = np.where(columns.tracked, 1.0, charging_v)
    warmest = columns.warm.max(axis=1)[columns.shape]
    return np.asarray(columns.scale * warmest * bright * volts)


def controller_wh(
    inputs: SiteInputs, columns: Columns, column: IntArray, strings: IntArray, charging_v: FloatArray
) -> FloatArray:
    """Energy at the bus behind one controller with some strings, Wh a day by month.

    Parameters
    ----------
    column, strings, charging_v : (N,)
        Array column, strings on this controller, and mean charging voltage.

    Returns
    -------
    (N, 12)
        A tracker's is clipped at its output limit.
    """
    power = (columns.scale[column] * strings)[:, None] * columns.warm[columns.shape[column]]
    clipped = pv_array.clipped_wh(
        power,
        columns.output_max_a[column] * charging_v,
        inputs.poa_clipped_wh_m2_day,
        inputs.clip_irradiance_w_m2,
    )
    tracked = columns.tracked[column]
    if tracked.all():
        return clipped
    direct = power * (charging_v[:, None] * inputs.poa_wh_m2_day / W_PER_M2_STC)
    return np.where(tracked[:, None], clipped, direct)


def array_wh(
    inputs: SiteInputs, columns: Columns, column: IntArray, strings: IntArray, charging_v: FloatArray
) -> FloatArray:
    """Energy at the bus of strings spread over all controllers as evenly as they go, Wh a day (N, 12)."""
    number = columns.controllers[column]
    each, over = strings // number, strings % number
    uneven = np.flatnonzero(over)
    column, each, charging_v = (np.append(one, one[uneven]) for one in (column, each, charging_v))
    each[len(number) :] += 1
    made = controller_wh(inputs, columns, column, each, charging_v)
    energy = (number - over)[:, None] * made[: len(number)]
    energy[uneven] += over[uneven, None] * made[len(number) :]
    return np.asarray(energy)


def charge_current_a(columns: Columns, strings: FloatArray, charging_v: FloatArray) -> FloatArray:
    """Greatest charge current, gross of load (R, A).

    Behind trackers the array's nameplate at the mean charging voltage, each no more than its output limit;
    behind PWM controllers the short-circuit current of all strings.

    Parameters
    ----------
    strings : (R, A)
        Strings on all controllers.
    charging_v : (R,)
        Mean charging voltage.
    """
    number, limit = columns.controllers, columns.output_max_a
    each = np.floor(strings / number)
    over = strings - each * number
    one = np.where(columns.tracked, columns.string_w, columns.string_i_sc_a)
    one = one[None, :] / np.where(columns.tracked[None, :], charging_v[:, None], 1.0)
    limit = np.where(columns.tracked, limit, np.inf)
    few, many = np.minimum(each * one, limit), np.minimum((each + 1) * one, limit)
    return np.asarray((number - over) * few + over * many)
