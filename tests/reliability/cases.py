"""Sites, loads and designs for the tests of reliability."""

import numpy as np

from planner.climate import OwnMonths, class_wh_m2, day_hours, default_azimuth_deg, site_climate
from planner.reliability import Designs, Loads, drawn_years
from planner.settings import ClimateSettings

#: Real coordinates on land, from the polar circle to the tropics, both hemispheres.
PLACES = {
    "Sodankyla": (67.4, 26.6),
    "Hamburg": (53.6, 10.0),
    "Ankara": (39.9, 32.8),
    "Phoenix": (33.4, -112.0),
    "Nairobi": (-1.3, 36.8),
    "Invercargill": (-46.4, 168.4),
}


def climate_of(places, settings=None):
    """Built-in climate of places."""
    latitude, longitude = (np.array(x) for x in zip(*(PLACES[place] for place in places), strict=True))
    blank, one = np.full((len(places), 12), np.nan), np.full(len(places), np.nan)
    own = OwnMonths(ghi_wh_m2_day=blank, temp_air_c=blank, albedo=blank, shading_loss=blank, snow_loss=blank)
    climate = site_climate(
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation_m=one,
        temp_air_min_c=one,
        temp_air_max_c=one,
        own=own,
        settings=settings or ClimateSettings(),
    )
    assert climate.refusal == ("",) * len(places)
    return climate, latitude, longitude


def classes_of(places, tilt=None):
    """Plane irradiation of the classes of days (S, 12, Q), facing the equator at latitude + 15 degrees."""
    climate, latitude, longitude = climate_of(places)
    tilts = np.minimum(np.abs(latitude) + 15.0, 90.0) if tilt is None else np.full(len(places), tilt)
    azimuth = default_azimuth_deg(latitude)
    classes = class_wh_m2(climate, surface_tilt_deg=tilts, surface_azimuth_deg=azimuth)
    return classes, latitude, longitude


def loads_of(classes, latitude, *, efficiency=0.86, self_discharge=0.0, reconnect=0.2, capacity=None):
    """A constant load, and an array behind the plane."""
    hours, sites = day_hours(latitude), len(latitude)
    return Loads(
        array_wh=classes.mean(axis=2),
        day_wh=hours,
        night_wh=24.0 - hours,
        day_hours=hours,
        capacity_share=np.ones((sites, 12)) if capacity is None else capacity,
        efficiency=np.full(sites, efficiency),
        self_discharge=np.full(sites, self_discharge),
        reconnect_share=np.full(sites, reconnect),
    )


def case(places, *, years=30, stream=0, **given):
    """Years (S, T) and loads of places."""
    classes, latitude, longitude = classes_of(places)
    days = drawn_years(classes, latitude_deg=latitude, longitude_deg=longitude, years=years, stream=stream)
    return days, loads_of(classes, latitude, **given)


def designs_at(loads, site, ratio, battery_days, **changes):
    """Designs (N,) at sites of `loads`: arrays of ratios, batteries of days of load; arguments broadcast."""
    site, ratio, battery_days = (
        part.ravel() for part in np.broadcast_arrays(site, np.atleast_1d(ratio), battery_days)
    )
    greatest = (loads.day_wh + loads.night_wh).max(axis=1)
    values = {
        "site": site,
        "array_wh": (ratio / loads.array_to_load_ratio[site])[:, None] * loads.array_wh[site],
        "day_wh": loads.day_wh[site],
        "night_wh": loads.night_wh[site],
        "usable_wh": (battery_days * greatest[site])[:, None] * loads.capacity_share[site],
        "day_hours": loads.day_hours[site],
        "charge_max_wh": np.full((len(site), 12), np.inf),
        "efficiency": loads.efficiency[site],
        "self_discharge": loads.self_discharge[site],
        "reconnect_share": loads.reconnect_share[site],
        "charge_temp_min_c": np.full(len(site), -np.inf),
    }
    return Designs(**(values | changes))
