"""The climate of a scenario's sites, and their plane-of-array irradiation, from tables and weather files."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.climate import PlaneOfArray, SiteClimate, default_azimuth_deg, plane_of_array, site_climate
from planner.climate.sources import site_files
from planner.scenario import Scenario
from planner.sites import FloatArray, SiteArrays, horizon_lines, own_months, place_of, site_arrays


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """A scenario with what its weather files add to it, its sites as arrays, and their climate."""

    scenario: Scenario
    arrays: SiteArrays
    climate: SiteClimate


def site_conditions(scenario: Scenario) -> Conditions:
    """Climate of every site: own values, then weather files, then the built-in climate.

    Raises
    ------
    InputError
        With every problem of every weather file.
    """
    files = site_files(scenario)
    if files.hashes:
        scenario = replace(
            scenario,
            input_hashes={**scenario.input_hashes, **files.hashes},
            warnings=(*scenario.warnings, *files.warnings),
        )
    arrays = site_arrays(scenario.tables.sites, scenario.settings)
    climate = site_climate(
        latitude_deg=arrays.latitude_deg,
        longitude_deg=arrays.longitude_deg,
        elevation_m=arrays.elevation_m,
        temp_air_min_c=arrays.temp_air_min_c,
        temp_air_max_c=arrays.temp_air_max_c,
        own=own_months(scenario),
        settings=scenario.settings.climate,
        files=files.months if files.hashes else None,
    )
    return Conditions(scenario=scenario, arrays=arrays, climate=climate)


def site_planes(found: Conditions, tilts_deg: Sequence[float]) -> PlaneOfArray:
    """Irradiation of every site on planes of the given tilts, or of its own where it states one."""
    arrays = found.arrays
    azimuth = np.where(
        np.isfinite(arrays.surface_azimuth_deg),
        arrays.surface_azimuth_deg,
        default_azimuth_deg(arrays.latitude_deg),
    )
    return plane_of_array(
        found.climate,
        surface_tilt_deg=candidate_tilts(arrays, tilts_deg),
        surface_azimuth_deg=azimuth,
        horizon_deg=horizon_lines(found.scenario.tables.horizon, place_of(found.scenario)),
    )


def candidate_tilts(arrays: SiteArrays, tilts_deg: Sequence[float]) -> FloatArray:
    """Tilts to try at each site (S, T); a stated tilt stands alone, repeated."""
    stated = arrays.surface_tilt_deg[:, None]
    return np.where(np.isfinite(stated), stated, np.array(sorted(tilts_deg))[None, :])
