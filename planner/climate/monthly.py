"""What each site's months are like: irradiation with its margin, temperatures, ground and losses."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.climate.builtin import BuiltIn, lookup
from planner.climate.sun import monthly_extra_wh_m2_day
from planner.settings import ClimateSettings
from planner.units import DAYS_IN_MONTH, MONTHS

FloatArray = NDArray[np.float64]

OWN, BUILT_IN, UNSCALED = "own values", "built-in", "built-in, unscaled"
BUILT_IN_SOURCES = (BUILT_IN, UNSCALED)
ELEVATION_DIFFERENCE_MAX_M = 300.0
POLAR_LATITUDE_DEG, POLAR_COLD_K = 60.0, 5.0  # the stored minimum is a few years' only, too mild far north
EXTREME_K = 5.0  # beyond a file's hours where nothing else is known (common practice, no source)
AMPLITUDE_SLOPE, AMPLITUDE_OFFSET_K = 0.2, 5.2  # seasonal amplitude from the range of extremes (fitted)
COLD_SPELL_SHARE = 0.5  # of the way from the coldest month's mean to the minimum (common practice, no source)
GENERIC_CLASSES, GENERIC_RANGE = 21, (0.2, 0.75)  # monthly means that the generic distribution is fit for
CLEARNESS_MAX = 0.88  # no day is clearer: just above the clearest stored months, in the high Atacama
CLEARNESS_LEAST = 1e-6  # a month darker than this has no classes of days to scale
TWILIGHT_WH_M2_DAY = 500.0  # months with less light above the atmosphere are too dim to judge a stated GHI by


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnMonths:
    """A user's monthly values (S, 12), NaN where not stated."""

    ghi_wh_m2_day: FloatArray
    temp_air_c: FloatArray
    albedo: FloatArray
    shading_loss: FloatArray
    snow_loss: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class FileMonths:
    """What weather files say of S sites, NaN where they say nothing.

    Attributes
    ----------
    ghi_wh_m2_day, temp_air_c : (S, 12)
    temp_min_c, temp_max_c : (S,)
        Of all hours; a typical year does not hold the extremes.
    clearness : (S, 12, Q)
        Daily clearness index of the same classes as the built-in climate.
    elevation_m : (S,)
        Of the stations.
    margin : (S,)
        Factor to take on the files' GHI.
    source : tuple of S
        Names of the files, or "".
    """

    ghi_wh_m2_day: FloatArray
    temp_air_c: FloatArray
    temp_min_c: FloatArray
    temp_max_c: FloatArray
    clearness: FloatArray
    elevation_m: FloatArray
    margin: FloatArray
    source: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteClimate:
    """Months of S sites.

    Attributes
    ----------
    ghi_wh_m2_day : (S, 12)
        Mean daily GHI that the plan counts on, margin taken off.
    clearness : (S, 12, Q)
        Daily clearness index of Q equally likely classes of days; their mean makes `ghi_wh_m2_day`.
    temp_air_c, albedo, shading_loss, snow_loss : (S, 12)
    temp_air_min_c, temp_air_max_c, temp_cold_spell_c, temp_hot_month_c : (S,)
        Design extremes, mean of the coldest spell, mean of the hottest month.
    climate_margin : (S,)
        Factor taken on the source's GHI.
    source : tuple of S
        Where the irradiation comes from: own values, the names of weather files, or the built-in climate.
    temp_source : (S, 12)
        The same for the monthly temperatures.
    refusal : tuple of S
        Why a site has no climate, or "".
    elevation_difference_m : (S,)
        Site above its climate point; NaN where unknown.
    """

    latitude_deg: FloatArray
    ghi_wh_m2_day: FloatArray
    clearness: FloatArray
    temp_air_c: FloatArray
    albedo: FloatArray
    shading_loss: FloatArray
    snow_loss: FloatArray
    temp_air_min_c: FloatArray
    temp_air_max_c: FloatArray
    temp_cold_spell_c: FloatArray
    temp_hot_month_c: FloatArray
    climate_margin: FloatArray
    source: tuple[str, ...]
    temp_source: NDArray[np.str_]
    refusal: tuple[str, ...]
    elevation_difference_m: FloatArray


