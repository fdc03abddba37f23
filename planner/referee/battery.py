"""Rules of the battery: blocks, temperatures, autonomy, daily depth, currents."""

from collections.abc import Iterator

from planner.referee import store
from planner.referee.case import SiteCase
from planner.referee.check import Check, agrees, at_least, at_most

CHARGE_WITHIN = 1e-3  # relative: the plan rounds the setpoint
TEMP_WITHIN_C = 0.051  # the plan rounds to 0.1 C


def blocks(case: SiteCase) -> Iterator[Check]:
    """Blocks in series make the bus; series and parallel are within the maker's limits."""
    row, design = case.battery, case.design
    made = store.class_v(row) * design.batteries_series
    yield agrees("battery-voltage", case.id, row.sku, made, design.system_voltage_v, "V", within=1e-6)
    yield at_most(
        "battery-series", case.id, row.sku, design.batteries_series, row.batteries_series_max, "blocks"
    )
    yield at_most(
        "battery-parallel", case.id, row.sku, design.batteries_parallel, row.batteries_parallel_max, "strings"
    )


def temperatures(case: SiteCase) -> Iterator[Check]:
    """The battery stands the enclosure's cold and heat; in the cold it may be charged, or has a heater."""
    row = case.battery
    yield at_least("battery-cold", case.id, row.sku, case.coldest_c, row.temp_min_c, "C")
    yield at_most("battery-heat", case.id, row.sku, case.hottest_c, row.temp_max_c, "C")
    if not row.heater_w:
        yield at_least("charge-cold", case.id, row.sku, case.coldest_c, row.charge_temp_min_c, "C")


def autonomy(case: SiteCase) -> Iterator[Check]:
    """Aged and cold, the battery carries the asked days of load in the month of the greatest load."""
    most = max(case.rested_wh)
    yield at_least(
        "autonomy",
        case.id,
        case.battery.sku,
        case.usable_wh,
        case.autonomy_days * most,
        "Wh",
        slack=1e-6 * case.usable_wh,
    )
    own = case.usable_wh / most if most > 0 else None
    yield agrees(
        "autonomy-figure", case.id, "autonomy_days", case.design.autonomy_days, own, "d", within=0.0051
    )
    yield agrees(
        "battery-figure", case.id, "usable_wh", case.design.usable_wh, case.usable_wh, "Wh", within=0.051
    )
    yield agrees(
        "battery-figure", case.id, "battery_wh", case.design.battery_wh, case.rated_wh, "Wh", within=0.051
    )
    deepest = store.depth(case.battery, case.coldest_c)
    yield agrees(
        "battery-figure",
        case.id,
        "depth_of_discharge",
        case.design.depth_of_discharge,
        deepest,
        "",
        within=0.00051,
    )


def daily_depth(case: SiteCase) -> Iterator[Check]:
    """The longest night takes no more than the allowed share."""
    limits = case.settings.battery
    most = limits.daily_depth_max_lead_acid if store.lead_acid(case.battery) else limits.daily_depth_max_lfp
    own = max(night for _, night in case.net_wh) / case.rated_wh
    yield at_most("daily-depth", case.id, case.battery.sku, own, most, "", slack=1e-9)
    yield agrees("battery-figure", case.id, "daily_depth", case.design.daily_depth, own, "", within=0.00051)


def charge_current(case: SiteCase) -> Iterator[Check]:
    """The array's greatest charge current, gross of load, is within what the battery takes."""
    row, controller = case.battery, case.controller
    if case.pwm:
        amperes = case.module.i_sc_a * case.design.modules_parallel
    else:
        string_w = case.module.nameplate_w * case.design.modules_series
        amperes = sum(min(n * string_w / case.charging_v, controller.output_max_a) for n in case.strings_each)
    limit = row.charge_current_max_a * case.design.batteries_parallel
    yield at_most("charge-current", case.id, row.sku, amperes, limit, "A", slack=CHARGE_WITHIN * limit)
    within = CHARGE_WITHIN * amperes + 0.0051
    yield agrees(
        "battery-figure",
        case.id,
        "charge_current_a",
        case.design.charge_current_a,
        amperes,
        "A",
        within=within,
    )
    rate = amperes / (row.capacity_ah * case.design.batteries_parallel)
    yield agrees(
        "battery-figure",
        case.id,
        "charge_rate",
        case.design.charge_rate,
        rate,
        "1/h",
        within=CHARGE_WITHIN * rate + 0.000051,
    )


def discharge_current(case: SiteCase) -> Iterator[Check]:
    """The greatest load current is within what the battery gives."""
    limit = case.battery.discharge_current_max_a * case.design.batteries_parallel
    yield at_most(
        "discharge-current",
        case.id,
        case.battery.sku,
        case.load_a,
        limit,
        "A",
    )


def temperature_figures(case: SiteCase) -> Iterator[Check]:
    """Temperatures as stated."""
    months = case.months
    figures = {
        "temp_air_min_c": months.temp_min_c,
        "temp_air_max_c": months.temp_max_c,
        "temp_cold_spell_c": months.temp_cold_spell_c,
        "temp_battery_min_c": case.coldest_c,
        "temp_battery_hot_c": months.temp_hot_month_c + case.rise_k,
    }
    for name, own in figures.items():
        yield agrees(
            "climate-figure", case.id, name, getattr(case.design, name), own, "C", within=TEMP_WITHIN_C
        )


BATTERY_RULES = (
    blocks,
    temperatures,
    autonomy,
    daily_depth,
    charge_current,
    discharge_current,
    temperature_figures,
)
