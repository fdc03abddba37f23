"""Checks of sites, their months, their horizon, their loads and schedules."""

from collections import defaultdict
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from planner.errors import Problem
from planner.tables.checks import BUILT_IN_SCHEDULES, Check, Context
from planner.tables.part_checks import ascending
from planner.units import MONTHS

ZERO_DEG = 0.01  # both coordinates this near 0 are a blank that became 0: the place is open sea
AUTONOMY_DAYS_MAX = 20.0  # more is rare even for critical sites (common practice, no source)
ELEVATION_M_MAX = 5200.0  # about the highest settlement; more looks like feet (common practice, no source)
SOLAR_CONSTANT_W_M2 = 1361.0  # total solar irradiance (Kopp and Lean 2011, doi 10.1029/2010GL045777)
CLEARNESS_MAX = 0.85  # no place's monthly mean reaches it (common practice, no source)
IRRADIATION_SLACK_WH = 150.0  # for polar months whose mean day is dark while some of its days are not
IRRADIATION_KWH_MAX = 15.0  # a year without a month above it was typed in kWh
MEAN_DAY = np.array([17, 47, 75, 105, 135, 162, 198, 228, 258, 288, 318, 344])  # Klein 1977


def extraterrestrial_wh_m2_day(
    latitude_deg: NDArray[np.float64], month: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Daily horizontal irradiation above the atmosphere on the mean day of a month.

    Parameters
    ----------
    latitude_deg, month : array
        Equal shapes; months 1 to 12.

    Returns
    -------
    array
        [Wh/m2] of the same shape; 0 in polar night.

    References
    ----------
    Duffie and Beckman, Solar Engineering of Thermal Processes, eqs. 1.6.1 and 1.10.3; Klein 1977
    for the days.
    """
    day = MEAN_DAY[month - 1]
    declination = np.radians(23.45 * np.sin(2 * np.pi * (284 + day) / 365))
    latitude = np.radians(np.clip(latitude_deg, -89.99, 89.99))
    sunset = np.arccos(np.clip(-np.tan(latitude) * np.tan(declination), -1, 1))
    height = np.cos(latitude) * np.cos(declination) * np.sin(sunset) + sunset * np.sin(latitude) * np.sin(
        declination
    )
    distance = 1 + 0.033 * np.cos(2 * np.pi * day / 365)
    daily: NDArray[np.float64] = 24 / np.pi * SOLAR_CONSTANT_W_M2 * distance * height
    return np.maximum(daily, 0.0)


def sites(context: Context) -> Iterator[Problem]:
    """Coordinates that were never filled in, temperatures in order, unusual reserves."""
    table = context.tables["sites"]
    for at, row in enumerate(table.rows):
        if abs(row.latitude_deg) < ZERO_DEG and abs(row.longitude_deg) < ZERO_DEG:
            yield table.problem(
                at,
                code="site-at-zero",
                column="latitude_deg",
                value=row.latitude_deg,
                message="latitude and longitude are both 0, which is open sea",
                remedy="write the site's coordinates",
            )
        if row.temp_air_min_c is not None:
            yield from ascending(table, at, "temp_air_min_c", "temp_air_max_c", strict=True)
        if row.autonomy_days is not None and row.autonomy_days > AUTONOMY_DAYS_MAX:
            yield table.warning(
                at,
                code="implausible",
                column="autonomy_days",
                value=row.autonomy_days,
                rule=f"{AUTONOMY_DAYS_MAX:g} or less",
                message="is a very long reserve",
                remedy="write days, not hours; the battery grows in proportion",
            )
        if row.elevation_m is not None and row.elevation_m > ELEVATION_M_MAX:
            yield table.warning(
                at,
                code="implausible",
                column="elevation_m",
                value=row.elevation_m,
                rule=f"{ELEVATION_M_MAX:g} or less",
                message="is higher than any settlement",
                remedy="write metres, not feet",
            )


def months(context: Context) -> Iterator[Problem]:
    """A site states irradiation for all twelve months or for none."""
    table = context.tables["site_months"]
    stated: dict[str, set[int]] = defaultdict(set)
    first: dict[str, int] = {}
    for at, row in enumerate(table.rows):
        if row.ghi_wh_m2_day is not None:
            stated[row.site_id].add(row.month)
            first.setdefault(row.site_id, at)
    for site_id, present in stated.items():
        if len(present) < MONTHS:
            absent = ", ".join(str(month) for month in range(1, MONTHS + 1) if month not in present)
            yield table.problem(
                first[site_id],
                code="incomplete-year",
                column="ghi_wh_m2_day",
                value=site_id,
                message=f"is stated for {len(present)} months of the site only; months without it: {absent}",
                remedy="state all twelve, or none to use the built-in climate",
                rule="12 months or none",
            )


def irradiation(context: Context) -> Iterator[Problem]:
    """Irradiation that the sky cannot give, or that was typed in kWh."""
    table = context.tables["site_months"]
    latitude = {row.site_id: row.latitude_deg for row in context.rows("sites")}
    at = [i for i, row in enumerate(table.rows) if row.ghi_wh_m2_day is not None and row.site_id in latitude]
    if not at:
        return
    chosen = [table.rows[i] for i in at]
    ghi = np.array([row.ghi_wh_m2_day for row in chosen], dtype=float)
    sky = extraterrestrial_wh_m2_day(
        np.array([latitude[row.site_id] for row in chosen]),
        np.array([row.month for row in chosen], dtype=np.int64),
    )
    for i in np.flatnonzero(ghi > CLEARNESS_MAX * sky + IRRADIATION_SLACK_WH):
        yield table.warning(
            at[i],
            code="implausible",
            column="ghi_wh_m2_day",
            value=chosen[i].ghi_wh_m2_day,
            rule=f"at most {CLEARNESS_MAX * sky[i] + IRRADIATION_SLACK_WH:.0f}",
            message=f"is more than a clear sky gives at this latitude in month {chosen[i].month}",
            remedy="write Wh per m2 and mean day, not a monthly sum; north and south may be swapped",
        )
    most: dict[str, tuple[float, int]] = {}
    for place, row in zip(at, chosen, strict=True):
        most[row.site_id] = max(most.get(row.site_id, (-1.0, place)), (row.ghi_wh_m2_day, place))
    for value, place in most.values():
        if 0 < value < IRRADIATION_KWH_MAX:
            yield table.warning(
                place,
                code="implausible",
                column="ghi_wh_m2_day",
                value=value,
                rule=f"over {IRRADIATION_KWH_MAX:g} in some month",
                message="is the site's best month",
                remedy="write Wh per m2 and day, not kWh",
            )


def horizon(context: Context) -> Iterator[Problem]:
    """A horizon line of one point hides the sun all around."""
    table = context.tables["horizon"]
    points: dict[str, list[int]] = defaultdict(list)
    for at, row in enumerate(table.rows):
        points[row.site_id].append(at)
    for places in points.values():
        if len(places) == 1 and table.rows[places[0]].elevation_deg > 0:
            yield table.warning(
                places[0],
                code="single-point",
                column="azimuth_deg",
                value=table.rows[places[0]].azimuth_deg,
                message="is the only point of the site's horizon, which then has this height all around",
                remedy="add the points where the horizon is low",
            )


def load_profiles(context: Context) -> Iterator[Problem]:
    """Profiles that no site runs: often one letter away from one that is."""
    table, used = context.tables["loads"], context.tables["sites"].values("load_profile")
    said: set[str] = set()
    for at, row in enumerate(table.rows):
        if row.load_profile not in used and row.load_profile not in said and context.tables["sites"].known:
            said.add(row.load_profile)
            yield table.warning(
                at,
                code="not-used",
                column="load_profile",
                value=row.load_profile,
                message="is run by no site",
                remedy="name it in sites, or delete its rows",
            )


def schedules(context: Context) -> Iterator[Problem]:
    """Own schedules leave the built-in names alone and are on at some time."""
    table = context.tables["schedules"]
    for at, row in enumerate(table.rows):
        if row.schedule in BUILT_IN_SCHEDULES:
            yield table.problem(
                at,
                code="reserved-name",
                column="schedule",
                value=row.schedule,
                message="is a built-in schedule",
                remedy="give it another name",
                rule="not always, day or night",
            )
        if not any(getattr(row, f"h{hour:02d}") for hour in range(24)):
            yield table.warning(
                at,
                code="never-on",
                column="schedule",
                value=row.schedule,
                message="is never on",
                remedy="correct its hours",
            )


SITE_CHECKS: tuple[Check, ...] = (sites, months, irradiation, horizon, load_profiles, schedules)
