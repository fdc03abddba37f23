"""Whole years of a site's own weather files, in place of drawn ones."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from planner.climate.file_months import EXTRA_LEAST_WH_M2, Days, counted_months, days_of
from planner.climate.monthly import CLEARNESS_MAX
from planner.climate.sun import MONTH_OF_DAY, daily_extra_wh_m2
from planner.climate.weather import Weather
from planner.reliability.years import DAYS, YEARS, Float32Array, relative_days
from planner.units import MONTHS

FloatArray = NDArray[np.float64]

#: With fewer, years drawn from the same files' classes of days hold more grey spells than the files do.
OWN_YEARS_LEAST = 10
LEAP_DAY = 59  # place of 29 February in a year of 366 days


def own_clearness(weathers: Sequence[Weather], *, latitude_deg: float, longitude_deg: float) -> FloatArray:
    """Daily clearness index (Y, 365) of the whole calendar years of a site's files, in the files' order.

    A year counts if its twelve months do (`counted_months`); days that lack an hour are filled in a straight
    line between their neighbours, and 29 February is left out.
    """
    extra = daily_extra_wh_m2(np.array([latitude_deg]), np.arange(1, DAYS + 1))[0]
    lit = extra > EXTRA_LEAST_WH_M2
    found = []
    for weather in weathers:
        for ghi in _whole_years(days_of(weather, longitude_deg)):
            clearness = np.divide(ghi, extra, out=np.zeros(DAYS), where=lit)
            found.append(np.clip(_filled(clearness), 0.0, CLEARNESS_MAX))
    return np.stack(found) if found else np.zeros((0, DAYS))


def _whole_years(days: Days) -> list[FloatArray]:
    """Daily irradiation (365,) of the years whose months all count, NaN on days that lack an hour."""
    counted, year = set(counted_months(days)), days.month // MONTHS
    found = []
    for one in np.unique(year).tolist():
        if all(one * MONTHS + month in counted for month in range(MONTHS)) and (year == one).sum() >= DAYS:
            ghi = days.ghi_wh_m2[year == one]
            found.append(np.delete(ghi, LEAP_DAY) if len(ghi) > DAYS else ghi)
    return found


def _filled(values: FloatArray) -> FloatArray:
    known = np.flatnonzero(np.isfinite(values))
    return np.interp(np.arange(len(values)), known, values[known])


def real_years(
    clearness: FloatArray, *, class_clearness: FloatArray, class_wh_m2: FloatArray, years: int = YEARS
) -> Float32Array:
    """Relative daily irradiation ((1 + years) x 365,) of a site's own years, repeated in their order.

    Repetition fills the time axis that all sites of a batch share; it resolves nothing that the own years do
    not, so `unresolved` is asked with their number.

    Parameters
    ----------
    clearness : (Y, 365)
        From `own_clearness`.
    class_clearness, class_wh_m2 : (12, Q)
        Clearness and plane irradiation of each month's classes of days: the way from one to the other. A day
        darker than the darkest class is taken in proportion.
    """
    days = np.empty(clearness.shape)
    for month in range(MONTHS):
        own = month == MONTH_OF_DAY
        known = np.concatenate([[0.0], class_clearness[month]]), np.concatenate([[0.0], class_wh_m2[month]])
        days[:, own] = np.interp(clearness[:, own], *known)
    days = relative_days(np.concatenate([days[-1:], days]))[1:]
    return np.resize(days, (1 + years, DAYS)).astype(np.float32).ravel()
