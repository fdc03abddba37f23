"""The sun and a second sky: monthly, isotropic, in plain arithmetic on arrays of months and days.

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
from math import cos, degrees, exp, pi, radians, sin, tan
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

SOLAR_CONSTANT_W_M2 = 1366.1  # ASTM E490
MONTH_DAYS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
WINTER_SUNSET_DEG = 81.4  # up to this hour angle Erbs's winter correlation holds
POLE_DEG = 89.99
SAMPLE_DAYS = (3, 9, 15, 21, 27)  # of a month: beyond the polar circles no single day stands for it
MIDDLE = SAMPLE_DAYS.index(15)
ALIKE = 1e-12  # a plane that faces along the meridian, but for rounding
STEPS = 12  # from noon to sunset


@dataclass(frozen=True, slots=True, kw_only=True)
class Days:
    """Days, in arrays of any shape: the sun's declination (rad), irradiance above the atmosphere (W/m2)."""

    declination: FloatArray
    extra_w_m2: FloatArray

    def at(self, *places: Any) -> "Days":
        """Some of them."""
        return Days(declination=self.declination[places], extra_w_m2=self.extra_w_m2[places])


@lru_cache(maxsize=1)
def year() -> Days:
    """The days of a year (365,), by Spencer's series (1971)."""
    b = 2.0 * pi * np.arange(sum(MONTH_DAYS)) / 365.0
    cos1, sin1, cos2, sin2 = np.cos(b), np.sin(b), np.cos(2 * b), np.sin(2 * b)
    declination = (
        0.006918 - 0.399912 * cos1 + 0.070257 * sin1 - 0.006758 * cos2 + 0.000907 * sin2
        - 0.002697 * np.cos(3 * b) + 0.00148 * np.sin(3 * b)
    )  # fmt: skip
    distance = 1.00011 + 0.034221 * cos1 + 0.00128 * sin1 + 0.000719 * cos2 + 0.000077 * sin2
    return Days(declination=declination, extra_w_m2=SOLAR_CONSTANT_W_M2 * distance)


@lru_cache(maxsize=1)
def samples() -> Days:
    """The sampled days of each month (12, days)."""
    starts = np.cumsum((0, *MONTH_DAYS[:-1]))
    return year().at(starts[:, None] + np.array(SAMPLE_DAYS) - 1)


def noon_height_deg(latitude_deg: float, month: int) -> float:
    """Height of the sun at noon in the middle of a month (0..11)."""
    return 90.0 - abs(latitude_deg - degrees(float(samples().declination[month, MIDDLE])))


def sunset_rad(latitude_deg: float, declination: FloatArray) -> FloatArray:
    """Hour angle of sunset: 0 in polar night, pi in polar day."""
    cosine = -tan(radians(max(-POLE_DEG, min(POLE_DEG, latitude_deg)))) * np.tan(declination)
    return np.arccos(np.clip(cosine, -1.0, 1.0))


def extra_wh_m2(latitude_deg: float, days: Days) -> FloatArray:
    """Irradiation of the horizontal above the atmosphere on days, Wh/m2."""
    phi, delta, sunset = radians(latitude_deg), days.declination, sunset_rad(latitude_deg, days.declination)
    height = cos(phi) * np.cos(delta) * np.sin(sunset) + sunset * sin(phi) * np.sin(delta)
    return np.maximum(0.0, 24.0 / pi * days.extra_w_m2 * height)


def monthly(latitude_deg: float) -> list[tuple[float, float]]:
    """Mean of each month: irradiation above the atmosphere (Wh/m2 a day) and day length (h)."""
    days, starts = year(), np.cumsum((0, *MONTH_DAYS[:-1]))
    hours = 24.0 / pi * sunset_rad(latitude_deg, days.declination)
    sums = (np.add.reduceat(values, starts) for values in (extra_wh_m2(latitude_deg, days), hours))
    extra, lit = ((total / MONTH_DAYS).tolist() for total in sums)
    return list(zip(extra, lit, strict=True))


def diffuse_share(clearness: FloatArray, sunset: FloatArray) -> FloatArray:
    """Diffuse share of a month's irradiation from its mean clearness index."""
    k = np.clip(clearness, 0.0, 0.8)
    winter = 1.391 - 3.560 * k + 4.189 * k**2 - 2.137 * k**3
    rest = 1.311 - 3.022 * k + 3.427 * k**2 - 1.821 * k**3
    return np.clip(np.where(np.degrees(sunset) <= WINTER_SUNSET_DEG, winter, rest), 0.0, 1.0)


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


def months_on_plane(
    plane: Plane, *, ghi_wh_m2: Sequence[float], extra_wh_m2_day: Sequence[float], albedo: Sequence[float],
    kept: Sequence[float],
) -> list[MonthOnPlane]:
    """A mean day of each of the twelve months on a plane; `kept` is what shade and snow leave.

    `H_T = H ((1 - D) R_b + D (1 + cos b) / 2 + albedo (1 - cos b) / 2)` (Liu and Jordan; Klein).
    """
    ghi, extra, days = np.array(ghi_wh_m2), np.array(extra_wh_m2_day), samples()
    middle = _middle(plane, days)
    sunset = sunset_rad(plane.latitude_deg, middle.declination)
    clearness = np.divide(ghi, extra, out=np.zeros(len(ghi)), where=extra > 0)
    diffuse, tilt = diffuse_share(clearness, sunset), radians(plane.tilt_deg)
    dome, ground = (1.0 + cos(tilt)) / 2.0, np.array(albedo) * (1.0 - cos(tilt)) / 2.0
    ratio = (1.0 - diffuse) * beam_ratio(plane, days, diffuse) + diffuse * dome + ground
    at_noon, at_noon_diffuse = noon_shares(sunset)
    noon_diffuse = diffuse * np.divide(at_noon_diffuse, at_noon, out=np.ones(len(ghi)), where=at_noon > 0)
    noon_beam = np.maximum(0.0, 1.0 - noon_diffuse) * _noon_beam_ratio(plane, middle)
    noon_ratio = noon_beam + noon_diffuse * dome + ground
    on_plane, noon_w_m2 = ghi * ratio * kept, ghi * at_noon * noon_ratio * kept
    months = np.stack([on_plane, ratio, noon_ratio, noon_w_m2, clearness], axis=1).tolist()
    names = ("poa_wh_m2", "ratio", "noon_ratio", "noon_w_m2", "clearness")
    return [MonthOnPlane(**dict(zip(names, figures, strict=True))) for figures in months]


