"""Rules that the largest array or battery breaks: voltage in the heat, energy in the worst month, autonomy.

Each takes a system voltage and the site's inputs there, and returns the nearest miss, or None where some
array or battery passes.
"""

from dataclasses import replace

import numpy as np

from planner.designs.catalogue import CatalogueArrays
from planner.designs.columns import Columns, array_wh, make_columns
from planner.designs.inputs import EPS, FloatArray, IntArray, SiteInputs, net_load
from planner.designs.module_misses import no_module
from planner.designs.part_misses import MONTH_NAMES, Miss, Stage
from planner.designs.stores import Stores, make_stores
from planner.designs.strings import need_wh
from planner.errors import Refusal
from planner.reliability import BATTERY_DAYS_MAX, NO_STEP, Step
from planner.settings import Settings
from planner.units import MONTHS


def no_array(voltage: int, one: SiteInputs, cat: CatalogueArrays, settings: Settings) -> Miss | None:
    """No array charges in the heat, carries the smallest load in every month, and refills in time."""
    stores = make_stores(one, cat, voltage, settings)
    columns = make_columns(one, cat, stores.chargers, settings)
    if not len(columns.module):
        return no_module(voltage, one, cat, stores.chargers, settings)
    usable = columns.hot_v >= stores.top_v.min() - EPS
    if not usable.any():
        top, most = float(stores.top_v.min()), float(columns.hot_v.max())
        return (
            Stage.ARRAY,
            most / top - 1.0,
            Refusal(
                rule="string-voltage",
                subject=f"{voltage} V",
                value=most,
                limit=top,
                unit="V",
                message=f"on the hottest day no string that a controller takes charges at {top:.1f} V: "
                f"{most:.1f} V are left",
            ),
        )
    columns = columns.take(usable)
    what = f"the largest array that {settings.policy.controllers_max} controllers take"
    miss = _short_of(voltage, one, cat, stores, columns, columns.strings_max, what)
    if miss is not None or one.module_area_max_m2 is None:
        return miss
    room = np.floor(one.module_area_max_m2 / columns.area_m2 + EPS).astype(np.int64)
    what = f"the best array on {one.module_area_max_m2:g} m2"
    return _short_of(
        voltage, one, cat, stores, columns, np.minimum(columns.strings_max, room), what, rule="array-area"
    )


def _short_of(
    voltage: int,
    one: SiteInputs,
    cat: CatalogueArrays,
    stores: Stores,
    columns: Columns,
    strings: IntArray,
    what: str,
    *,
    rule: str = "array-size",
) -> Miss | None:
    """What the greatest arrays lack of the smallest load in the worst month, or of refilling the reserve."""
    everything = np.arange(len(strings))
    volts = np.full(len(strings), float(stores.charging_v.max()))
    energy = array_wh(one, columns, everything, strings, volts)
    draws, place = np.unique(columns.own_w, return_inverse=True)
    need, used = (part[place] for part in _least_need(one, cat, stores, draws))
    ratio = np.divide(energy, need, out=np.full(energy.shape, np.inf), where=need > 0)
    column, by_curve = int(np.argmax(ratio.min(axis=1))), one.least_ratio > one.array_to_load_ratio
    reached, month = float(ratio[column].min()), int(np.argmin(ratio[column]))
    if reached < one.least_ratio:
        return (
            Stage.ARRAY,
            reached / one.least_ratio,
            Refusal(
                rule=rule,
                subject=f"{voltage} V, {MONTH_NAMES[month]}",
                value=reached,
                limit=one.least_ratio,
                unit="array-to-load ratio",
                message=f"{what} reaches {reached:.2f} times the smallest load in {MONTH_NAMES[month]}; "
                f"{one.least_ratio:g} is asked{_by_curve(one.step, by_curve)}",
            ),
        )
    if one.recovery_days_max is None:
        return None
    left = energy - need
    days = np.divide(used, left, out=np.where(used > 0, np.inf, 0.0), where=left > 0)
    fastest = int(np.argmin(days.max(axis=1)))
    days, month = days[fastest], int(np.argmax(days[fastest]))
    if days[month] <= one.recovery_days_max + EPS:
        return None
    return (
        Stage.ARRAY,
        one.recovery_days_max / float(days[month]),
        Refusal(
            rule="array-recovery",
            subject=f"{voltage} V, {MONTH_NAMES[month]}",
            value=float(days[month]),
            limit=one.recovery_days_max,
            unit="days",
            message=f"{what} refills the reserve in {days[month]:.1f} days of {MONTH_NAMES[month]}; "
            f"{one.recovery_days_max:g} are asked",
        ),
    )


