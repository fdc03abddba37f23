"""What no weather file may hold, and what deserves a second look."""

import numpy as np

from planner.climate.builtin import EARTH_RADIUS_KM, unit_vectors
from planner.climate.weather import DAY_S, HOUR_S, Weather, in_order
from planner.errors import Problem, Severity

GHI_NEGATIVE_W_M2 = -15.0  # thermal offset of pyranometers at night (ISO 9060: 7 to 30), taken as 0
GHI_MAX_W_M2 = 1500.0  # an hour's mean; above the solar constant, which clouds' edges pass for minutes only
TEMP_RANGE_C = (-90.0, 60.0)  # the records on the ground are -89.2 and 56.7 (WMO, from memory)
DISTANCE_WARNING_KM = 50.0  # weather differs beyond (common practice, no source)
DISTANCE_MAX_KM = 300.0  # as for the cells of the built-in climate
NOON_OFF_MAX_H = 1.0  # equation of time (0.3 h), half an interval (0.5 h) and some morning fog


def weather_problems(weather: Weather, *, latitude_deg: float, longitude_deg: float) -> list[Problem]:
    """Faults of a file for a site: order, values, the time of noon, distance."""
    problems = [*in_order(weather), *_values(weather)]
    if not problems:
        problems += _noon(weather, longitude_deg)
    return [*problems, *_distance(weather, latitude_deg, longitude_deg)]


def _values(weather: Weather) -> list[Problem]:
    ghi, temp = weather.ghi_w_m2, weather.temp_air_c
    if not np.nansum(np.maximum(ghi, 0.0)) > 0:
        return [
            weather.problem(
                code="no-irradiation",
                message="holds no global horizontal irradiance",
                remedy="use a file that has it; beam or diffuse light alone does not do",
            )
        ]
    coldest, hottest = TEMP_RANGE_C
    with np.errstate(invalid="ignore"):
        found = [
            ("negative-irradiation", "ghi", ghi, ghi < GHI_NEGATIVE_W_M2, f"{GHI_NEGATIVE_W_M2:g} or more"),
            ("implausible-irradiation", "ghi", ghi, ghi > GHI_MAX_W_M2, f"{GHI_MAX_W_M2:g} W/m2 or less"),
            (
                "implausible-temperature",
                "temp_air",
                temp,
                (temp < coldest) | (temp > hottest),
                f"{coldest:g} to {hottest:g} C",
            ),
        ]
    return [
        weather.problem(
            at=int(np.flatnonzero(wrong)[0]),
            code=code,
            column=column,
            value=f"{values[np.flatnonzero(wrong)[0]]:.5g}",
            message=f"cannot be; {int(wrong.sum())} hours like it",
            remedy="check the unit, and leave cells blank where nothing was measured",
            rule=rule,
        )
        for code, column, values, wrong, rule in found
        if wrong.any()
    ]


def noon_off_h(weather: Weather, longitude_deg: float) -> float:
    """How far the middle of the light lies after solar noon, h, over all hours of a file."""
    light = np.maximum(np.nan_to_num(weather.ghi_w_m2), 0.0)
    middle_s = weather.start_s + HOUR_S / 2 + DAY_S * longitude_deg / 360.0
    angle = 2 * np.pi * (middle_s % DAY_S) / DAY_S
    mean = np.arctan2((light * np.sin(angle)).sum(), (light * np.cos(angle)).sum())
    return float((24.0 * mean / (2 * np.pi)) % 24.0 - 12.0)


def _noon(weather: Weather, longitude_deg: float) -> list[Problem]:
    off = noon_off_h(weather, longitude_deg)
    if abs(off) <= NOON_OFF_MAX_H:
        return []
    return [
        weather.problem(
            severity=Severity.WARNING,
            code="noon-off",
            value=f"{off:+.1f} h",
            message="the middle of the light is that far from solar noon at the site",
            remedy="check time_zone and stamp, and the site's longitude",
            rule=f"within {NOON_OFF_MAX_H:g} h",
        )
    ]


def distance_km(weather: Weather, latitude_deg: float, longitude_deg: float) -> float:
    """Great-circle distance from the file's station to a site; NaN where the station is not known."""
    here, there = unit_vectors(
        np.array([latitude_deg, weather.latitude_deg]), np.array([longitude_deg, weather.longitude_deg])
    )
    chord = float(np.linalg.norm(here - there))
    return 2 * EARTH_RADIUS_KM * float(np.arcsin(min(chord / 2, 1.0))) if chord == chord else np.nan


def _distance(weather: Weather, latitude_deg: float, longitude_deg: float) -> list[Problem]:
    far = distance_km(weather, latitude_deg, longitude_deg)
    if not far > DISTANCE_WARNING_KM:
        return []
    refused = far > DISTANCE_MAX_KM
    limit = DISTANCE_MAX_KM if refused else DISTANCE_WARNING_KM
    return [
        weather.problem(
            severity=Severity.ERROR if refused else Severity.WARNING,
            code="far-from-site",
            value=f"{far:.0f} km",
            message="is the distance of the file's station from the site",
            remedy="use a nearer file; check the signs of the coordinates",
            rule=f"{limit:g} km or less",
        )
    ]