def _middle(plane: Plane, days: Days) -> Days:
    """The middle day of each month; where it is dark, the brightest sampled one."""
    extra = extra_wh_m2(plane.latitude_deg, days)
    return days.at(np.arange(len(extra)), np.where(extra[:, MIDDLE] > 0, MIDDLE, extra.argmax(axis=1)))


def beam_ratio(plane: Plane, days: Days, diffuse: FloatArray) -> FloatArray:
    """Beam on the plane over beam on the horizontal, by month over its days; 0 without sun.

    The beam of an hour is what its share of the day's global irradiation exceeds that of the diffuse by
    (Klein and Theilacker 1981): `a + b cos w - D` of what it is above the atmosphere.
    """
    sunset = sunset_rad(plane.latitude_deg, days.declination)[..., None]
    a, b, c, level, swing = (part[..., None] for part in _angles(plane, days))
    first, second = course(sunset)
    hour = sunset / STEPS * (np.arange(2 * STEPS) + 0.5) - sunset
    swung = np.cos(hour)
    height = level + swing * swung
    share = days.extra_w_m2[..., None] * sunset * (first + second * swung - diffuse[:, None, None])
    share = np.where(height > 0.0, np.maximum(share, 0.0), 0.0)
    facing = np.maximum(a + b * swung + c * np.sin(hour), 0.0)
    if plane.horizon:
        facing = np.where(_hidden(plane, days, hour, height), 0.0, facing)
    on_plane, on_level = ((share * part).sum(axis=(1, 2)) for part in (facing, height))
    return np.asarray(np.divide(on_plane, on_level, out=np.zeros(len(on_level)), where=on_level > 0))


def _angles(plane: Plane, days: Days) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Cosine of incidence `a + b cos w + c sin w` on the plane, and of the zenith `level + swing cos w`."""
    phi, tilt, turn = radians(plane.latitude_deg), radians(plane.tilt_deg), radians(plane.azimuth_deg - 180.0)
    up, out = np.sin(days.declination), np.cos(days.declination)
    a = up * (sin(phi) * cos(tilt) - cos(phi) * sin(tilt) * cos(turn))
    b = out * (cos(phi) * cos(tilt) + sin(phi) * sin(tilt) * cos(turn))
    return a, b, out * sin(tilt) * sin(turn), up * sin(phi), out * cos(phi)


def _hidden(plane: Plane, days: Days, hour: FloatArray, height: FloatArray) -> NDArray[np.bool_]:
    """Whether the horizon hides the sun at hour angles."""
    phi, delta = radians(plane.latitude_deg), days.declination[..., None]
    west = np.cos(delta) * np.sin(hour)
    south = np.cos(delta) * np.cos(hour) * sin(phi) - np.sin(delta) * cos(phi)
    azimuth = (180.0 + np.degrees(np.arctan2(west, south))) % 360.0
    return np.degrees(np.arcsin(np.clip(height, -1.0, 1.0))) < line_deg(plane.horizon, azimuth)


def line_deg(points: Sequence[tuple[float, float]], azimuth_deg: FloatArray | float) -> FloatArray:
    """Height of a horizon line at azimuths, its points joined around the compass."""
    ring = sorted(points)
    ring = [(ring[-1][0] - 360.0, ring[-1][1]), *ring, (ring[0][0] + 360.0, ring[0][1])]
    azimuths, heights = zip(*ring, strict=True)
    return np.asarray(np.interp(azimuth_deg, azimuths, heights))


def _noon_beam_ratio(plane: Plane, days: Days) -> FloatArray:
    a, b, _, level, swing = _angles(plane, days)
    top = level + swing
    return np.asarray(np.divide(np.maximum(a + b, 0.0), top, out=np.zeros(len(top)), where=top > 1e-6))


def course(sunset: FloatArray) -> tuple[FloatArray, FloatArray]:
    """`a` and `b` of the hours' share of a day's global irradiation (Collares-Pereira and Rabl 1979)."""
    return 0.409 + 0.5016 * np.sin(sunset - pi / 3), 0.6609 - 0.4767 * np.sin(sunset - pi / 3)


def noon_shares(sunset: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Noon's irradiance over the day's irradiation, 1/h: global (Collares-Pereira), diffuse (Liu-Jordan)."""
    base = np.sin(sunset) - sunset * np.cos(sunset)
    shown = base > 1e-12
    diffuse = np.divide(pi / 24.0 * (1.0 - np.cos(sunset)), base, out=np.zeros(len(base)), where=shown)
    first, second = course(sunset)
    return (first + second) * diffuse, diffuse


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
