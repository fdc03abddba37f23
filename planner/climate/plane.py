"""Monthly irradiation on tilted planes, from classes of days.

Each month is a set of equally likely days, each with its clearness index. A day's global irradiation is
spread over its hours by Collares-Pereira and Rabl (1979), its diffuse part follows from the daily
correlation of Erbs, Klein and Duffie (1982) spread by Liu and Jordan (1960), and the sky is Perez's (1990,
through pvlib, loaded where it is called). The hourly correlation of Erbs on a mean day would be a fifth too
low in winter.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.climate.monthly import SiteClimate
from planner.climate.sun import (
    daily_extra_wh_m2,
    declination_rad,
    extra_w_m2,
    sunset_angle_rad,
    typical_days,
)

FloatArray = NDArray[np.float64]

POLE_DEG = 89.99  # latitude at which a pole is taken
STEPS = 8  # points between noon and sunset
SITES_AT_A_TIME = 64  # bounds memory
NOCT_C = 45.0  # nominal operating cell temperature of common modules (IEC 61215 data sheets: 43 to 47)
BEAM_MAX_SHARE = 0.85  # of extraterrestrial, through one air mass at the clearest (common practice)
BEAM_AIRMASS_POWER = 0.678  # how a longer way through the air counts (Meinel and Meinel 1976)
AIRMASS_ZENITH_MAX_DEG = 89.9
CLIP_W_M2 = np.array([50.0, 100, 150, 200, 250, 300, 400, 500, 600, 700, 800, 900, 1000, 1100, 1200, 1400])


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneOfArray:
    """Irradiation on planes: S sites, 12 months, T tilts, G clipping irradiances.

    Attributes
    ----------
    poa_wh_m2_day : (S, 12, T)
        Mean daily irradiation, shading and snow taken off.
    temp_cell_c : (S, 12, T)
        Mean cell temperature weighted by irradiance.
    poa_clipped_wh_m2_day : (S, 12, T, G)
        Mean daily integral of `min(irradiance, clip_irradiance_w_m2)`.
    """

    surface_tilt_deg: FloatArray
    surface_azimuth_deg: FloatArray
    poa_wh_m2_day: FloatArray
    temp_cell_c: FloatArray
    clip_irradiance_w_m2: FloatArray
    poa_clipped_wh_m2_day: FloatArray


def diffuse_fraction(clearness: FloatArray, sunset_rad: FloatArray) -> FloatArray:
    """Diffuse share of a day's global irradiation (Erbs, Klein and Duffie 1982); arrays broadcast."""
    k = np.asarray(clearness, dtype=float)
    winter = np.where(
        k < 0.715, 1.0 - 0.2727 * k + 2.4495 * k**2 - 11.9514 * k**3 + 9.3879 * k**4, 0.143
    )
    rest = np.where(k < 0.722, 1.0 + 0.2832 * k - 2.5557 * k**2 + 0.8448 * k**3, 0.175)
    return np.clip(np.where(sunset_rad <= np.radians(81.4), winter, rest), 0.0, 1.0)


def beam_max_share(airmass: FloatArray) -> FloatArray:
    """Greatest share of the extraterrestrial beam that comes through air masses, any shape.

    Correlations of whole days give a clear day of a low sun more beam than any air lets through. The form is
    `0.7 ** airmass ** 0.678` of Meinel and Meinel (Applied Solar Energy, 1976, from memory), for the clearest
    air in place of the usual. It lies a little above cold, clean skies by pvlib.
    """
    return np.asarray(BEAM_MAX_SHARE ** (airmass**BEAM_AIRMASS_POWER))


def _airmass(zenith_deg: FloatArray) -> FloatArray:
    from pvlib import atmosphere

    return np.asarray(atmosphere.get_relative_airmass(np.minimum(zenith_deg, AIRMASS_ZENITH_MAX_DEG)))


