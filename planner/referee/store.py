"""What a battery gives in the cold, how deep it may go, what its heater draws.

References
----------
IEEE Std 485, table 1 (temperature factors), and US Army manual tables (freezing), both from memory.
"""

from collections.abc import Sequence
from itertools import pairwise
from math import erf, exp, pi, sqrt

from planner.tables.catalogue import BatteryRow, Chemistry

FACTORS = ((-3.9, 1.520), (4.4, 1.300), (10.0, 1.190), (15.6, 1.110), (21.1, 1.040), (25.0, 1.000))
FREEZING = ((-67.8, 1.280), (-52.2, 1.250), (-26.7, 1.200), (-15.0, 1.150), (-7.2, 1.100))
GRAVITY_FULL, GRAVITY_FLAT = 1.280, 1.160
HOURS_SDS, HOURS_SD_LEAST_K = 2.5, 0.5  # coldest hour under the coldest month's mean; least spread
PACK_V = 9.0  # a block of less is one or a few cells


def between(x: float, points: Sequence[tuple[float, float]]) -> float:
    """Straight lines between points, level beyond them."""
    if x <= points[0][0]:
        return points[0][1]
    for (left, low), (right, high) in pairwise(points):
        if x <= right:
            return low + (high - low) * (x - left) / (right - left)
    return points[-1][1]


def lead_acid(row: BatteryRow) -> bool:
    """AGM and gel."""
    return row.chemistry is not Chemistry.LFP


def size_factor(row: BatteryRow, temp_c: float) -> float:
    """Rated capacity needed per unit of capacity at 25 C; lines go on below the table, no credit above."""
    if not lead_acid(row):
        return 1.0
    (t0, f0), (t1, f1) = FACTORS[:2]
    return between(temp_c, FACTORS) + (f1 - f0) / (t1 - t0) * min(temp_c - t0, 0.0)


def depth(row: BatteryRow, coldest_c: float) -> float:
    """Deepest discharge: the maker's, and none at which the electrolyte freezes."""
    if not lead_acid(row):
        return row.depth_of_discharge_max
    charge = (between(coldest_c, FREEZING) - GRAVITY_FLAT) / (GRAVITY_FULL - GRAVITY_FLAT)
    return min(row.depth_of_discharge_max, 1.0 - max(0.0, min(1.0, charge)))


def class_v(row: BatteryRow) -> float:
    """12.8 V counts as 12; of single cells, four of iron phosphate or six of lead make 12 V."""
    if row.nominal_v >= PACK_V:
        return 12.0 * round(row.nominal_v / 12.0)
    return row.cells * (2.0 if lead_acid(row) else 3.0)


def heater_wh(row: BatteryRow, coldest_c: float, temp_air_c: Sequence[float]) -> list[float]:
    """Daily energy of one block's heater by month.

    Rated power at its lowest temperature, above that in proportion to the degrees under its charging
    temperature; hours spread normally about the month's mean.
    """
    keep, least = row.charge_temp_min_c, row.temp_min_c
    if not row.heater_w or keep <= coldest_c or keep <= least:
        return [0.0] * len(temp_air_c)
    sd = max(min(temp_air_c) - coldest_c, 0.0) / HOURS_SDS + HOURS_SD_LEAST_K
    return [
        24.0 * row.heater_w * (_under(keep, mean, sd) - _under(least, mean, sd)) / (keep - least)
        for mean in temp_air_c
    ]


def _under(level: float, mean: float, sd: float) -> float:
    """Mean of `max(level - T, 0)` over a normal spread."""
    z = (level - mean) / sd
    return sd * (z * 0.5 * (1.0 + erf(z / sqrt(2.0))) + exp(-0.5 * z * z) / sqrt(2.0 * pi))
