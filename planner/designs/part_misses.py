"""Rules that parts break before any energy is counted: sun, temperatures, voltages, the bus window.

Each takes a system voltage and the site's inputs there, and returns the nearest miss, or None where some
part passes.
"""

from enum import IntEnum

import numpy as np

from planner.designs.catalogue import CatalogueArrays
from planner.designs.inputs import (
    BoolArray,
    FloatArray,
    SiteInputs,
    battery_temp_min_c,
    enclosure_temp_max_c,
    net_load,
)
from planner.designs.site_parts import setpoint_range, site_parts
from planner.designs.stores import make_stores
from planner.designs.suits import (
    batteries_in_range,
    battery_series,
    controllers_for_ground,
    controllers_for_voltage,
    controllers_in_range,
    kits_for_ground,
    kits_in_range,
)
from planner.designs.windows import bus_windows, charges, reached_v, terminals_carry
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
    KEPT = 5
    ARRAY = 6
    STORAGE = 7
    TOGETHER = 8


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
                message=f"no battery that the site may have makes {voltage} V in series",
            ),
        )
    if (suits & batteries_in_range(cat, one, settings)).any():
        return None
    cold, hot = battery_temp_min_c(one, settings), enclosure_temp_max_c(one, settings)
    unheated = np.where(cat.battery("heater_w") > 0, -np.inf, cat.battery("charge_temp_min_c"))
    least = np.maximum(cat.battery("temp_min_c"), unheated)[suits]
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
            message=f"the enclosure may reach {value:.1f} C; the hardiest {noun} that the site may "
            f"have works {what} {limit:.1f} C",
        ),
    )


def no_boxes(voltage: int, one: SiteInputs, cat: CatalogueArrays, settings: Settings) -> Miss | None:
    """No kit stands the temperatures and the earthed pole."""
    if kits_in_range(one, settings).any():
        return None
    grounded = kits_for_ground(one)
    if not grounded.any():
        return (
            Stage.BOXES,
            -1e3,
            Refusal(
                rule="kit-grounding",
                subject=f"{voltage} V",
                message="every set of switch and converters that the site may have holds a box that may not "
                f"stand on a bus of grounding {one.bus_grounding}",
            ),
        )
    return _temperature_miss(
        Stage.BOXES,
        "kit",
        "set of switch and converters",
        battery_temp_min_c(one, settings),
        enclosure_temp_max_c(one, settings),
        one.kit("temp_min_c")[grounded],
        one.kit("temp_max_c")[grounded],
    )


def no_controller(voltage: int, one: SiteInputs, cat: CatalogueArrays, settings: Settings) -> Miss | None:
    """No controller suits the voltage, the earthed pole and the temperatures."""
    if controllers_in_range(cat, one, voltage, settings).any():
        return None
    suits = controllers_for_voltage(cat, voltage)
    if not suits.any():
        return (
            Stage.CONTROLLER,
            -1e3,
            Refusal(
                rule="controller-voltage",
                subject=f"{voltage} V",
                message=f"no controller that the site may have charges at {voltage} V",
            ),
        )
    suits &= controllers_for_ground(cat, one.bus_grounding)
    if not suits.any():
        return (
            Stage.CONTROLLER,
            -1e3,
            Refusal(
                rule="controller-grounding",
                subject=f"{voltage} V",
                message=f"every controller for {voltage} V that it may have joins through the pole that a "
                f"bus of grounding {one.bus_grounding} does not earth",
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
    parts = site_parts(one, cat, settings)
    w = bus_windows(one, cat, parts, voltage, settings)
    able = charges(w, cat, parts, voltage, settings)
    if not able.any():
        return _no_charging(voltage, one, cat, settings)
    under = np.where(able, (w.kit_low_v - w.low_v)[:, None], np.inf)
    over = np.where(able, w.high_v - w.kit_high_v[:, None], np.inf)
    n, c = np.unravel_index(int(np.argmin(np.maximum(under, over))), over.shape)
    kit, store = one.kits[w.kit[n]], cat.batteries[w.battery[n]].sku
    required = settings.battery.equalise_required and cat.batteries[w.battery[n]].equalise_v is not None
    equalised = " when equalised" if required else ""
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
            message=f"the {voltage} V bus {end} {value:.1f} V with battery {store}{equalised}; "
            f"{sku} takes {limit:.1f} V",
        ),
    )


