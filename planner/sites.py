"""Sites as arrays: from table rows to what climate and designs compute with."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.climate import OwnMonths
from planner.scenario import Scenario
from planner.settings import Policy, Settings
from planner.tables.months import stated_months
from planner.tables.rows import HorizonRow, MonthQuantity, SiteRow
from planner.units import MONTHS

FloatArray = NDArray[np.float64]

HORIZON_STEP_DEG = 5  # spacing of the horizon line's points after interpolation


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteArrays:
    """Columns of `sites` over S sites; NaN where a site does not say."""

    latitude_deg: FloatArray
    longitude_deg: FloatArray
    elevation_m: FloatArray
    surface_tilt_deg: FloatArray
    surface_azimuth_deg: FloatArray
    temp_air_min_c: FloatArray
    temp_air_max_c: FloatArray
    autonomy_days: FloatArray
    array_to_load_ratio: FloatArray
    availability: FloatArray


def site_arrays(sites: Sequence[SiteRow], settings: Settings) -> SiteArrays:
    """Numbers of the sites, with the policy's where a site has none of its own."""

    def column(name: str, default: float = np.nan) -> FloatArray:
        values = (getattr(site, name) for site in sites)
        return np.array([default if value is None else float(value) for value in values])

    return SiteArrays(
        latitude_deg=column("latitude_deg"),
        longitude_deg=column("longitude_deg"),
        elevation_m=column("elevation_m"),
        surface_tilt_deg=column("surface_tilt_deg"),
        surface_azimuth_deg=column("surface_azimuth_deg"),
        temp_air_min_c=column("temp_air_min_c"),
        temp_air_max_c=column("temp_air_max_c"),
        autonomy_days=column("autonomy_days", settings.policy.autonomy_days),
        array_to_load_ratio=column("array_to_load_ratio", settings.policy.array_to_load_ratio),
        availability=column("availability", settings.policy.availability),
    )


def recovery_days_max(site: SiteRow, policy: Policy) -> float | None:
    """Days in which the array refills a used reserve: the site's, else the policy's; None: any."""
    return policy.recovery_days_max if site.recovery_days_max is None else site.recovery_days_max


def enclosure_damping_k(site: SiteRow, settings: Settings) -> float:
    """How far the inside of the enclosure stays above the lowest air temperature, K: the site's, else the
    settings'.
    """
    own = site.enclosure_damping_k
    return settings.battery.enclosure_damping_k if own is None else own


def wind_design_m_s(site: SiteRow, policy: Policy) -> float | None:
    """Gust that mounts and modules stand: the site's, else the policy's; None: not checked."""
    return policy.wind_design_m_s if site.wind_design_m_s is None else site.wind_design_m_s


def month_values(scenario: Scenario, quantity: MonthQuantity) -> FloatArray:
    """A quantity of the sites' months as stated in either table (S, 12), NaN where nothing is."""
    place = place_of(scenario)
    values = np.full((len(place), MONTHS), np.nan)
    tables = scenario.tables
    for one in stated_months(tables.site_months, tables.site_climate_months):
        if one.quantity is quantity and one.site_id in place:
            values[place[one.site_id], one.month - 1] = one.value
    return values


def horizon_lines(rows: Sequence[HorizonRow], place: dict[str, int]) -> FloatArray | None:
    """Horizon elevation of every site at even azimuths (S, 72), degrees; None where no site has one."""
    if not rows:
        return None
    azimuths = np.arange(0, 360, HORIZON_STEP_DEG)
    lines = np.zeros((len(place), len(azimuths)))
    by_site: dict[str, list[HorizonRow]] = {}
    for row in rows:
        by_site.setdefault(row.site_id, []).append(row)
    for site_id, points in by_site.items():
        if site_id in place:
            lines[place[site_id]] = np.interp(
                azimuths, [p.azimuth_deg for p in points], [p.elevation_deg for p in points], period=360
            )
    return lines


def place_of(scenario: Scenario) -> dict[str, int]:
    """Index of each site in the order of the table."""
    return {site.site_id: i for i, site in enumerate(scenario.tables.sites)}


def own_months(scenario: Scenario) -> OwnMonths:
    """What users state of their sites' months, NaN elsewhere."""
    return OwnMonths(
        ghi_wh_m2_day=month_values(scenario, MonthQuantity.GHI),
        temp_air_c=month_values(scenario, MonthQuantity.TEMP_AIR),
        albedo=month_values(scenario, MonthQuantity.ALBEDO),
        shading_loss=month_values(scenario, MonthQuantity.SHADING_LOSS),
        snow_loss=month_values(scenario, MonthQuantity.SNOW_LOSS),
    )
