"""Battery physics: what a battery gives in the cold, how deep it may go, how many are needed.

References
----------
IEEE Std 485 (lead-acid sizing; temperature factors), values from memory. Freezing of the electrolyte by
specific gravity, and gravity by state of charge: US Army technical manual tables.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from planner.units import HOURS_PER_DAY

FloatArray = NDArray[np.float64]

#: Cell size factor against electrolyte temperature, IEEE 485 table 1 (from memory).
FACTOR_TEMP_C = np.array([-3.9, 4.4, 10.0, 15.6, 21.1, 25.0])
FACTOR = np.array([1.520, 1.300, 1.190, 1.110, 1.040, 1.000])

LIFE_TEMP_C, LIFE_HALVES_PER_K = 25.0, 10.0  # of makers' calendar lives; rule of Arrhenius (from memory)
#: 1/K, continued below the table.
FACTOR_SLOPE = float((FACTOR[1] - FACTOR[0]) / (FACTOR_TEMP_C[1] - FACTOR_TEMP_C[0]))
#: Freezing point of sulphuric acid electrolyte against specific gravity.
FREEZING_C = np.array([-67.8, -52.2, -26.7, -15.0, -7.2])
FREEZING_GRAVITY = np.array([1.280, 1.250, 1.200, 1.150, 1.100])
GRAVITY_FULL, GRAVITY_FLAT = 1.280, 1.160  # 1.220 at half charge lies midway
#: How many standard deviations of an hour's temperature the coldest hour lies under the coldest month's mean;
#: 2.2 to 3.4 in the typical years that pvlib ships. Fewer spread the hours wider, which heats more.
MINIMUM_SDS = 2.5
SD_LEAST_K = 0.5  # of a month whose mean is stated as its minimum
WHOLE_TOLERANCE = 1e-9  # rounding noise does not buy another battery


def temperature_factor(temp_c: ArrayLike, lead_acid: ArrayLike) -> FloatArray:
    """Rated capacity needed per unit of capacity at 25 C.

    Parameters
    ----------
    temp_c : array
        Mean battery temperature of the coldest spell, C.
    lead_acid : array of bool
        False gives 1: lithium iron phosphate keeps its capacity in the range in which it may be used.

    Returns
    -------
    array
        1 at 25 C and above (no credit for warmth), 1.52 at -3.9 C, continued below the table at its last
        slope: linear growth promises less than levelling off would, and SKUs end at their own limit.

    References
    ----------
    IEEE Std 485, table 1 (values from memory).
    """
    temp = np.asarray(temp_c, dtype=float)
    cold = np.minimum(temp - FACTOR_TEMP_C[0], 0.0)
    factor = np.interp(temp, FACTOR_TEMP_C, FACTOR) + FACTOR_SLOPE * cold
    return np.where(lead_acid, factor, 1.0)


def freezing_depth(temp_c: ArrayLike, lead_acid: ArrayLike) -> FloatArray:
    """Deepest discharge at which the electrolyte stays liquid, 0..1; it never rises as it gets colder.

    The electrolyte's gravity falls linearly from full to flat; below the gravity that freezes at `temp_c`
    the battery must not go. 0 where even a full battery freezes; 1 for cells without such electrolyte.

    Parameters
    ----------
    temp_c : array
        Coldest battery temperature, C.
    lead_acid : array of bool
        Where the limit applies.
    """
    gravity = np.interp(np.asarray(temp_c, dtype=float), FREEZING_C, FREEZING_GRAVITY)
    charge = (gravity - GRAVITY_FLAT) / (GRAVITY_FULL - GRAVITY_FLAT)
    return np.where(lead_acid, 1.0 - np.clip(charge, 0.0, 1.0), 1.0)


def temp_sd_k(temp_air_c: FloatArray, temp_min_c: float) -> float:
    """Spread of a battery's hours about its month's mean, K, from the months (12,) and its coldest hour."""
    return max(float(temp_air_c.min()) - temp_min_c, 0.0) / MINIMUM_SDS + SD_LEAST_K


def degrees_under(temp_c: ArrayLike, mean_c: ArrayLike, sd_k: float) -> FloatArray:
    """Mean of `max(temp_c - T, 0)` over normally distributed temperatures T, K; arrays broadcast.

    References
    ----------
    The idea of degree-days from mean and spread: Duffie and Beckman, 4th ed., section 9.3.
    """
    z = (np.asarray(temp_c, dtype=float) - np.asarray(mean_c, dtype=float)) / sd_k
    density = np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
    return np.asarray(sd_k * (z * ndtr(z) + density))


def heater_wh(
    heater_w: ArrayLike, keep_c: ArrayLike, temp_min_c: ArrayLike, mean_c: ArrayLike, sd_k: float
) -> FloatArray:
    """Daily energy that keeps a block at the temperature at which it may be charged, Wh.

    The maker lets a heated block work down to `temp_min_c`, so at its rated power the heater holds `keep_c`
    there, and in milder cold a proportional share of that power: energy goes with degree-hours under
    `keep_c`. A heater that rests at night takes no more: to warm a block in the morning costs less than
    what holding it warm all night would have lost.

    Parameters
    ----------
    heater_w, keep_c, temp_min_c : array
        Rated power, temperature to keep, and lowest outside temperature at which the heater keeps it.
    mean_c : array
        Mean temperature of the month.
    sd_k : float
        Spread of the hours about it.

    Returns
    -------
    array
        0 where the block may be charged at its lowest temperature; at most 24 h of rated power.
    """
    keep, least = np.asarray(keep_c, dtype=float), np.asarray(temp_min_c, dtype=float)
    span = np.maximum(keep - least, 0.0)
    under = degrees_under(keep, mean_c, sd_k) - degrees_under(least, mean_c, sd_k)  # full power below least
    duty = np.divide(under, span, out=np.zeros(np.broadcast(under, span).shape), where=span > 0)
    return np.asarray(np.asarray(heater_w, dtype=float) * HOURS_PER_DAY * np.clip(duty, 0.0, 1.0))


def usable_wh(
    capacity_wh: ArrayLike, depth: ArrayLike, end_of_life_share: float, factor: ArrayLike
) -> FloatArray:
    """Energy a battery gives in the cold at its end of life: `capacity x depth x share / factor`, Wh."""
    share = np.asarray(depth, dtype=float) * end_of_life_share / np.asarray(factor, dtype=float)
    usable: FloatArray = np.asarray(capacity_wh, dtype=float) * share
    return usable


def strings_needed(need: ArrayLike, each: ArrayLike) -> FloatArray:
    """Whole strings that supply a need; infinite where a string gives nothing."""
    each = np.asarray(each, dtype=float)
    ratio = np.divide(need, each, out=np.full(np.broadcast(need, each).shape, np.inf), where=each > 0)
    return np.asarray(np.ceil(ratio - WHOLE_TOLERANCE))


def calendar_life_years(life_years: ArrayLike, temp_c: FloatArray) -> FloatArray:
    """Life of batteries that stand at monthly temperatures (12,), from their life at 25 C; any shape.

    It halves per 10 K above 25 C (rule of Arrhenius, from memory); the cold adds nothing.
    """
    ageing = 2.0 ** (np.maximum(temp_c - LIFE_TEMP_C, 0.0) / LIFE_HALVES_PER_K)
    return np.asarray(np.asarray(life_years, dtype=float) / ageing.mean())


def replacement_factor(life_years: ArrayLike, *, horizon_years: float, discount_rate: float) -> FloatArray:
    """Present value of one unit of money spent at each end of a life before the horizon; any shape.

    `sum of (1 + rate)^-(n life)` over n = 1, 2, ... with n life < horizon.
    """
    life = np.asarray(life_years, dtype=float)
    number = np.ceil(horizon_years / life - 1e-9) - 1.0
    each = (1.0 + discount_rate) ** -life
    if discount_rate > 0:
        number = each * (1.0 - each**number) / (1.0 - each)  # a geometric series
    return np.asarray(number)
