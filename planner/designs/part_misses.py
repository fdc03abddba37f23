"""Rules that parts break before any energy is counted: sun, temperatures, voltages, the bus window.

Each takes a system voltage and the site's inputs there, and returns the nearest miss, or None where some
part passes.
"""

from enum import IntEnum

import numpy as np

from planner.designs.catalogue import CatalogueArrays
from planner.designs.inputs import (
    FloatArray,
    SiteInputs,
    battery_temp_min_c,
    enclosure_temp_max_c,
    net_load,
)
from planner.designs.stores import (
    batteries_in_range,
    battery_series,
    bus_windows,
    charges,
    controllers_in_range,
    kits_in_range,
    make_stores,
)
from planner.errors import Refusal
from planner.settings import Settings

MONTH_NAMES = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)


class Stage(IntEnum):
    """Rules in the order in which a design is built; the further a voltage gets, the nearer its miss."""

    SUN = 0
    BATTERY = 1
    BOXES = 2
    CONTROLLER = 3
    WINDOW = 4
    ARRAY = 5
    STORAGE = 6
    TOGETHER = 7


#: A refusal with how far the voltage got: its stage, and the share of that stage's limit that it reaches.
Miss = tuple[Stage, float, Refusal]


def no_sun(voltage: int, one: SiteInputs, cat: CatalogueArrays, settings: Settings) -> Miss | None:
    """A month without sun that no other supply carries."""
    day, night = net_load(one, one.day_wh, one.night_wh, np.zeros(1))
    load = (day + night)[:, 0].min(axis=0)
    dark = np.flatnonzero((one.poa_wh_m2_day <= 0) & (load > 0))
    if not len(dark):
        return None
    worst = int(dark[np.argmax(load[dark])])
    other, short = float(one.other_supply_wh_day[worst]), float(load[worst])
    return (
        Stage.SUN,
        0.0,
        Refusal(
            rule="no-sun",
            subject=MONTH_NAMES[worst],
            value=other,
            limit=other + short,
            unit="Wh a day",
            message=f"no sun reaches the array in {', '.join(MONTH_NAMES[m] for m in dark)}; in "
            f"{MONTH_NAMES[worst]} another source must give {other + short:.0f} Wh a day "
            f"(other_supply_wh_day), it gives {other:.0f}",
        ),
    )


def no_battery(voltage: int, one: SiteInputs, cat: CatalogueArrays, settings: Settings) -> Miss | None:
    """No battery makes the voltage, or stands the temperatures and charges in them."""
    suits = battery_series(cat, voltage) > 0
    if not suits.any():
        return (
            Stage.BATTERY,
            -1.0,
            Refusal(
                rule="battery-voltage",
                subject=f"{voltage} V",
                message=f"no battery on sale makes {voltage} V in series",
            ),
        )
    if (suits & batteries_in_range(cat, one, settings)).any():
        return None
    cold, hot = battery_temp_min_c(one, settings), enclosure_temp_max_c(one, settings)
    least = np.maximum(cat.battery("temp_min_c"), cat.battery("charge_temp_min_c"))[suits]
    return _temperature_miss(
        Stage.BATTERY, "battery", "battery", cold, hot, least, cat.battery("temp_max_c")[suits]
    )


def _temperature_miss(
    stage: Stage, rule: str, noun: str, cold: float, hot: float, least: FloatArray, most: FloatArray
) -> Miss:
    """The part that comes nearest to the site's range of temperatures, and the end at which it fails."""
    below, above = np.maximum(least - cold, 0.0), np.maximum(hot - most, 0.0)
    best = int(np.argmin(np.maximum(below, above)))
    if below[best] >= above[best]:
        value, limit, what, end = cold, float(least[best]), "down to", "cold"
    else:
        value, limit, what, end = hot, float(most[best]), "up to", "hot"
    return (
        stage,
        -abs(value - limit),
        Refusal(
            rule=f"{rule}-{end}",
            subject=noun,
            value=value,
            limit=limit,
            unit="C",
            message=f"the enclosure may reach {value:.1f} C; the hardiest {noun} on sale works {what} "
            f"{limit:.1f} C",
        ),
    )