def site_climate(
    *, latitude_deg: FloatArray, longitude_deg: FloatArray, elevation_m: FloatArray,
    temp_air_min_c: FloatArray, temp_air_max_c: FloatArray, own: OwnMonths, settings: ClimateSettings,
    files: FileMonths | None = None,
) -> SiteClimate:
    """Climate of sites (S,); NaN in an argument says that the site does not state it.

    A site's own twelve values of GHI win over its weather files and take no margin; files win over the
    built-in climate and take their own; so do temperatures, month by month. Days vary as in the files, else
    as in the built-in climate; where no cell is near, GHI is spread over days by `generic_days`.
    """
    built_in = lookup(latitude_deg, longitude_deg)
    extra = monthly_extra_wh_m2_day(latitude_deg)
    stated = np.isfinite(own.ghi_wh_m2_day)
    has_own = np.asarray(stated.all(axis=1))
    partial = np.asarray(stated.any(axis=1)) & ~has_own
    has_file, ghi_file, margin_file = _of_files(files, len(extra))
    scaled, has_scale = long_term_scale(built_in, extra)
    choices = [has_own, has_file, has_scale]
    margin = np.select(choices, [1.0, margin_file, settings.margin], settings.margin_unscaled)
    world = extra * built_in.clearness.mean(axis=2) * scaled[:, None]
    by_month = [has_own[:, None], has_file[:, None]]
    ghi = margin[:, None] * np.select(by_month, [own.ghi_wh_m2_day, ghi_file], world)
    mean = np.divide(ghi, extra, out=np.zeros_like(ghi), where=extra > 0)
    months, lowest, highest = temperatures(
        latitude_deg, built_in, own.temp_air_c, stated_min=temp_air_min_c, stated_max=temp_air_max_c,
        files=files,
    )
    coldest = months.min(axis=1)
    classes = np.where(np.isfinite(built_in.clearness), built_in.clearness, generic_days(mean))
    height = built_in.elevation_m
    names = np.array(files.source if files else [""] * len(extra))
    if files is not None:
        classes = np.where(np.isfinite(files.clearness), files.clearness, classes)
        height = np.where(has_file, files.elevation_m, height)
    source = np.select(choices, [np.full(len(extra), OWN), names, np.full(len(extra), BUILT_IN)], UNSCALED)
    return SiteClimate(
        latitude_deg=np.asarray(latitude_deg, dtype=float), ghi_wh_m2_day=ghi,
        clearness=rescale(classes, np.minimum(mean, CLEARNESS_MAX)), temp_air_c=months,
        albedo=np.where(np.isfinite(own.albedo), own.albedo, settings.albedo),
        shading_loss=np.nan_to_num(own.shading_loss), snow_loss=np.nan_to_num(own.snow_loss),
        temp_air_min_c=lowest, temp_air_max_c=highest,
        temp_cold_spell_c=coldest + COLD_SPELL_SHARE * np.minimum(lowest - coldest, 0.0),
        temp_hot_month_c=months.max(axis=1), climate_margin=margin,
        source=tuple(source.tolist()), temp_source=_temperature_sources(own, files, names),
        refusal=tuple(
            map(_refusal, built_in.cell_distance_km, ghi, extra, months, lowest + highest, partial)
        ),
        elevation_difference_m=np.where(has_own, np.nan, elevation_m - height),
    )


def _of_files(files: FileMonths | None, sites: int) -> tuple[NDArray[np.bool_], FloatArray, FloatArray]:
    """Which sites have files, their GHI (S, 12) and its margin (S,)."""
    if files is None:
        return np.zeros(sites, dtype=bool), np.full((sites, MONTHS), np.nan), np.ones(sites)
    whole = np.asarray(np.isfinite(files.ghi_wh_m2_day).all(axis=1))
    return whole, files.ghi_wh_m2_day, files.margin


def _temperature_sources(
    own: OwnMonths, files: FileMonths | None, names: NDArray[np.str_]
) -> NDArray[np.str_]:
    """Where each month's temperature comes from (S, 12)."""
    stated = np.isfinite(own.temp_air_c)
    filed = np.zeros_like(stated) if files is None else np.isfinite(files.temp_air_c)
    texts = np.broadcast_to(names[:, None], stated.shape)
    return np.select([stated, filed], [np.full(stated.shape, OWN), texts], BUILT_IN)


