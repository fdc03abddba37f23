"""The sun and a second sky: monthly, isotropic, in plain arithmetic.

Where the planner spreads classes of days over hours under Perez's sky, this takes the month's diffuse share
from its mean clearness (Erbs, Klein and Duffie 1982), an even sky (Liu and Jordan 1960) and the ratio of beam
on the plane to beam on the horizontal (Klein 1977; Klein and Theilacker 1981). What an output limit clips
follows from monthly utilizability (Klein 1978).

References
----------
Duffie and Beckman, Solar Engineering of Thermal Processes, 4th ed.: eqs. 1.6.1 to 1.10.3 (sun), 2.12.1
(monthly diffuse), 2.13.1 to 2.13.4 (shares of an hour), 2.19 and 2.20 (plane), 2.24 (utilizability); from
memory.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from math import acos, atan2, cos, degrees, exp, pi, radians, sin, tan

SOLAR_CONSTANT_W_M2 = 1366.1  # ASTM E490
MONTH_DAYS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
WINTER_SUNSET_DEG = 81.4  # up to this hour angle Erbs's winter correlation holds
POLE_DEG = 89.99
SAMPLE_DAYS = (3, 9, 15, 21, 27)  # of a month: beyond the polar circles no single day stands for it
MIDDLE_DAY = 15
ALIKE = 1e-12  # a plane that faces along the meridian, but for rounding
STEPS = 12  # from noon to sunset


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """A day: its month 0..11, the sun's declination (rad), irradiance above the atmosphere (W/m2)."""

    month: int
    declination: float
    extra_w_m2: float


def _day(number: int, month: int) -> Day:
    """Spencer's series (1971)."""
    b = 2.0 * pi * (number - 1) / 365.0
    declination = (
        0.006918 - 0.399912 * cos(b) + 0.070257 * sin(b) - 0.006758 * cos(2 * b) + 0.000907 * sin(2 * b)
        - 0.002697 * cos(3 * b) + 0.00148 * sin(3 * b)
    )  # fmt: skip
    distance = 1.00011 + 0.034221 * cos(b) + 0.00128 * sin(b) + 0.000719 * cos(2 * b) + 0.000077 * sin(2 * b)
    return Day(month=month, declination=declination, extra_w_m2=SOLAR_CONSTANT_W_M2 * distance)


@lru_cache(maxsize=1)
def year() -> tuple[tuple[Day, ...], ...]:
    """The days of a year, month by month."""
    months, number = [], 0
    for month, length in enumerate(MONTH_DAYS):
        months.append(tuple(_day(number + d, month) for d in range(1, length + 1)))
        number += length
    return tuple(months)


def noon_height_deg(latitude_deg: float, month: int) -> float:
    """Height of the sun at noon in the middle of a month (0..11)."""
    middle = year()[month][MIDDLE_DAY - 1]
    return 90.0 - abs(latitude_deg - degrees(middle.declination))


def sunset_rad(latitude_deg: float, declination: float) -> float:
    """Hour angle of sunset: 0 in polar night, pi in polar day."""
    cosine = -tan(radians(max(-POLE_DEG, min(POLE_DEG, latitude_deg)))) * tan(declination)
    return acos(max(-1.0, min(1.0, cosine)))


def extra_wh_m2(latitude_deg: float, day: Day) -> float:
    """Irradiation of the horizontal above the atmosphere on a day, Wh/m2."""
    return _extra_wh_m2(latitude_deg, day, sunset_rad(latitude_deg, day.declination))


def _extra_wh_m2(latitude_deg: float, day: Day, sunset: float) -> float:
    phi, delta = radians(latitude_deg), day.declination
    height = cos(phi) * cos(delta) * sin(sunset) + sunset * sin(phi) * sin(delta)
    return max(0.0, 24.0 / pi * day.extra_w_m2 * height)


def monthly(latitude_deg: float) -> list[tuple[float, float]]:
    """Mean of each month: irradiation above the atmosphere (Wh/m2 a day) and day length (h)."""
    means = []
    for days in year():
        sunsets = [sunset_rad(latitude_deg, day.declination) for day in days]
        extra = sum(_extra_wh_m2(latitude_deg, day, angle) for day, angle in zip(days, sunsets, strict=True))
        means.append((extra / len(days), 24.0 / pi * sum(sunsets) / len(days)))
    return means


