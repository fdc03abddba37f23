"""Rules that the largest array or battery breaks: voltage in the heat, energy in the worst month, autonomy.

Each takes a system voltage and the site's inputs there, and returns the nearest miss, or None where some
array or battery passes.
"""

import numpy as np

from planner.designs.catalogue import CatalogueArrays
from planner.designs.columns import Columns, array_wh, make_columns
from planner.designs.inputs import EPS, IntArray, SiteInputs, net_load
from planner.designs.part_misses import MONTH_NAMES, Miss, Stage
from planner.designs.stores import Stores, make_stores
from planner.designs.strings import need_wh
from planner.errors import Refusal
from planner.settings import Settings


def no_array(voltage: int, one: SiteInputs, cat: CatalogueArrays, settings: Settings) -> Miss | None:
    """No array charges in the heat, or carries the smallest load in every month."""
    stores = make_stores(one, cat, voltage, settings)
    columns = make_columns(one, cat, stores.chargers, settings)
    if not len(columns.module):
        return (
            Stage.ARRAY,
            -1.0,
            Refusal(
                rule="module-voltage",
                subject=f"{voltage} V",
                message="no module on sale suits the site's temperatures and a controller's greatest input",
            ),
        )
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
    reached, month = _best_ratio(one, cat, stores, columns, columns.strings_max)
    if reached < one.array_to_load_ratio:
        return _array_miss(
            "array-size",
            voltage,
            one,
            reached,
            month,
            f"the largest array that {settings.policy.controllers_max} controllers take",
        )
    if one.module_area_max_m2 is None:
        return None
    room = np.floor(one.module_area_max_m2 / columns.area_m2 + EPS).astype(np.int64)
    reached, month = _best_ratio(one, cat, stores, columns, np.minimum(columns.strings_max, room))
    if reached >= one.array_to_load_ratio:
        return None
    return _array_miss(
        "array-area", voltage, one, reached, month, f"the best array on {one.module_area_max_m2:g} m2"
    )


def _array_miss(rule: str, voltage: int, one: SiteInputs, reached: float, month: int, what: str) -> Miss:
    return (
        Stage.ARRAY,
        reached / one.array_to_load_ratio,
        Refusal(
            rule=rule,
            subject=f"{voltage} V, {MONTH_NAMES[month]}",
            value=reached,
            limit=one.array_to_load_ratio,
            unit="array-to-load ratio",
            message=f"{what} reaches {reached:.2f} times the smallest load in {MONTH_NAMES[month]}; "
            f"{one.array_to_load_ratio:g} is asked",
        ),
    )


def _best_ratio(
    one: SiteInputs, cat: CatalogueArrays, stores: Stores, columns: Columns, strings: IntArray
) -> tuple[float, int]:
    """Greatest array-to-load ratio of the worst month that any column reaches, and that month."""
    everything = np.arange(len(strings))
    volts = np.full(len(strings), float(stores.charging_v.max()))
    energy = array_wh(one, columns, everything, strings, volts)
    best = np.full(len(one.kits), float(cat.battery("round_trip_efficiency")[stores.battery].max()))
    draws, place = np.unique(columns.own_w, return_inverse=True)
    need = need_wh(one, one.day_wh, one.night_wh, best, draws)[np.unique(stores.kit)].min(axis=0)[place]
    need = need / one.array_to_load_ratio
    ratio = np.divide(energy, need, out=np.full(energy.shape, np.inf), where=need > 0)
    column = int(np.argmax(ratio.min(axis=1)))
    return float(ratio[column].min()), int(np.argmin(ratio[column]))


def no_storage(voltage: int, one: SiteInputs, cat: CatalogueArrays, settings: Settings) -> Miss | None:
    """No battery carries the smallest load for the autonomy, or through a night."""
    stores = make_stores(one, cat, voltage, settings)
    day, night = net_load(one, one.day_wh, one.night_wh, np.zeros(1))
    parallel = cat.battery("batteries_parallel_max")[stores.battery]
    daily = (day + night)[:, 0].max(axis=1)[stores.kit]
    days = np.divide(stores.usable_wh * parallel, daily, out=np.full(len(daily), np.inf), where=daily > 0)
    if days.max() < one.autonomy_days:
        return (
            Stage.STORAGE,
            float(days.max() / one.autonomy_days),
            Refusal(
                rule="battery-size",
                subject=f"{voltage} V",
                value=float(days.max()),
                limit=one.autonomy_days,
                unit="days",
                message=f"the largest battery on sale carries {days.max():.1f} days of the smallest load at "
                f"its limit of strings in parallel; {one.autonomy_days:g} are asked",
            ),
        )
    lead = cat.lead_acid[stores.battery]
    depth = np.where(lead, settings.battery.daily_depth_max_lead_acid, settings.battery.daily_depth_max_lfp)
    share = night[:, 0].max(axis=1)[stores.kit] / (stores.string_wh * parallel) / depth
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
                message="the longest night takes more of the largest battery on sale than a day may",
            ),
        )
    return None
