"""Months of a site from the hours of its weather files."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.climate.monthly import CLEARNESS_MAX, TWILIGHT_WH_M2_DAY
from planner.climate.sun import daily_extra_wh_m2, monthly_extra_wh_m2_day
from planner.climate.weather import DAY_S, HOUR_S, FloatArray, IntArray, Weather, stamp_text
from planner.errors import Problem, Severity
from planner.units import MONTHS

CLASSES = 21  # equally likely classes of days, as in the built-in climate
#: A month counts if it lacks fewer days than these (WMO-No. 1203, 2017, section 4.4.1, from memory).
DAYS_MISSING, DAYS_MISSING_RUN = 11, 5
DAYS_FOR_CLASSES = 21  # of a calendar month; with fewer, days of the built-in climate are scaled
HOURS_FOR_MEAN_TEMPERATURE = 20  # of a day (common practice, no source)
EXTRA_LEAST_WH_M2 = 100.0  # a day with less light above the atmosphere has no clearness to speak of


@dataclass(frozen=True, slots=True, kw_only=True)
class FileClimate:
    """What the weather files of one site say of it.

    Attributes
    ----------
    ghi_wh_m2_day : (12,)
    temp_air_c : (12,)
        NaN where the files have no temperature.
    temp_min_c, temp_max_c : float
        Of all hours; a typical year does not hold the extremes.
    clearness : (12, 21)
        Means of equally likely classes of days, NaN in months with too few days.
    elevation_m : float
        Mean of the stations; NaN where unknown.
    """

    ghi_wh_m2_day: FloatArray
    temp_air_c: FloatArray
    temp_min_c: float
    temp_max_c: float
    clearness: FloatArray
    elevation_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Days:
    """Local days (D,) of one file.

    `month` counts months since January 1970; `ghi_wh_m2` is NaN on days that lack an hour.
    """

    month: IntArray
    day_of_year: IntArray
    ghi_wh_m2: FloatArray
    temp_mean_c: FloatArray


def days_of(weather: Weather, longitude_deg: float) -> Days:
    """Local days from the first to the last of a file, those without any hour too."""
    local = weather.start_s + weather.local_offset_s(longitude_deg)
    day = local // DAY_S
    first, count = int(day[0]), int(day[-1] - day[0]) + 1

    def per_day(values: FloatArray) -> tuple[FloatArray, IntArray]:
        known = np.isfinite(values)
        at = day[known] - first
        total = np.bincount(at, values[known], count).astype(np.float64)
        return total, np.bincount(at, minlength=count).astype(np.int64)

    light, light_hours = per_day(np.where(weather.ghi_w_m2 < 0, 0.0, weather.ghi_w_m2))
    warmth, warm_hours = per_day(weather.temp_air_c)
    date = np.arange(first, first + count).astype("datetime64[D]")
    year = date.astype("datetime64[Y]")
    return Days(
        month=date.astype("datetime64[M]").astype(np.int64),
        day_of_year=np.minimum((date - year.astype("datetime64[D]")).astype(np.int64) + 1, 365),
        ghi_wh_m2=np.where(light_hours == 24, light, np.nan),
        temp_mean_c=np.divide(
            warmth,
            warm_hours,
            out=np.full(count, np.nan),
            where=warm_hours >= HOURS_FOR_MEAN_TEMPERATURE,
        ),
    )


def counted_months(days: Days) -> dict[int, NDArray[np.bool_]]:
    """Months (since 1970) that lack few enough days, each with the mask of its complete days."""
    counted = {}
    for month in np.unique(days.month).tolist():
        inside = days.month == month
        starts = np.datetime64(int(month), "M"), np.datetime64(int(month) + 1, "M")
        length = int((starts[1].astype("datetime64[D]") - starts[0].astype("datetime64[D]")).astype(int))
        whole = np.isfinite(days.ghi_wh_m2[inside])
        missing = np.concatenate([~whole, np.ones(length - len(whole), dtype=bool)])
        if missing.sum() < DAYS_MISSING and _longest_run(missing) < DAYS_MISSING_RUN:
            counted[int(month)] = inside & np.isfinite(days.ghi_wh_m2)
    return counted


def _longest_run(missing: NDArray[np.bool_]) -> int:
    edges = np.diff(np.concatenate([[0], missing.astype(np.int64), [0]]))
    lengths = np.flatnonzero(edges == -1) - np.flatnonzero(edges == 1)
    return int(lengths.max(initial=0))


def file_climate(
    weathers: Sequence[Weather], *, latitude_deg: float, longitude_deg: float
) -> tuple[FileClimate | None, list[Problem]]:
    """Means by calendar month over all files and years of a site; each month of a year weighs the same.

    Returns
    -------
    FileClimate or None
        None where a calendar month is complete in no year.
    list of Problem
        Hours and months that are missing.
    """
    light: list[list[float]] = [[] for _ in range(MONTHS)]
    warmth: list[list[float]] = [[] for _ in range(MONTHS)]
    clearness: list[list[FloatArray]] = [[] for _ in range(MONTHS)]
    problems: list[Problem] = []
    for weather in weathers:
        days = days_of(weather, longitude_deg)
        extra = daily_extra_wh_m2(np.array([latitude_deg]), np.arange(1, 366))[0][days.day_of_year - 1]
        counted = counted_months(days)
        problems += _gaps(weather, days, counted, longitude_deg)
        for month, whole in counted.items():
            m = month % MONTHS
            light[m].append(float(days.ghi_wh_m2[whole].mean()))
            known = np.isfinite(days.temp_mean_c) & (days.month == month)
            if known.sum() > whole.sum() - DAYS_MISSING:
                warmth[m].append(float(days.temp_mean_c[known].mean()))
            bright = whole & (extra > EXTRA_LEAST_WH_M2)
            clearness[m].append(days.ghi_wh_m2[bright] / extra[bright])
    absent = [m for m in range(MONTHS) if not light[m]]
    if absent:
        return None, [*problems, _incomplete(weathers, absent, longitude_deg)]
    ghi = np.array([np.mean(values) for values in light])
    problems += _too_bright(weathers, ghi, latitude_deg)
    temp = np.concatenate([weather.temp_air_c for weather in weathers])
    known_temp = temp[np.isfinite(temp)]
    return FileClimate(
        ghi_wh_m2_day=ghi,
        temp_air_c=np.array([np.mean(values) if values else np.nan for values in warmth]),
        temp_min_c=float(known_temp.min()) if len(known_temp) else np.nan,
        temp_max_c=float(known_temp.max()) if len(known_temp) else np.nan,
        clearness=np.stack([day_classes(np.concatenate(parts)) for parts in clearness]),
        elevation_m=_mean([weather.elevation_m for weather in weathers]),
    ), problems


def _mean(values: Sequence[float]) -> float:
    known = [value for value in values if value == value]
    return sum(known) / len(known) if known else np.nan


def day_classes(clearness: FloatArray) -> FloatArray:
    """Mean clearness index of 21 equally likely classes of days (D,); NaN with too few days.

    The means of the classes are differences of the integral of the quantile function, so that they keep
    the mean over the days.
    """
    if len(clearness) < DAYS_FOR_CLASSES:
        return np.full(CLASSES, np.nan)
    days = np.sort(np.clip(clearness, 0.0, CLEARNESS_MAX))
    sums = np.concatenate([[0.0], np.cumsum(days)]) / len(days)
    at = np.interp(np.linspace(0, 1, CLASSES + 1), np.linspace(0, 1, len(days) + 1), sums)
    return CLASSES * np.diff(at)


def _gaps(
    weather: Weather, days: Days, counted: dict[int, NDArray[np.bool_]], longitude_deg: float
) -> list[Problem]:
    """A warning for hours missing between a file's first and last whole day."""
    whole = np.flatnonzero(np.isfinite(days.ghi_wh_m2))
    if not len(whole):
        return []
    inside = np.arange(len(days.month))
    missing = np.flatnonzero(np.isnan(days.ghi_wh_m2) & (inside > whole[0]) & (inside < whole[-1]))
    if not len(missing):
        return []
    dropped = sorted({int(m) for m in days.month[missing] if int(m) not in counted})
    names = ", ".join(str(np.datetime64(m, "M")) for m in dropped)
    at = _before_gap(weather)
    return [
        weather.problem(
            severity=Severity.WARNING,
            at=at,
            code="missing-hours",
            value=f"{len(missing)} days",
            message="lack hours and do not count"
            + (f"; nor do these months, which lack too many: {names}" if names else ""),
            remedy="fill the hours, or accept the mean of the other days",
            rule=f"under {DAYS_MISSING} days of a month, under {DAYS_MISSING_RUN} together",
        )
    ]


