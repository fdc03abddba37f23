"""Store rows: supply kits with batteries whose bus window they hold."""

from dataclasses import dataclass, replace

import numpy as np

from planner.designs import battery, pv_array
from planner.designs.catalogue import CatalogueArrays
from planner.designs.codes import distinct, starts
from planner.designs.inputs import (
    EPS,
    BoolArray,
    FloatArray,
    IntArray,
    SiteInputs,
    net_load,
)
from planner.designs.site_parts import SiteParts, site_parts
from planner.designs.suits import battery_series
from planner.designs.windows import Windows, bus_windows, charges
from planner.settings import Settings
from planner.units import MONTHS


@dataclass(frozen=True, slots=True, kw_only=True)
class Stores:
    """Store rows (P): kit, battery, blocks in series and charge setpoint of a block.

    `top_v` is the string's setpoint, `charging_v` its mean while charging, `string_wh` and `usable_wh`
    those of one string; `controllers_fit` (P, C) marks the controllers that charge the row at its setpoint.
    `strings_least` and `strings_max` bound the battery strings by what must be kept, by the maker's limit and
    by what there is.
    `strings` is 0 where the number of battery strings follows from the rest; heaters draw by the string, so
    a row of a heated battery has its own number of them, and `heat_wh` (P, 12) is what all its blocks draw.
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
    strings_least: IntArray
    strings_max: IntArray
    strings: IntArray
    heat_wh: FloatArray

    @property
    def chargers(self) -> BoolArray:
        """Controllers that charge some row (C,)."""
        return np.asarray(self.controllers_fit.any(axis=0), dtype=bool)

    def take(self, rows: IntArray) -> "Stores":
        """The rows at the given places."""
        return Stores(**{name: getattr(self, name)[rows] for name in Stores.__dataclass_fields__})

    @property
    def first_rows(self) -> IntArray:
        """Rows with the least number of battery strings, and those that leave it open."""
        return np.flatnonzero(self._starts)

    @property
    def _starts(self) -> BoolArray:
        """Rows of another kit, battery or setpoint than the row before (P,)."""
        return starts(self.kit, self.battery, self.setpoint_v)

    def next_rows(self, rows: IntArray) -> IntArray:
        """The rows with one battery string more, where there are any."""
        after = rows[rows + 1 < len(self.kit)] + 1
        return after[~self._starts[after]]


def make_stores(
    inputs: SiteInputs,
    cat: CatalogueArrays,
    system_voltage_v: int,
    settings: Settings,
    parts: SiteParts | None = None,
    *,
    ends: bool = False,
) -> Stores:
    """Every kit with every battery whose bus window the kit holds with at least one controller.

    A row stands for one setpoint: controllers that ask for different ones stand in different rows. A heated
    battery has a row for each number of strings, or at its `ends` alone for the least and the greatest.
    """
    parts = parts or site_parts(inputs, cat, settings)
    w = bus_windows(inputs, cat, parts, system_voltage_v, settings)
    fits = charges(w, cat, parts, system_voltage_v, settings)
    fits &= (w.low_v >= w.kit_low_v - EPS)[:, None] & (w.high_v <= w.kit_high_v[:, None] + EPS)
    pair, controller = np.nonzero(fits)
    levels, level = np.unique(w.setpoint_v[pair, controller], return_inverse=True)
    rows, row = distinct(pair * len(levels) + level, len(fits) * len(levels))
    controllers_fit = np.zeros((len(rows), fits.shape[1]), dtype=bool)
    controllers_fit[row, controller] = True
    pair, setpoint = np.divmod(rows, max(1, len(levels)))
    b, setpoint_v = w.battery[pair], levels[setpoint]
    series = battery_series(cat, system_voltage_v)[b]
    rated = (cat.battery("capacity_ah") * cat.battery("nominal_v"))[b]
    least, most = parts.least[b], parts.most[b]
    strings_max = np.minimum(cat.battery("batteries_parallel_max")[b], np.floor(most / series))
    stores = Stores(
        kit=w.kit[pair],
        battery=b,
        series=series,
        setpoint_v=setpoint_v,
        top_v=setpoint_v * series,
        charging_v=pv_array.charging_v(cat.battery("nominal_v")[b], setpoint_v, series),
        string_wh=rated * series,
        usable_wh=parts.usable_wh[b] * series,
        controllers_fit=controllers_fit,
        strings_least=np.maximum(np.ceil(least / series), 1).astype(np.int64),
        strings_max=strings_max.astype(np.int64),
        strings=np.zeros(len(b), dtype=np.int64),
        heat_wh=np.zeros((len(b), MONTHS)),
    )
    stores = _for_each_kit(stores, w)
    heat_wh = parts.heater_wh[stores.battery] * stores.series[:, None]
    if not heat_wh.any():
        return stores
    least = strings_for_load(inputs, cat, stores, np.zeros(1), settings)[:, 0]
    return split_heated(stores, heat_wh, least, ends=ends)


def _for_each_kit(stores: Stores, w: Windows) -> Stores:
    """Rows of every kit, from those of the kits that stand for others."""
    if len(w.first) == len(w.kits):
        return stores
    start, end = (np.searchsorted(stores.kit, w.first, side=side) for side in ("left", "right"))
    number = (end - start)[w.same]
    kit = np.repeat(np.arange(len(number)), number)
    within = np.arange(len(kit)) - np.repeat(np.cumsum(number) - number, number)
    return replace(stores.take(start[w.same[kit]] + within), kit=w.kits[kit])


def split_heated(stores: Stores, heat_wh: FloatArray, least: FloatArray, *, ends: bool) -> Stores:
    """A row for each number of strings where heaters draw `heat_wh` a string (P, 12), as more ask for more.

    Numbers start at what the load needs whatever the controllers draw (P,), and end at the row's most; at its
    `ends` alone a battery has these two.
    """
    heated = heat_wh.max(axis=1) > 0
    most = np.maximum(stores.strings_max, 1)  # without any the row stays, and is found to fall short
    start = np.clip(least, 1, most).astype(np.int64)
    step = np.maximum(most - start, 1) if ends else np.ones(len(most), dtype=np.int64)
    rows = np.where(heated, (most - start) // step + 1, 1)
    row = np.repeat(np.arange(len(rows)), rows)
    after = np.arange(len(row)) - np.repeat(np.cumsum(rows) - rows, rows)
    strings = np.where(heated[row], start[row] + after * step[row], 0)
    split = stores.take(row)
    return replace(split, strings=strings, heat_wh=heat_wh[row] * strings[:, None])


def strings_for_load(
    inputs: SiteInputs, cat: CatalogueArrays, stores: Stores, own_w: FloatArray, settings: Settings
) -> FloatArray:
    """Least battery strings for the reserve, daily depth, discharge current and what must be kept (P, O).

    Heaters warm a battery for charging, off the array, and rest while the reserve is used, so autonomy does
    not count them.

    Parameters
    ----------
    own_w : (O,)
        Draw of the controllers.
    """
    day, night = net_load(inputs, inputs.day_wh, inputs.night_wh, own_w)
    daily, nightly = (day + night).max(axis=2), night.max(axis=2)[stores.kit]  # (K, O), (P, O)
    heated = np.flatnonzero(stores.strings)
    if inputs.other_supply_wh_day.any():  # by day heaters take of it what the night would have had
        kit = stores.kit[heated]
        _, night = net_load(inputs, inputs.day_wh[kit] + stores.heat_wh[heated], inputs.night_wh[kit], own_w)
        nightly[heated] = night.max(axis=2)
    depth = np.where(
        cat.lead_acid, settings.battery.daily_depth_max_lead_acid, settings.battery.daily_depth_max_lfp
    )
    reserve = battery.strings_needed(inputs.reserve_days * daily[stores.kit], stores.usable_wh[:, None])
    cycled = (depth[stores.battery] * stores.string_wh)[:, None]
    cycling = battery.strings_needed(nightly, cycled)
    greatest = inputs.kit("max_current_a")[stores.kit]
    discharge = battery.strings_needed(greatest, cat.battery("discharge_current_max_a")[stores.battery])
    least = np.maximum(discharge, stores.strings_least)
    return np.maximum(np.maximum(reserve, cycling), least[:, None])