def diffuse_share(clearness: float, sunset: float) -> float:
    """Diffuse share of a month's irradiation from its mean clearness index."""
    k = max(0.0, min(0.8, clearness))
    if degrees(sunset) <= WINTER_SUNSET_DEG:
        share = 1.391 - 3.560 * k + 4.189 * k**2 - 2.137 * k**3
    else:
        share = 1.311 - 3.022 * k + 3.427 * k**2 - 1.821 * k**3
    return max(0.0, min(1.0, share))


@dataclass(frozen=True, slots=True, kw_only=True)
class Plane:
    """A plane at a place, with the points of its horizon (azimuth and height in degrees), if any."""

    latitude_deg: float
    tilt_deg: float
    azimuth_deg: float
    horizon: Sequence[tuple[float, float]] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthOnPlane:
    """A month's mean day on a plane: irradiation (Wh/m2), its ratio to the horizontal's, and the same at noon
    with the irradiance there (W/m2), for what a limit clips.
    """

    poa_wh_m2: float
    ratio: float
    noon_ratio: float
    noon_w_m2: float
    clearness: float


def month_on_plane(
    plane: Plane, month: int, *, ghi_wh_m2: float, extra_wh_m2_day: float, albedo: float, kept: float
) -> MonthOnPlane:
    """A mean day of a month (0..11) on a plane; `kept` is what shade and snow leave.

    `H_T = H ((1 - D) R_b + D (1 + cos b) / 2 + albedo (1 - cos b) / 2)` (Liu and Jordan; Klein).
    """
    days = [year()[month][d - 1] for d in SAMPLE_DAYS]
    middle = (
        max(days, key=lambda day: extra_wh_m2(plane.latitude_deg, day)) if _dark(plane, days[2]) else days[2]
    )
    sunset = sunset_rad(plane.latitude_deg, middle.declination)
    clearness = ghi_wh_m2 / extra_wh_m2_day if extra_wh_m2_day > 0 else 0.0
    diffuse = diffuse_share(clearness, sunset)
    tilt = radians(plane.tilt_deg)
    dome, ground = (1.0 + cos(tilt)) / 2.0, albedo * (1.0 - cos(tilt)) / 2.0
    ratio = (1.0 - diffuse) * beam_ratio(plane, days, diffuse) + diffuse * dome + ground
    at_noon, at_noon_diffuse = noon_shares(sunset)
    noon_diffuse = diffuse * at_noon_diffuse / at_noon if at_noon > 0 else 1.0
    noon_ratio = max(0.0, 1.0 - noon_diffuse) * _noon_beam_ratio(plane, middle) + noon_diffuse * dome + ground
    return MonthOnPlane(
        poa_wh_m2=ghi_wh_m2 * ratio * kept,
        ratio=ratio,
        noon_ratio=noon_ratio,
        noon_w_m2=ghi_wh_m2 * at_noon * noon_ratio * kept,
        clearness=clearness,
    )


def _dark(plane: Plane, day: Day) -> bool:
    return extra_wh_m2(plane.latitude_deg, day) <= 0.0


def beam_ratio(plane: Plane, days: Sequence[Day], diffuse: float) -> float:
    """Beam on the plane over beam on the horizontal, over some days with a diffuse share; 0 without sun.

    The beam of an hour is what its share of the day's global irradiation exceeds that of the diffuse by
    (Klein and Theilacker 1981): `a + b cos w - D` of what it is above the atmosphere.
    """
    on_plane = on_level = 0.0
    for day in days:
        a, b, c, level, swing = _angles(plane, day)
        sunset = sunset_rad(plane.latitude_deg, day.declination)
        alike = not plane.horizon and abs(c) < ALIKE  # the afternoon stands for the morning
        first, second = course(sunset)
        width, steps = sunset / STEPS, STEPS if alike else 2 * STEPS
        weight = day.extra_w_m2 * width * (2.0 if alike else 1.0)
        for step in range(steps):
            hour = (step + 0.5) * width - (0.0 if alike else sunset)
            swung = cos(hour)
            height, share = level + swing * swung, weight * (first + second * swung - diffuse)
            if height <= 0.0 or share <= 0.0:
                continue
            on_level += share * height
            facing = a + b * swung + c * sin(hour)
            if facing > 0.0 and not (plane.horizon and _hidden(plane, day, hour, height)):
                on_plane += share * facing
    return on_plane / on_level if on_level > 0 else 0.0


