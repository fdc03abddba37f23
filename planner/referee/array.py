"""Rules of the array: strings cold and hot, currents, room, wind, what carries it."""

from collections.abc import Iterator
from math import floor, inf

from planner.referee.bus import VOLTS_WITHIN
from planner.referee.case import CELL_RISE_K, SiteCase
from planner.referee.check import Check, agrees, at_least, at_most, holds
from planner.tables.catalogue import BalanceKind
from planner.units import TEMP_STC_C

AIR_KG_M3 = 1.25  # density of air in a storm (EN 1991-1-4, from memory)
CONTINUOUS_FACTOR = 1.25  # circuits that last for hours (NEC 690.8(B))
AMPERES_WITHIN = 0.0055  # the plan rounds to 0.01 A
EPS_V = 1e-6


def string_cold(case: SiteCase) -> Iterator[Check]:
    """On the coldest dawn an open string is within the controller's input voltage and the modules' own."""
    row, series = case.module, case.design.modules_series
    volts = series * row.v_oc_v * (1.0 + row.beta_voc_per_k * (case.months.temp_min_c - TEMP_STC_C))
    yield at_most(
        "string-cold", case.id, case.controller.sku, volts, case.controller.pv_input_max_v, "V", slack=EPS_V
    )
    yield at_most("string-cold", case.id, row.sku, volts, row.system_voltage_max_v, "V", slack=EPS_V)
    yield agrees(
        "string-figure",
        case.id,
        "string_cold_v_oc_v",
        case.design.string_cold_v_oc_v,
        volts,
        "V",
        within=VOLTS_WITHIN,
    )


def string_hot(case: SiteCase) -> Iterator[Check]:
    """On the hottest day a string still gives the charging voltage with the controller's headroom."""
    row, series = case.module, case.design.modules_series
    warmth = max(case.months.temp_max_c + CELL_RISE_K - TEMP_STC_C, 0.0)
    volts = series * row.v_mp_v * (1.0 + row.gamma_pmp_per_k * warmth)
    need = case.design.charge_setpoint_v + case.controller.headroom_v
    yield at_least("string-hot", case.id, case.controller.sku, volts, need, "V", slack=VOLTS_WITHIN)
    yield agrees(
        "string-figure",
        case.id,
        "string_hot_v_mp_v",
        case.design.string_hot_v_mp_v,
        volts,
        "V",
        within=VOLTS_WITHIN,
    )


def string_currents(case: SiteCase) -> Iterator[Check]:
    """Strings on one controller stay under its input current in the brightest sun."""
    factor, amperes = case.settings.array.irradiance_factor_isc, case.module.i_sc_a
    bright = factor * amperes * max(case.strings_each)
    yield at_most(
        "controller-input", case.id, case.controller.sku, bright, case.controller.pv_input_max_a, "A"
    )
    whole = amperes * case.design.modules_parallel
    yield agrees(
        "array-figure", case.id, "array_i_sc_a", case.design.array_i_sc_a, whole, "A", within=AMPERES_WITHIN
    )
    rated = whole * factor * CONTINUOUS_FACTOR
    yield agrees(
        "array-figure",
        case.id,
        "array_circuit_a",
        case.design.array_circuit_a,
        rated,
        "A",
        within=AMPERES_WITHIN,
    )
    watts = case.module.nameplate_w * case.modules
    yield agrees("array-figure", case.id, "array_w", case.design.array_w, watts, "W", within=1e-6)


def controllers_used(case: SiteCase) -> Iterator[Check]:
    """No controller stands without a string."""
    yield at_least("controller-idle", case.id, case.controller.sku, min(case.strings_each), 1, "strings")


