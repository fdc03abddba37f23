"""The sun by month: extraterrestrial irradiation, day length, hour angles.

The methods are those of Duffie and Beckman, Solar Engineering of Thermal Processes, 4th ed., chapters 1 and
2; the sun's strength comes from pvlib. That is loaded where it is called, as it takes half a second, which
workers that design sites, and plans whose climate is known, need not wait for.
"""

import numpy as np
from numpy.typing import NDArray

from planner.units import MONTHS

FloatArray = NDArray[np.float64]

SOLAR_CONSTANT_W_M2 = 1366.1  # pvlib's default, ASTM E490
#: Mean days of the months: extraterrestrial irradiation is nearest the month's mean (Klein 1977).
MEAN_DAYS = np.array([17, 47, 75, 105, 135, 162, 198, 228, 258, 288, 318, 344])
MEAN_DAYS_TO_DEG = 60.0  # Klein's days are for lower latitudes; beyond, a mean day may lack the month's sun
#: Months of the days 1..365.
MONTH_OF_DAY = np.repeat(np.arange(MONTHS), [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])


def declination_rad(days: NDArray[np.integer]) -> FloatArray:
    """Declination of days of the year (Spencer 1971, in Duffie and Beckman), rad."""
    angle = 2.0 * np.pi / 365.0 * (np.asarray(days, dtype=float) - 1.0)
    return np.asarray(
        0.006918
        - 0.399912 * np.cos(angle)
        + 0.070257 * np.sin(angle)
        - 0.006758 * np.cos(2.0 * angle)
        + 0.000907 * np.sin(2.0 * angle)
        - 0.002697 * np.cos(3.0 * angle)
        + 0.00148 * np.sin(3.0 * angle)
    )


def extra_w_m2(days: NDArray[np.integer]) -> FloatArray:
    """Extraterrestrial irradiance normal to the beam (Spencer 1971), W/m2."""
    from pvlib import irradiance

    day = np.asarray(days, dtype=float)
    return np.asarray(irradiance.get_extra_radiation(day, SOLAR_CONSTANT_W_M2, method="spencer"), dtype=float)


def sunset_angle_rad(latitude_deg: FloatArray, declination: FloatArray) -> FloatArray:
    """Sunset hour angle, 0 in polar night and pi in polar day; broadcasts."""
    cosine = -np.tan(np.radians(np.clip(latitude_deg, -89.999, 89.999))) * np.tan(declination)
    return np.asarray(np.arccos(np.clip(cosine, -1.0, 1.0)))


def daily_extra_wh_m2(latitude_deg: FloatArray, days: NDArray[np.integer]) -> FloatArray:
    """Daily extraterrestrial irradiation on the horizontal (S, D), Wh/m2."""
    phi, delta = np.radians(np.asarray(latitude_deg, dtype=float))[:, None], declination_rad(days)[None, :]
    omega = sunset_angle_rad(np.asarray(latitude_deg, dtype=float)[:, None], delta)
    geometry = np.cos(phi) * np.cos(delta) * np.sin(omega) + omega * np.sin(phi) * np.sin(delta)
    return np.asarray(np.maximum(24.0 / np.pi * extra_w_m2(days)[None, :] * geometry, 0.0))


def _monthly(values: FloatArray) -> FloatArray:
    """Means over the days of each month (S, 365) -> (S, 12)."""
    starts = np.searchsorted(MONTH_OF_DAY, np.arange(MONTHS))
    return np.asarray(np.add.reduceat(values, starts, axis=1) / np.bincount(MONTH_OF_DAY))


def monthly_extra_wh_m2_day(latitude_deg: FloatArray) -> FloatArray:
    """Mean daily extraterrestrial irradiation of each month, over all its days (S, 12), Wh/m2."""
    return _monthly(daily_extra_wh_m2(latitude_deg, np.arange(1, 366)))


def typical_days(latitude_deg: FloatArray) -> NDArray[np.int64]:
    """Day of the year that stands for each month (S, 12).

    Klein's mean days up to 60 degrees of latitude. Beyond, the day of the month whose extraterrestrial
    irradiation is nearest the month's mean, so that a month with some sun gets a day with sun.
    """
    latitude = np.asarray(latitude_deg, dtype=float)
    days = np.broadcast_to(MEAN_DAYS, (len(latitude), MONTHS)).copy()
    polar = np.flatnonzero(np.abs(latitude) > MEAN_DAYS_TO_DEG)
    if len(polar):
        daily = daily_extra_wh_m2(latitude[polar], np.arange(1, 366))
        miss = np.abs(daily - _monthly(daily)[:, MONTH_OF_DAY])
        starts = np.searchsorted(MONTH_OF_DAY, np.arange(MONTHS + 1))
        for m in range(MONTHS):
            days[polar, m] = 1 + starts[m] + np.argmin(miss[:, starts[m]:starts[m + 1]], axis=1)
    return days


def day_hours(latitude_deg: FloatArray) -> FloatArray:
    """Mean day length of each month, over all its days (S, 12), h."""
    delta = declination_rad(np.arange(1, 366))[None, :]
    angle = sunset_angle_rad(np.asarray(latitude_deg, dtype=float)[:, None], delta)
    return _monthly(24.0 / np.pi * angle)


def lit_fraction(latitude_deg: FloatArray) -> FloatArray:
    """Share of each hour of solar time with the sun up, on the mean length of the day (S, 12, 24)."""
    half = day_hours(latitude_deg)[:, :, None] / 2.0
    start = np.arange(24.0)
    rise, fall = 12.0 - half, 12.0 + half
    return np.asarray(np.clip(np.minimum(start + 1, fall) - np.maximum(start, rise), 0.0, 1.0))


def default_azimuth_deg(latitude_deg: FloatArray) -> FloatArray:
    """Facing the equator: 180 in the north and on the equator, 0 in the south."""
    return np.where(np.asarray(latitude_deg) < 0, 0.0, 180.0)