def _no_charging(voltage: int, one: SiteInputs, cat: CatalogueArrays, settings: Settings) -> Miss:
    """No controller makes a battery's voltage, follows its temperature, and carries the load."""
    suits = controllers_in_range(cat, one, voltage, settings)
    if not terminals_carry(one, cat)[:, suits].any():
        value, limit, what = _terminals(one, cat, suits)
        return (
            Stage.WINDOW,
            -1.0,
            Refusal(
                rule="load-terminals",
                subject=f"{voltage} V",
                value=value,
                limit=limit,
                unit="A",
                message=f"without a load disconnect that suits, load terminals must {what} {limit:.1f} A; "
                f"the strongest {what} {value:.1f} A",
            ),
        )
    stands = np.flatnonzero((battery_series(cat, voltage) > 0) & batteries_in_range(cat, one, settings))
    needed = reached_v(cat, setpoint_range(cat, one, settings), voltage, settings)[stands][:, suits]
    if not np.isfinite(needed).any():
        return _no_setpoint(voltage, one, cat, settings)
    most = np.broadcast_to(cat.controller("charge_max_v")[suits], needed.shape)
    nearest = np.unravel_index(int(np.argmin(needed - most)), needed.shape)
    return (
        Stage.WINDOW,
        -2.0,
        Refusal(
            rule="charging",
            subject=f"{voltage} V",
            value=float(most[nearest]),
            limit=float(needed[nearest]),
            unit="V",
            message=f"no controller charges a battery that suits the site: {needed[nearest]:.1f} V "
            f"are needed, the most that one makes is {most[nearest]:.1f} V",
        ),
    )


def _terminals(one: SiteInputs, cat: CatalogueArrays, suits: BoolArray) -> tuple[float, float, str]:
    """The strongest load terminals against the least current, or the least inrush where that stops."""
    most = np.nan_to_num(cat.controller("load_terminal_max_a"))[suits]
    asks = min(kit.max_current_a for kit in one.kits)
    if float(most.max()) < asks:
        return float(most.max()), asks, "carry"
    surge = np.nan_to_num(cat.controller("load_terminal_surge_a"), nan=np.inf)[suits]
    starts = min(kit.surge_current_a for kit in one.kits)
    return float(surge[most >= asks].max()), starts, "bear for seconds"


def _no_setpoint(voltage: int, one: SiteInputs, cat: CatalogueArrays, settings: Settings) -> Miss:
    """No controller follows the batteries' temperature, and no constant setpoint suits one of them."""
    span = setpoint_range(cat, one, settings)
    stands = np.flatnonzero((battery_series(cat, voltage) > 0) & batteries_in_range(cat, one, settings))
    suits = np.flatnonzero(controllers_in_range(cat, one, voltage, settings))
    pairs = np.ix_(stands, suits)
    low, high = span.least_v[pairs], span.most_v[pairs]
    nearest = np.unravel_index(int(np.argmin(low - high)), low.shape)
    cold, hot = battery_temp_min_c(one, settings), enclosure_temp_max_c(one, settings)
    return (
        Stage.WINDOW,
        -3.0,
        Refusal(
            rule="charge-compensation",
            subject=cat.batteries[stands[nearest[0]]].sku,
            value=float(high[nearest]),
            limit=float(low[nearest]),
            unit="V",
            message="no controller that the site may have follows the battery's temperature, and no constant "
            f"setpoint suits: at {cold:.1f} C a block needs {low[nearest]:.2f} V, at {hot:.1f} C it takes "
            f"{high[nearest]:.2f} V",
        ),
    )
