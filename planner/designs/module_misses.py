"""Rules that every module breaks which a site may have: temperatures, wind, a controller's input limits."""

import numpy as np

from planner.designs import pv_array
from planner.designs.catalogue import CatalogueArrays
from planner.designs.columns import modules_in_range
from planner.designs.inputs import BoolArray, SiteInputs
from planner.designs.part_misses import Miss, Stage
from planner.errors import Refusal
from planner.settings import Settings


def no_module(
    voltage: int, one: SiteInputs, cat: CatalogueArrays, chargers: BoolArray, settings: Settings
) -> Miss:
    """The nearest miss of a site without array columns; `chargers` (C,) are its controllers."""
    suits = modules_in_range(cat, one, settings)
    if not suits.any():
        return _no_place(one, cat, settings)
    volts = pv_array.cold_v_oc_v(cat.module("v_oc_v"), cat.module("beta_voc_per_k"), one.temp_air_min_c)
    limits = np.minimum(
        cat.module("system_voltage_max_v")[:, None], cat.controller("pv_input_max_v")[None, :]
    )
    over = np.where(suits[:, None] & chargers[None, :], volts[:, None] / limits, np.inf)
    m, c = np.unravel_index(int(np.argmin(over)), over.shape)
    if over[m, c] > 1.0:
        value, limit, unit, rule = float(volts[m]), float(limits[m, c]), "V", "module-voltage"
        what = f"one module gives {value:.1f} V on the coldest morning"
    else:
        bright = cat.module("i_sc_a") * settings.array.irradiance_factor_isc
        both = np.minimum(cat.controller("pv_input_max_a"), cat.controller("output_max_a"))
        amperes = np.where(cat.mppt, cat.controller("pv_input_max_a"), both)
        over = np.where(over <= 1.0, bright[:, None] / amperes[None, :], np.inf)
        m, c = np.unravel_index(int(np.argmin(over)), over.shape)
        value, limit, unit, rule = float(bright[m]), float(amperes[c]), "A", "module-current"
        what = f"one module gives {value:.1f} A under a bright sky"
    return (
        Stage.ARRAY,
        -1.0,
        Refusal(
            rule=rule,
            subject=f"{voltage} V, {cat.modules[m].sku}",
            value=value,
            limit=limit,
            unit=unit,
            message=f"{what}; the strongest controller that suits takes {limit:.1f} {unit}",
        ),
    )


def _no_place(one: SiteInputs, cat: CatalogueArrays, settings: Settings) -> Miss:
    """No module stands the site: what the one that breaks the fewest rules breaks."""
    if not cat.modules:
        none = Refusal(rule="no-module", subject="module", message="there is no module that it may have")
        return Stage.ARRAY, -1.0, none
    cold, hot, wind = one.temp_air_min_c, pv_array.cell_max_c(one.temp_air_max_c), 0.0
    if one.wind_design_m_s is not None:
        wind = pv_array.wind_pa(one.wind_design_m_s, settings.array.wind_pressure_coefficient)
    least, most = cat.module("temp_min_c"), cat.module("temp_max_c")
    pressure = np.nan_to_num(cat.module("pressure_max_pa"), nan=np.inf)
    missed = np.stack([least > cold, most < hot, pressure < wind])
    m = int(np.argmin(missed.sum(axis=0)))
    rule, value, limit, unit, what = (
        ("module-cold", cold, least[m], "C", "the air may fall to"),
        ("module-hot", hot, most[m], "C", "cells in full sun may reach"),
        ("module-wind", wind, pressure[m], "Pa", "the wind presses with"),
    )[int(np.argmax(missed[:, m]))]
    return (
        Stage.ARRAY,
        -1.0,
        Refusal(
            rule=rule,
            subject=cat.modules[m].sku,
            value=float(value),
            limit=float(limit),
            unit=unit,
            message=f"{what} {value:.1f} {unit}; {cat.modules[m].sku} stands {limit:.1f} {unit}, and no "
            "module that it may have stands the site",
        ),
    )
