"""Checks of sites, their horizon, their loads and schedules; their months stand in `month_checks`."""

from collections import defaultdict
from collections.abc import Iterator

from planner.errors import Problem
from planner.tables.checks import BUILT_IN_SCHEDULES, Check, Context
from planner.tables.part_checks import ascending

ZERO_DEG = 0.01  # both coordinates this near 0 are a blank that became 0: the place is open sea
AUTONOMY_DAYS_MAX = 20.0  # more is rare even for critical sites (common practice, no source)
ELEVATION_M_MAX = 5200.0  # about the highest settlement; more looks like feet (common practice, no source)


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


SITE_CHECKS: tuple[Check, ...] = (sites, horizon, load_profiles, schedules)
