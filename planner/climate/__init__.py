"""Climate: the built-in world, own values, weather files, plane-of-array irradiation by month."""

from planner.climate.monthly import (
    BUILT_IN_SOURCES,
    ELEVATION_DIFFERENCE_MAX_M,
    FileMonths,
    OwnMonths,
    SiteClimate,
    site_climate,
)
from planner.climate.plane import PlaneOfArray, best_tilt, class_wh_m2, plane_of_array
from planner.climate.sun import day_hours, default_azimuth_deg, lit_fraction

__all__ = [
    "BUILT_IN_SOURCES", "ELEVATION_DIFFERENCE_MAX_M", "FileMonths", "OwnMonths", "PlaneOfArray",
    "SiteClimate", "best_tilt", "class_wh_m2", "day_hours", "default_azimuth_deg", "lit_fraction",
    "plane_of_array", "site_climate",
]