def _least_need(
    one: SiteInputs, cat: CatalogueArrays, stores: Stores, own_w: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """What the least of all kits asks of the array to break even and to refill a reserve, Wh (O, 12)."""
    heat = np.full((len(one.kits), MONTHS), np.inf)
    np.minimum.at(heat, stores.kit, stores.heat_wh)
    kits = np.unique(stores.kit)
    best = np.full(len(kits), float(cat.battery("round_trip_efficiency")[stores.battery].max()))
    alone = replace(one, array_to_load_ratio=1.0, recovery_days_max=None, step=NO_STEP)
    loads = one.day_wh[kits], one.night_wh[kits]
    need = need_wh(alone, *loads, heat[kits], best, own_w).min(axis=0)
    day, night = net_load(one, *loads, own_w)
    return need, one.autonomy_days * (day + night).min(axis=0) / best[0]


def _by_curve(step: Step, binds: bool) -> str:
    """Which availability asks for so much."""
    if not binds:
        return ""
    beside = f" beside an array of {step.ratio:g} times the load" if step.days > 0 else ""
    return f" for a weather-only energy availability of {100 * step.availability:g} %{beside}"


def _days(number: float) -> str:
    """`5 are`; more than a curve looks at where no battery on it holds."""
    return f"{number:.3g} are" if number < np.inf else f"more than {BATTERY_DAYS_MAX:g} are"


def no_storage(voltage: int, one: SiteInputs, cat: CatalogueArrays, settings: Settings) -> Miss | None:
    """No battery carries the smallest load for the autonomy, or through a night."""
    stores = make_stores(one, cat, voltage, settings)
    day, night = net_load(one, one.day_wh, one.night_wh, np.zeros(1))
    parallel = stores.strings_max
    daily = (day + night)[:, 0].max(axis=1)[stores.kit]
    days = np.divide(stores.usable_wh * parallel, daily, out=np.full(len(daily), np.inf), where=daily > 0)
    if days.max() < one.reserve_days:
        by_curve = one.step.days > one.autonomy_days
        return (
            Stage.STORAGE,
            float(days.max() / one.reserve_days),
            Refusal(
                rule="battery-availability" if by_curve else "battery-size",
                subject=f"{voltage} V",
                value=float(days.max()),
                limit=one.reserve_days if one.reserve_days < np.inf else BATTERY_DAYS_MAX,
                unit="days",
                message=f"the largest battery that it may have carries {days.max():.1f} days of the "
                f"smallest load at its limit of strings in parallel; {_days(one.reserve_days)} asked"
                f"{_by_curve(one.step, by_curve)}",
            ),
        )
    lead = cat.lead_acid[stores.battery]
    depth = np.where(lead, settings.battery.daily_depth_max_lead_acid, settings.battery.daily_depth_max_lfp)
    nightly, cycled = night[:, 0].max(axis=1)[stores.kit], stores.string_wh * parallel * depth
    share = np.divide(nightly, cycled, out=np.full(len(cycled), np.inf), where=cycled > 0)
    if share.min() > 1.0 + EPS:
        best = int(np.argmin(share))
        return (
            Stage.STORAGE,
            float(1.0 / share[best]),
            Refusal(
                rule="daily-depth",
                subject=f"{voltage} V",
                value=float(share[best] * depth[best]),
                limit=float(depth[best]),
                unit="share of rated energy",
                message="the longest night takes more of the largest battery that it may have than a day may",
            ),
        )
    return None
