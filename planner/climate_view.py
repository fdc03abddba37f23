"""The months of a scenario's sites as rows to look at: values, their sources, margins."""

from collections.abc import Collection, Mapping
from typing import Any

import numpy as np

from planner.climate import best_tilt
from planner.climate.fetch import chosen_sites
from planner.scenario import Scenario
from planner.site_climates import site_conditions, site_planes
from planner.units import MONTHS

COLUMNS = (
    "site_id",
    "month",
    "ghi_wh_m2_day",
    "climate_margin",
    "climate_source",
    "surface_tilt_deg",
    "poa_wh_m2_day",
    "temp_air_c",
    "temp_source",
    "refusal",
)


def climate_rows(scenario: Scenario, site_ids: Collection[str] = ()) -> list[Mapping[str, Any]]:
    """Twelve rows a site, as planning would see them.

    `ghi_wh_m2_day` has the margin taken off. The plane is the site's own, or the best tilt of the settings
    for a load that is even over the year; a plan may choose another for its load and its mounts.

    Raises
    ------
    InputError
        A site is unknown, or a weather file is at fault.
    """
    sites = scenario.tables.sites
    chosen = {site.site_id for site in chosen_sites(scenario, site_ids)}
    found = site_conditions(scenario)
    climate = found.climate
    plane = site_planes(found, scenario.settings.climate.tilts_deg)
    tilt = best_tilt(plane, np.ones((len(sites), MONTHS)))
    return [
        {
            "site_id": site.site_id,
            "month": m + 1,
            "ghi_wh_m2_day": _rounded(climate.ghi_wh_m2_day[i, m]),
            "climate_margin": float(climate.climate_margin[i]),
            "climate_source": climate.source[i],
            "surface_tilt_deg": float(plane.surface_tilt_deg[i, tilt[i]]),
            "poa_wh_m2_day": _rounded(plane.poa_wh_m2_day[i, m, tilt[i]]),
            "temp_air_c": _rounded(climate.temp_air_c[i, m]),
            "temp_source": str(climate.temp_source[i, m]),
            "refusal": climate.refusal[i],
        }
        for i, site in enumerate(sites)
        if site.site_id in chosen
        for m in range(MONTHS)
    ]


def _rounded(value: float) -> float | None:
    return round(float(value), 1) if np.isfinite(value) else None