def orientation(case: SiteCase) -> Iterator[Check]:
    """The array faces where the site says, else the equator; at a tilt that the site or the settings name."""
    site, design = case.site, case.design
    facing = site.surface_azimuth_deg
    if facing is None:
        facing = 0.0 if site.latitude_deg < 0 else 180.0
    yield agrees("array-azimuth", case.id, "", design.surface_azimuth_deg, facing, "deg", within=1e-6)
    tilts = case.settings.climate.tilts_deg if site.surface_tilt_deg is None else (site.surface_tilt_deg,)
    near = any(abs(design.surface_tilt_deg - tilt) < 1e-6 for tilt in tilts)
    yield holds(
        "array-tilt", case.id, f"{design.surface_tilt_deg:g} degrees", near, "is no tilt to choose from"
    )


def room(case: SiteCase) -> Iterator[Check]:
    """The modules have room at the site."""
    if case.site.module_area_max_m2 is not None:
        area = case.modules * case.module.length_m * case.module.width_m
        yield at_most("module-area", case.id, case.module.sku, area, case.site.module_area_max_m2, "m2")


def module_limits(case: SiteCase) -> Iterator[Check]:
    """Cells stand the coldest dawn and full sun on the hottest day; glass and frame stand the wind."""
    row = case.module
    yield at_least("module-cold", case.id, row.sku, case.months.temp_min_c, row.temp_min_c, "C")
    yield at_most("module-heat", case.id, row.sku, case.months.temp_max_c + CELL_RISE_K, row.temp_max_c, "C")
    if case.wind_m_s is not None and row.pressure_max_pa is not None:
        factor = case.settings.array.wind_pressure_coefficient
        pressure = factor * AIR_KG_M3 / 2.0 * case.wind_m_s**2
        yield at_most("module-wind", case.id, row.sku, pressure, row.pressure_max_pa, "Pa")


def mounts(case: SiteCase) -> Iterator[Check]:
    """Mounts of one kind carry whole modules by area and weight, reach the tilt, stand the wind."""
    row, module = case.mount, case.module
    yield holds("mount-kind", case.id, row.sku, row.kind is BalanceKind.MOUNT, "is no mount")
    area = (row.module_area_max_m2 or 0.0) / (module.length_m * module.width_m)
    weight = inf if row.weight_max_kg is None else row.weight_max_kg / module.weight_kg
    held = case.design.mounts * floor(min(area, weight) + 1e-9)
    yield at_least("mounts", case.id, row.sku, held, case.modules, "modules")
    yield at_least("mount-tilt", case.id, row.sku, case.design.surface_tilt_deg, row.tilt_min_deg, "deg")
    yield at_most("mount-tilt", case.id, row.sku, case.design.surface_tilt_deg, row.tilt_max_deg, "deg")
    if case.wind_m_s is not None and row.wind_max_m_s is not None:
        yield at_most("mount-wind", case.id, row.sku, case.wind_m_s, row.wind_max_m_s, "m/s")


def enclosures(case: SiteCase) -> Iterator[Check]:
    """Enclosures of one kind hold boxes, controllers and batteries, and damp the cold as designs count on."""
    row, design = case.enclosure, case.design
    yield holds("enclosure-kind", case.id, row.sku, row.kind is BalanceKind.ENCLOSURE, "is no enclosure")
    holds_l = row.volume_max_l or 0.0
    litres = (
        case.kit.volume_l
        + design.controllers * case.controller.volume_l
        + case.blocks * case.battery.volume_l
    )
    yield at_most("enclosure-volume", case.id, row.sku, litres, design.enclosures * holds_l, "l", slack=1e-6)
    yield at_most("enclosure-block", case.id, row.sku, case.battery.volume_l, holds_l, "l")
    yield at_most(
        "enclosures-max",
        case.id,
        row.sku,
        design.enclosures,
        case.settings.policy.enclosures_max,
        "enclosures",
    )
    if row.damping_k is not None:
        yield at_least("enclosure-damping", case.id, row.sku, row.damping_k, case.damping_k, "K")


ARRAY_RULES = (
    string_cold,
    string_hot,
    string_currents,
    controllers_used,
    orientation,
    room,
    module_limits,
    mounts,
    enclosures,
)