def no_boxes(voltage: int, one: SiteInputs, cat: CatalogueArrays, settings: Settings) -> Miss | None:
    """No kit stands the temperatures."""
    if kits_in_range(one, settings).any():
        return None
    return _temperature_miss(
        Stage.BOXES,
        "kit",
        "set of switch and converters",
        battery_temp_min_c(one, settings),
        enclosure_temp_max_c(one, settings),
        np.array([kit.temp_min_c for kit in one.kits]),
        np.array([kit.temp_max_c for kit in one.kits]),
    )


def no_controller(voltage: int, one: SiteInputs, cat: CatalogueArrays, settings: Settings) -> Miss | None:
    """No controller suits the voltage and the temperatures."""
    if controllers_in_range(cat, one, voltage, settings).any():
        return None
    lowest, highest = cat.controller("system_voltage_min_v"), cat.controller("system_voltage_max_v")
    suits = (lowest <= voltage) & (highest >= voltage)
    if not suits.any():
        return (
            Stage.CONTROLLER,
            -1e3,
            Refusal(
                rule="controller-voltage",
                subject=f"{voltage} V",
                message=f"no controller on sale charges at {voltage} V",
            ),
        )
    return _temperature_miss(
        Stage.CONTROLLER,
        "controller",
        "controller",
        battery_temp_min_c(one, settings),
        enclosure_temp_max_c(one, settings),
        cat.controller("temp_min_c")[suits],
        cat.controller("temp_max_c")[suits],
    )


def no_window(voltage: int, one: SiteInputs, cat: CatalogueArrays, settings: Settings) -> Miss | None:
    """No kit holds the bus window of any battery that some controller charges."""
    if len(make_stores(one, cat, voltage, settings).kit):
        return None
    w = bus_windows(one, cat, voltage, settings)
    able = charges(w, one, cat, voltage, settings)
    if not able.any():
        return _no_charging(voltage, one, cat, settings)
    under = np.where(able, (w.kit_low_v - w.low_v)[:, None], np.inf)
    over = np.where(able, w.high_v - w.kit_high_v[:, None], np.inf)
    n, c = np.unravel_index(int(np.argmin(np.maximum(under, over))), over.shape)
    kit, store = one.kits[w.kit[n]], cat.batteries[w.battery[n]].sku
    if over[n, c] >= under[n, c]:
        sku, end, value, limit = (
            kit.window_high_sku,
            "rises to",
            float(w.high_v[n, c]),
            float(w.kit_high_v[n]),
        )
    else:
        sku, end, value, limit = kit.window_low_sku, "falls to", float(w.low_v[n]), float(w.kit_low_v[n])
    return (
        Stage.WINDOW,
        -abs(value - limit),
        Refusal(
            rule="bus-window",
            subject=sku,
            value=value,
            limit=limit,
            unit="V",
            message=f"the {voltage} V bus {end} {value:.1f} V with battery {store}; "
            f"{sku} takes {limit:.1f} V",
        ),
    )


def _no_charging(voltage: int, one: SiteInputs, cat: CatalogueArrays, settings: Settings) -> Miss:
    """No controller makes a battery's voltage, follows its temperature, and carries the load."""
    suits = controllers_in_range(cat, one, voltage, settings)
    terminal = float(np.nan_to_num(cat.controller("load_terminal_max_a"))[suits].max())
    asks = min(kit.max_current_a for kit in one.kits)
    if all(kit.load_terminal for kit in one.kits) and terminal < asks:
        return (
            Stage.WINDOW,
            -1.0,
            Refusal(
                rule="load-terminals",
                subject=f"{voltage} V",
                value=terminal,
                limit=asks,
                unit="A",
                message=f"without a load disconnect on sale, load terminals must carry {asks:.1f} A; "
                f"the strongest carry {terminal:.1f} A",
            ),
        )
    series = battery_series(cat, voltage)
    least = float((series * cat.battery("charge_min_v"))[series > 0].min())
    most = float(cat.controller("charge_max_v")[suits].max())
    return (
        Stage.WINDOW,
        -2.0,
        Refusal(
            rule="charging",
            subject=f"{voltage} V",
            value=most,
            limit=least,
            unit="V",
            message=f"no controller charges a battery on sale: the least setpoint is {least:.1f} V, the most "
            f"that one makes is {most:.1f} V, and a compensated battery needs one that follows "
            "its temperature",
        ),
    )