def long_term_scale(built_in: BuiltIn, extra: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Factor `min(1, long-term annual GHI / reanalysis annual GHI)` of sites (S,), and if it is known."""
    days = np.array(DAYS_IN_MONTH)
    annual = (extra * built_in.clearness.mean(axis=2) * days).sum(axis=1) / days.sum()
    known = np.isfinite(built_in.annual_wh_m2_day) & np.isfinite(annual)
    ratio = np.divide(built_in.annual_wh_m2_day, annual, out=np.ones_like(annual), where=known & (annual > 0))
    return np.minimum(ratio, 1.0), known


def generic_days(mean: FloatArray) -> FloatArray:
    """Clearness index of equally likely classes of days (S, 12, 21) for a monthly mean (S, 12).

    The distribution of Bendt, Collares-Pereira and Rabl (1981) as fitted by Herzog (1985), in Duffie and
    Beckman, 4th ed., eq. 2.9.6 and 2.9.7 (from memory); for own values where no cell's classes are near.
    """
    k = np.clip(np.where(np.isfinite(mean), mean, 0.5), *GENERIC_RANGE)[:, :, None]
    lowest, highest = 0.05, 0.6313 + 0.267 * k - 11.9 * (k - 0.75) ** 8
    xi = (highest - lowest) / (highest - k)
    gamma = -1.498 + (1.184 * xi - 27.182 * np.exp(-1.5 * xi)) / (highest - lowest)
    gamma = np.where(np.abs(gamma) < 1e-6, 1e-6, gamma)  # a straight line, without dividing by zero
    share = (np.arange(GENERIC_CLASSES) + 0.5) / GENERIC_CLASSES
    return np.asarray(lowest + np.log1p(share * np.expm1(gamma * (highest - lowest))) / gamma)


def rescale(clearness: FloatArray, mean: FloatArray) -> FloatArray:
    """Clearness classes (S, 12, Q) with the given monthly mean (S, 12).

    Scaled in proportion, but no class above the clearest sky: what is cut there is spread over the others
    by shrinking the classes' distance to that limit. A month without classes gets its mean in each.
    """
    shape = np.where(np.isfinite(clearness), clearness, 0.0)
    now = shape.mean(axis=2)
    flat = np.repeat(mean[:, :, None], shape.shape[2], axis=2)
    known = now > CLEARNESS_LEAST
    factor = np.divide(mean, now, out=np.zeros_like(mean), where=known)
    down = shape * factor[:, :, None]
    top = max(CLEARNESS_MAX, 1e-9)
    room = np.divide(top - mean, top - now, out=np.zeros_like(mean), where=now < top)
    up = top - (top - np.minimum(shape, top)) * room[:, :, None]
    up += (mean - up.mean(axis=2))[:, :, None]
    result = np.where((factor > 1.0)[:, :, None], np.maximum(up, 0.0), down)
    return np.where(known[:, :, None], result, flat)


def temperatures(
    latitude_deg: FloatArray, built_in: BuiltIn, own: FloatArray, *,
    stated_min: FloatArray, stated_max: FloatArray, files: FileMonths | None = None,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Monthly means (S, 12), lowest and highest air temperature (S,), C; stated values win.

    The built-in months follow a sinusoid about the annual mean, warmest in July in the north and in
    January in the south. Weather files win over them month by month, but do not make the extremes milder:
    a few years, and all the more a typical one, seldom hold those.
    """
    amplitude = np.maximum(
        AMPLITUDE_SLOPE * (built_in.temp_max_c - built_in.temp_min_c) - AMPLITUDE_OFFSET_K, 0.0
    )
    warmest = np.where(np.asarray(latitude_deg) >= 0, 6.0, 0.0)
    wave = np.cos(2 * np.pi * (np.arange(MONTHS)[None, :] - warmest[:, None]) / MONTHS)
    months = built_in.temp_mean_c[:, None] + amplitude[:, None] * wave
    if files is not None:
        months = np.where(np.isfinite(files.temp_air_c), files.temp_air_c, months)
    months = np.where(np.isfinite(own), own, months)
    polar = np.where(np.abs(latitude_deg) > POLAR_LATITUDE_DEG, POLAR_COLD_K, 0.0)
    lowest = np.minimum(built_in.temp_min_c - polar, months.min(axis=1))
    highest = np.maximum(built_in.temp_max_c, months.max(axis=1))
    if files is not None:
        lowest = np.where(
            np.isfinite(lowest), np.fmin(lowest, files.temp_min_c), files.temp_min_c - EXTREME_K
        )
        highest = np.where(
            np.isfinite(highest), np.fmax(highest, files.temp_max_c), files.temp_max_c + EXTREME_K
        )
    return (
        months, np.where(np.isfinite(stated_min), stated_min, lowest),
        np.where(np.isfinite(stated_max), stated_max, highest),
    )


def _refusal(
    cell_km: float, ghi: FloatArray, extra: FloatArray, months: FloatArray, extremes: float, partial: bool
) -> str:
    """Why a site has no climate, or ""; one site at a time."""
    if partial:
        return "ghi_wh_m2_day is stated for some months only: state all twelve, or none"
    if not np.isfinite(ghi).all():
        return (
            f"the nearest cell of the built-in climate is {cell_km:.0f} km away: "
            "give the site a weather file or twelve values of ghi_wh_m2_day"
        )
    excess = np.where(extra > TWILIGHT_WH_M2_DAY, ghi - CLEARNESS_MAX * extra, 0.0)
    if (excess > 0).any():
        month = int(np.argmax(excess))
        return (
            f"irradiation of month {month + 1} is {ghi[month]:.0f} Wh/m2/day, more than the clearest sky "
            f"lets through ({CLEARNESS_MAX * extra[month]:.0f}): check the value and its unit"
        )
    if not np.isfinite(months).all():
        return "no built-in temperatures are near: give a weather file or twelve values of temp_air_c"
    if not np.isfinite(extremes):
        return "no built-in temperatures are near: give temp_air_min_c and temp_air_max_c"
    return ""