def _before_gap(weather: Weather) -> int:
    """Place of the first hour that has no irradiance, or after which an hour is not there."""
    gap = np.concatenate([np.diff(weather.start_s) != HOUR_S, [False]])
    return int(np.argmax(gap | np.isnan(weather.ghi_w_m2)))


def _too_bright(weathers: Sequence[Weather], ghi: FloatArray, latitude_deg: float) -> list[Problem]:
    """The month furthest above what the clearest sky lets through."""
    most = CLEARNESS_MAX * monthly_extra_wh_m2_day(np.array([latitude_deg]))[0]
    excess = np.where(most > CLEARNESS_MAX * TWILIGHT_WH_M2_DAY, ghi - most, 0.0)
    month = int(np.argmax(excess))
    if excess[month] <= 0:
        return []
    return [
        weathers[0].problem(
            code="implausible-irradiation",
            column="ghi",
            value=f"{ghi[month]:.0f} Wh/m2/day",
            message=f"is the mean of month {month + 1}, more than the clearest sky lets through at the site",
            remedy="check the unit, the station, and that north and south are not swapped",
            rule=f"{most[month]:.0f} Wh/m2/day or less",
        )
    ]


def _incomplete(weathers: Sequence[Weather], absent: Sequence[int], longitude_deg: float) -> Problem:
    """The months that no file has, at the first gap of the first file."""
    weather = weathers[0]
    offset = weather.local_offset_s(longitude_deg)
    span = " to ".join(stamp_text(weather.start_s[i] + offset) for i in (0, -1))
    months = ", ".join(str(m + 1) for m in absent)
    rest = f" and {len(weathers) - 1} more files" if len(weathers) > 1 else ""
    return weather.problem(
        at=_before_gap(weather),
        code="incomplete-year",
        value=months,
        message=f"are months of which the file ({span}){rest} lacks too many days",
        remedy="give a file with all twelve months, or a further file of the site that has these",
        rule=f"under {DAYS_MISSING} days of a month missing, under {DAYS_MISSING_RUN} together",
    )
