"""Which batteries, controllers and kits suit a site at all: voltage, temperatures, the earthed pole."""

import numpy as np

from planner.designs.catalogue import CatalogueArrays
from planner.designs.inputs import (
    BoolArray,
    IntArray,
    SiteInputs,
    battery_temp_min_c,
    enclosure_temp_max_c,
)
from planner.designs.kits import as_kits
from planner.settings import Settings
from planner.tables.rows import BusGrounding


def battery_series(cat: CatalogueArrays, system_voltage_v: int) -> IntArray:
    """Blocks in series for the system voltage (B,); 0 where they do not make it."""
    blocks = system_voltage_v / cat.block_v
    whole = np.round(blocks)
    fits = (np.abs(blocks - whole) < 1e-6) & (whole >= 1) & (whole <= cat.battery("batteries_series_max"))
    return np.where(fits, whole, 0).astype(np.int64)


def batteries_in_range(cat: CatalogueArrays, inputs: SiteInputs, settings: Settings) -> BoolArray:
    """Batteries that may stand and be charged at the site's temperatures, heated if they can be (B,).

    A heater warms a battery for charging, so in the cold a heated one need only stand its lowest temperature.
    """
    cold, hot = battery_temp_min_c(inputs, settings), enclosure_temp_max_c(inputs, settings)
    charged = (cat.battery("charge_temp_min_c") <= cold) | (cat.battery("heater_w") > 0)
    return (cat.battery("temp_min_c") <= cold) & (cat.battery("temp_max_c") >= hot) & charged


def controllers_for_voltage(cat: CatalogueArrays, system_voltage_v: int) -> BoolArray:
    """Controllers that charge a battery of the system voltage (C,)."""
    lowest, highest = cat.controller("system_voltage_min_v"), cat.controller("system_voltage_max_v")
    return (lowest <= system_voltage_v) & (highest >= system_voltage_v)


def controllers_for_ground(cat: CatalogueArrays, grounding: BusGrounding) -> BoolArray:
    """Controllers whose common pole may be earthed with the bus (C,).

    Through a common-negative controller the array's and the load's negative lie on the battery's; with its
    positive earthed, a fault of either to earth shorts the battery past the controller's switches, which
    stand in the positive. Likewise the other way round.
    """
    wrong = {
        BusGrounding.NEGATIVE: cat.common_positive,
        BusGrounding.POSITIVE: cat.common_negative,
        BusGrounding.FLOATING: np.zeros(len(cat.controllers), dtype=bool),
    }
    return np.asarray(~wrong[grounding])


def controllers_in_range(
    cat: CatalogueArrays, inputs: SiteInputs, system_voltage_v: int, settings: Settings
) -> BoolArray:
    """Controllers for the system voltage, the temperatures in the enclosure and the earthed pole (C,)."""
    suits = controllers_suit(cat, inputs, settings)
    return np.asarray(controllers_for_voltage(cat, system_voltage_v) & suits, dtype=bool)


def controllers_suit(cat: CatalogueArrays, inputs: SiteInputs, settings: Settings) -> BoolArray:
    """Controllers for the temperatures in the enclosure and the earthed pole (C,)."""
    cold, hot = battery_temp_min_c(inputs, settings), enclosure_temp_max_c(inputs, settings)
    return np.asarray(
        controllers_for_ground(cat, inputs.bus_grounding)
        & (cat.controller("temp_min_c") <= cold)
        & (cat.controller("temp_max_c") >= hot),
        dtype=bool,
    )


def kits_for_ground(inputs: SiteInputs) -> BoolArray:
    """Kits whose boxes accept the earthed pole of the bus (K,)."""
    return as_kits(inputs.kits).grounded[inputs.bus_grounding]


def kits_in_range(inputs: SiteInputs, settings: Settings) -> BoolArray:
    """Kits whose boxes stand the temperatures in the enclosure and accept the earthed pole (K,)."""
    cold, hot = battery_temp_min_c(inputs, settings), enclosure_temp_max_c(inputs, settings)
    stands = (inputs.kit("temp_min_c") <= cold) & (inputs.kit("temp_max_c") >= hot)
    return np.asarray(stands & kits_for_ground(inputs), dtype=bool)