def hour_shapes(hour_rad: FloatArray, sunset_rad: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Relative course of global (Collares-Pereira and Rabl) and diffuse (Liu and Jordan) over a day.

    Both are normalised over the last axis, so that a day's irradiation is kept whatever the points.
    """
    a = 0.409 + 0.5016 * np.sin(sunset_rad - np.pi / 3)
    b = 0.6609 - 0.4767 * np.sin(sunset_rad - np.pi / 3)
    height = np.maximum(np.cos(hour_rad) - np.cos(sunset_rad), 0.0)
    full = np.maximum(a + b * np.cos(hour_rad), 0.0) * height

    def share(course: FloatArray) -> FloatArray:
        total = course.sum(axis=-1, keepdims=True)
        return np.asarray(np.divide(course, total, out=np.zeros_like(course), where=total > 0))

    return share(full), share(height)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sky:
    """Sun and sky of a batch of sites: (B, 12, H) for the sun, (B, 12, Q, H) for the rest."""

    hours: FloatArray  # (B, 12, 1, 1) length of a step
    zenith_cos: FloatArray
    zenith_sin: FloatArray
    azimuth_deg: FloatArray
    ghi: FloatArray
    dhi: FloatArray
    dni: FloatArray
    circumsolar: FloatArray  # Perez's F1
    horizon: FloatArray  # Perez's F2


def plane_of_array(
    climate: SiteClimate, *, surface_tilt_deg: FloatArray, surface_azimuth_deg: FloatArray,
    horizon_deg: FloatArray | None = None,
) -> PlaneOfArray:
    """Irradiation on planes.

    Parameters
    ----------
    climate : SiteClimate
        Months of S sites.
    surface_tilt_deg : (S, T)
        Tilts of each site.
    surface_azimuth_deg : (S,)
        Clockwise from north.
    horizon_deg : (S, N), optional
        Elevation of the horizon at N even azimuths from north; the beam is cut below it.

    Returns
    -------
    PlaneOfArray
        Zero, never NaN, in polar night.
    """
    sites = len(climate.latitude_deg)
    parts = [
        _batch(climate, slice(i, i + SITES_AT_A_TIME), surface_tilt_deg, surface_azimuth_deg, horizon_deg)
        for i in range(0, sites, SITES_AT_A_TIME)
    ]
    poa, warm, clipped = (np.concatenate(part) for part in zip(*parts, strict=True))
    return PlaneOfArray(
        surface_tilt_deg=surface_tilt_deg, surface_azimuth_deg=surface_azimuth_deg, poa_wh_m2_day=poa,
        temp_cell_c=warm, clip_irradiance_w_m2=CLIP_W_M2, poa_clipped_wh_m2_day=clipped,
    )


def class_wh_m2(
    climate: SiteClimate, *, surface_tilt_deg: FloatArray, surface_azimuth_deg: FloatArray,
    horizon_deg: FloatArray | None = None,
) -> FloatArray:
    """Daily irradiation of each class of days on one plane a site (S, 12, Q), Wh/m2.

    Its mean over the classes is `plane_of_array`'s month; arguments as there, with one tilt a site (S,).
    """
    parts = []
    for i in range(0, len(climate.latitude_deg), SITES_AT_A_TIME):
        some = slice(i, i + SITES_AT_A_TIME)
        horizon = None if horizon_deg is None else horizon_deg[some]
        sky, to_plane, cut = _sky_of(climate, some, surface_azimuth_deg[some], horizon)
        albedo = climate.albedo[some][:, :, None, None]
        power = tilted_w_m2(sky, surface_tilt_deg[some], surface_azimuth_deg[some], albedo, cut)
        parts.append((power * to_plane * sky.hours).sum(axis=3))
    return np.concatenate(parts)


def _sky_of(
    climate: SiteClimate, some: slice, azimuth_deg: FloatArray, horizon_deg: FloatArray | None
) -> tuple[Sky, FloatArray, FloatArray | None]:
    """Sky of some sites, the factor (B, 12, 1, 1) to the month's mean GHI and losses, and the beam's cut."""
    symmetric = horizon_deg is None and bool(np.isin(azimuth_deg, (0.0, 180.0)).all())
    sky = make_sky(climate.latitude_deg[some], climate.clearness[some], afternoon_only=symmetric)
    cut = None if horizon_deg is None else _beam_visible(sky, horizon_deg)
    keep = (1.0 - climate.shading_loss[some]) * (1.0 - climate.snow_loss[some])
    ghi = climate.ghi_wh_m2_day[some]
    made = (sky.ghi * sky.hours).sum(axis=(2, 3)) / sky.ghi.shape[2]
    to_month = np.divide(ghi, made, out=np.zeros_like(ghi), where=made > 0)
    return sky, (to_month * keep)[:, :, None, None], cut


def _batch(
    climate: SiteClimate, some: slice, tilts_deg: FloatArray, azimuth_deg: FloatArray,
    horizon_deg: FloatArray | None,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    from pvlib import temperature

    tilts, azimuth = tilts_deg[some], azimuth_deg[some]
    horizon = None if horizon_deg is None else horizon_deg[some]
    sky, to_plane, cut = _sky_of(climate, some, azimuth, horizon)
    albedo = climate.albedo[some][:, :, None, None]
    poa, warm, clipped = [], [], []
    for t in range(tilts.shape[1]):
        power = tilted_w_m2(sky, tilts[:, t], azimuth, albedo, cut) * to_plane
        energy = (power * sky.hours).sum(axis=(2, 3)) / power.shape[2]
        squared = (power**2 * sky.hours).sum(axis=(2, 3)) / power.shape[2]
        mean_w = np.divide(squared, energy, out=np.zeros_like(energy), where=energy > 0)
        poa.append(energy)
        warm.append(temperature.ross(mean_w, climate.temp_air_c[some], noct=NOCT_C))
        clipped.append(_clipped(power, sky.hours))
    return np.stack(poa, axis=2), np.stack(warm, axis=2), np.stack(clipped, axis=2)


def _clipped(power: FloatArray, hours: FloatArray) -> FloatArray:
    """Mean daily integral of `min(power, G)` for each G of the grid (B, 12, G)."""
    flat = power.reshape(*power.shape[:2], -1)
    order = np.sort(flat, axis=2)
    total = np.concatenate([np.zeros_like(order[:, :, :1]), np.cumsum(order, axis=2)], axis=2)
    under = _numbers_up_to(order, CLIP_W_M2)
    result = np.take_along_axis(total, under, axis=2) + CLIP_W_M2 * (flat.shape[2] - under)
    return np.asarray(result * hours[:, :, 0] / power.shape[2])


def _numbers_up_to(order: FloatArray, limits: FloatArray) -> NDArray[np.int64]:
    """How many of the rising values (..., N) do not exceed each limit (..., G), all bisected at once."""
    size = order.shape[-1]
    under = np.zeros((*order.shape[:-1], len(limits)), dtype=np.int64)
    step = 1 << (size.bit_length() - 1)
    while step:
        further = under + step
        last = np.take_along_axis(order, np.minimum(further, size) - 1, axis=-1)
        under = np.where((further <= size) & (last <= limits), further, under)
        step >>= 1
    return under


def make_sky(latitude_deg: FloatArray, clearness: FloatArray, *, afternoon_only: bool) -> Sky:
    """Sun and sky on the typical days of the months.

    Parameters
    ----------
    latitude_deg : (B,)
    clearness : (B, 12, Q)
        Clearness index of each class of days.
    afternoon_only : bool
        The afternoon stands for the morning too, which a plane facing north or south cannot tell apart.
    """
    latitude = np.asarray(latitude_deg, dtype=float)
    days = typical_days(latitude)
    year = np.arange(1, 366)
    declination = declination_rad(year)[days - 1]  # (B, 12)
    sunset = sunset_angle_rad(latitude[:, None], declination)
    point = (np.arange(STEPS) + 0.5) / STEPS
    point = point if afternoon_only else np.concatenate([-point[::-1], point])
    hour = sunset[:, :, None] * point  # (B, 12, H)
    step_h = sunset * 24.0 / np.pi / len(point)
    zenith, azimuth = _sun(latitude, declination, hour)
    extra_day = np.take_along_axis(daily_extra_wh_m2(latitude, year), days - 1, axis=1)
    global_shape, diffuse_shape = hour_shapes(hour, sunset[:, :, None])
    daily = clearness * extra_day[:, :, None]
    per_hour = np.divide(1.0, step_h, out=np.zeros_like(step_h), where=step_h > 0)[:, :, None, None]
    ghi = daily[:, :, :, None] * global_shape[:, :, None, :] * per_hour
    diffuse = daily * diffuse_fraction(clearness, sunset[:, :, None])
    dhi = np.minimum(diffuse[:, :, :, None] * diffuse_shape[:, :, None, :] * per_hour, ghi)
    cosine = np.maximum(np.cos(zenith), 1e-6)[:, :, None, :]
    extra = np.broadcast_to(extra_w_m2(year)[days - 1][:, :, None, None], ghi.shape)
    most = beam_max_share(_airmass(np.degrees(zenith)))[:, :, None, :] * extra
    dni = np.minimum((ghi - dhi) / cosine, most)
    dhi = ghi - dni * cosine  # what the cap takes from the beam is sky
    f1, f2 = brightness(dhi, dni, extra, np.broadcast_to(np.degrees(zenith)[:, :, None, :], ghi.shape))
    return Sky(
        hours=step_h[:, :, None, None], zenith_cos=np.cos(zenith), zenith_sin=np.sin(zenith),
        azimuth_deg=azimuth, ghi=ghi, dhi=dhi, dni=dni, circumsolar=f1, horizon=f2,
    )


def _sun(
    latitude_deg: FloatArray, declination: FloatArray, hour: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Zenith (rad) and azimuth (degrees clockwise from north) of the sun (B, 12, H), by pvlib."""
    from pvlib import solarposition

    latitude = np.clip(latitude_deg, -POLE_DEG, POLE_DEG)  # at a pole itself every direction is the equator's
    phi = np.broadcast_to(np.radians(latitude)[:, None, None], hour.shape)
    delta = np.broadcast_to(declination[:, :, None], hour.shape)
    zenith = solarposition.solar_zenith_analytical(phi, hour, delta)
    azimuth = solarposition.solar_azimuth_analytical(phi, hour, delta, zenith)
    return np.minimum(zenith, np.pi / 2), np.degrees(azimuth)


def brightness(
    dhi: FloatArray, dni: FloatArray, extra: FloatArray, zenith_deg: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Perez's circumsolar and horizon brightness coefficients, read back from pvlib's components.

    They do not depend on the plane. On a vertical plane that faces the sun the isotropic part is
    `dhi (1 - F1) / 2` and the horizon's is `dhi F2`.
    """
    from pvlib import irradiance

    parts = irradiance.perez(
        90.0, 180.0, dhi, dni, extra, zenith_deg, 180.0, _airmass(zenith_deg), return_components=True
    )
    bright = dhi > 1e-6
    f1 = 1.0 - 2.0 * np.divide(parts["poa_isotropic"], dhi, out=np.full(dhi.shape, 0.5), where=bright)
    f2 = np.divide(parts["poa_horizon"], dhi, out=np.zeros(dhi.shape), where=bright)
    return f1, f2


def tilted_w_m2(
    sky: Sky, tilt_deg: FloatArray, azimuth_deg: FloatArray, albedo: FloatArray, visible: FloatArray | None
) -> FloatArray:
    """Irradiance on planes (B, 12, Q, H), W/m2: beam, Perez sky, ground.

    `visible` (B, 12, H) is 0 where the horizon hides the sun; it takes beam and circumsolar light.
    """
    tilt = np.radians(tilt_deg)[:, None, None]
    turn = np.cos(np.radians(sky.azimuth_deg - azimuth_deg[:, None, None]))
    incidence = np.maximum(sky.zenith_cos * np.cos(tilt) + sky.zenith_sin * np.sin(tilt) * turn, 0.0)
    if visible is not None:
        incidence = incidence * visible
    ratio = incidence / np.maximum(sky.zenith_cos, np.cos(np.radians(85.0)))
    tilt = tilt[:, :, :, None]
    dome = (1 - sky.circumsolar) * (1 + np.cos(tilt)) / 2 + sky.circumsolar * ratio[:, :, None, :]
    diffuse = np.maximum(sky.dhi * (dome + sky.horizon * np.sin(tilt)), 0.0)
    ground = sky.ghi * albedo * (1 - np.cos(tilt)) / 2
    return np.asarray(sky.dni * incidence[:, :, None, :] + diffuse + ground)


def _beam_visible(sky: Sky, horizon_deg: FloatArray) -> FloatArray:
    """Share of each step with the sun above the horizon line (B, 12, H).

    The sun's height over the line is taken as straight within a step, so that a step is cut where the sun
    crosses, not whole or not at all.
    """
    step = 360.0 / horizon_deg.shape[1]
    position = (sky.azimuth_deg % 360.0) / step
    left = np.floor(position).astype(np.int64)
    site = np.arange(len(horizon_deg))[:, None, None]
    points = horizon_deg.shape[1]
    low, high = horizon_deg[site, left % points], horizon_deg[site, (left + 1) % points]
    line = low + (high - low) * (position - left)
    elevation = 90.0 - np.degrees(np.arctan2(sky.zenith_sin, sky.zenith_cos))
    height = elevation - line
    span = np.abs(np.gradient(height, axis=2))
    return np.asarray(np.clip(0.5 + height / np.maximum(span, 1e-6), 0.0, 1.0))


def best_tilt(poa: PlaneOfArray, load_shape: FloatArray) -> NDArray[np.int64]:
    """Index (S,) of the tilt with the greatest least ratio of irradiation to load over the months.

    `load_shape` (S, 12) is the load's course over the year in any unit; months without load do not
    count. The flatter of equal tilts is taken.
    """
    load = load_shape[:, :, None]
    ratio = np.divide(poa.poa_wh_m2_day, load, out=np.full(poa.poa_wh_m2_day.shape, np.inf), where=load > 0)
    return np.asarray(np.argmax(np.round(ratio.min(axis=1), 9), axis=1))
