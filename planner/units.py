"""Constants and conversions, each with its unit in its name."""

from importlib import resources
from pathlib import Path

HOURS_PER_DAY = 24.0
MONTHS = 12
DAYS_IN_MONTH = (31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
MJ_PER_KWH = 3.6
KELVIN_AT_0_C = 273.15  # International Temperature Scale of 1990
W_PER_M2_STC = 1000.0  # irradiance at standard test conditions, IEC 60904-3
TEMP_STC_C = 25.0  # cell temperature at standard test conditions, IEC 60904-3


def shipped(kind: str) -> Path:
    """Folder of files that come with the project: `data` or `scenarios`.

    In a wheel they lie inside the package; in a checkout, beside it.
    """
    package = Path(str(resources.files("planner")))
    inside = package / "_shipped" / kind
    return inside if inside.is_dir() else package.parent / kind


def bundled_scenario(name: Path) -> Path:
    """The folder as given, or the bundled scenario of that name where there is no such folder."""
    bundled = shipped("scenarios") / name
    plain = len(name.parts) == 1 and not name.exists()
    return bundled if plain and bundled.is_dir() else name
