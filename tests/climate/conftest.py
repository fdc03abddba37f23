"""Climates for the tests: sites on given coordinates with stated or built-in months."""

from collections.abc import Callable

import numpy as np
import pytest

from planner.climate import OwnMonths, SiteClimate, site_climate
from planner.settings import ClimateSettings

MakeClimate = Callable[..., SiteClimate]


def _months(values: object, sites: int) -> np.ndarray:
    return np.broadcast_to(np.asarray(np.nan if values is None else values, dtype=float), (sites, 12)).copy()


@pytest.fixture
def make_climate() -> MakeClimate:
    """Function of latitudes and longitudes and, by name, what the sites state."""

    def make(
        latitude,
        longitude,
        *,
        ghi=None,
        temp=None,
        albedo=None,
        shading=None,
        snow=None,
        elevation=np.nan,
        lowest=np.nan,
        highest=np.nan,
        settings=None,
    ):
        latitude, longitude = (
            np.atleast_1d(np.asarray(latitude, float)),
            np.atleast_1d(np.asarray(longitude, float)),
        )
        sites = len(latitude)
        own = OwnMonths(
            ghi_wh_m2_day=_months(ghi, sites),
            temp_air_c=_months(temp, sites),
            albedo=_months(albedo, sites),
            shading_loss=_months(shading, sites),
            snow_loss=_months(snow, sites),
        )
        return site_climate(
            latitude_deg=latitude,
            longitude_deg=longitude,
            elevation_m=np.full(sites, elevation),
            temp_air_min_c=np.full(sites, lowest),
            temp_air_max_c=np.full(sites, highest),
            own=own,
            settings=settings or ClimateSettings(),
        )

    return make