def _angles(plane: Plane, day: Day) -> tuple[float, float, float, float, float]:
    """Cosine of incidence `a + b cos w + c sin w` on the plane, and of the zenith `level + swing cos w`."""
    phi, tilt, turn = radians(plane.latitude_deg), radians(plane.tilt_deg), radians(plane.azimuth_deg - 180.0)
    up, out = sin(day.declination), cos(day.declination)
    a = up * (sin(phi) * cos(tilt) - cos(phi) * sin(tilt) * cos(turn))
    b = out * (cos(phi) * cos(tilt) + sin(phi) * sin(tilt) * cos(turn))
    return a, b, out * sin(tilt) * sin(turn), up * sin(phi), out * cos(phi)


def _hidden(plane: Plane, day: Day, hour: float, height: float) -> bool:
    """Whether the horizon hides the sun at an hour angle."""
    phi, delta = radians(plane.latitude_deg), day.declination
    west = cos(delta) * sin(hour)
    south = cos(delta) * cos(hour) * sin(phi) - sin(delta) * cos(phi)
    azimuth = (180.0 + degrees(atan2(west, south))) % 360.0
    return degrees(acos(max(-1.0, min(1.0, height)))) > 90.0 - line_deg(plane.horizon, azimuth)


def line_deg(points: Sequence[tuple[float, float]], azimuth_deg: float) -> float:
    """Height of a horizon line at an azimuth, its points joined around the compass."""
    ring = sorted(points)
    ring = [(ring[-1][0] - 360.0, ring[-1][1]), *ring, (ring[0][0] + 360.0, ring[0][1])]
    for (left, low), (right, high) in pairwise(ring):
        if left <= azimuth_deg <= right:
            return low if right == left else low + (high - low) * (azimuth_deg - left) / (right - left)
    return 0.0


def _noon_beam_ratio(plane: Plane, day: Day) -> float:
    a, b, _, level, swing = _angles(plane, day)
    return max(a + b, 0.0) / (level + swing) if level + swing > 1e-6 else 0.0


def course(sunset: float) -> tuple[float, float]:
    """`a` and `b` of the hours' share of a day's global irradiation (Collares-Pereira and Rabl 1979)."""
    return 0.409 + 0.5016 * sin(sunset - pi / 3), 0.6609 - 0.4767 * sin(sunset - pi / 3)


def noon_shares(sunset: float) -> tuple[float, float]:
    """Noon's irradiance over the day's irradiation, 1/h: global (Collares-Pereira), diffuse (Liu-Jordan)."""
    base = sin(sunset) - sunset * cos(sunset)
    if base <= 1e-12:
        return 0.0, 0.0
    diffuse = pi / 24.0 * (1.0 - cos(sunset)) / base
    return sum(course(sunset)) * diffuse, diffuse


def over_share(month: MonthOnPlane, level_w_m2: float) -> float:
    """Share of a month's irradiation on the plane that lies over an irradiance: its utilizability, 0..1."""
    if month.noon_w_m2 <= 0 or month.ratio <= 0:
        return 0.0
    k, x = month.clearness, level_w_m2 / month.noon_w_m2
    a = 2.943 - 9.271 * k + 4.031 * k**2
    b = -4.345 + 8.853 * k - 3.602 * k**2
    c = -0.170 - 0.306 * k + 2.936 * k**2
    if c < 0:
        x = min(x, -0.5 / c)  # the parabola turns there; what lies over a higher level is no more
    return exp(min(0.0, (a + b * month.noon_ratio / month.ratio) * (x + c * x**2)))
