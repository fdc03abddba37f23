"""Hours of weather files: one form for all formats, and how days are cut from them."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from planner.errors import Problem, Severity

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

HOUR_S, DAY_S = 3600, 86400
TYPICAL_YEAR = 2001  # a common year: a typical year is put together from months of several years


@dataclass(frozen=True, slots=True, kw_only=True)
class Weather:
    """Hours (N,) of one weather file, in the order of time.

    Attributes
    ----------
    file : str
        Path relative to the scenario's folder.
    start_s : (N,)
        Start of the hour, seconds of UTC since 1970, strictly rising.
    ghi_w_m2, temp_air_c : (N,)
        Means of the hour; NaN where the file has none.
    line : (N,)
        Line of the file.
    offset_s : int or None
        Local standard time less UTC as the file says; None where the longitude decides.
    latitude_deg, longitude_deg, elevation_m : float
        Of the station; NaN where unknown.
    """

    file: str
    start_s: IntArray
    ghi_w_m2: FloatArray
    temp_air_c: FloatArray
    line: IntArray
    offset_s: int | None
    latitude_deg: float
    longitude_deg: float
    elevation_m: float

    def local_offset_s(self, longitude_deg: float) -> int:
        """Offset by which days are cut, so that midnight falls into the night."""
        return self.offset_s if self.offset_s is not None else HOUR_S * round(longitude_deg / 15.0)

    def problem(
        self,
        *,
        code: str,
        message: str,
        remedy: str,
        at: int | None = None,
        column: str = "",
        value: str = "",
        severity: Severity = Severity.ERROR,
        rule: str = "",
    ) -> Problem:
        """A problem of the file, or of the line on which hour `at` stands."""
        return Problem(
            code=code,
            file=self.file,
            line=None if at is None else int(self.line[at]),
            column=column,
            value=value,
            message=message,
            remedy=remedy,
            severity=severity,
            rule=rule,
        )


def hourly_frame(weather: Weather, longitude_deg: float) -> "pd.DataFrame":
    """Hours of a file as a table for simulations.

    Returns
    -------
    pandas.DataFrame
        `ghi_w_m2` and `temp_air_c`, indexed by the aware start of each hour in the local standard time
        by which the planner cuts days; missing hours are left out, missing values NaN.
    """
    import datetime

    import pandas as pd

    zone = datetime.timezone(datetime.timedelta(seconds=weather.local_offset_s(longitude_deg)))
    index = pd.to_datetime(weather.start_s, unit="s", utc=True).tz_convert(zone)
    return pd.DataFrame(
        {"ghi_w_m2": weather.ghi_w_m2, "temp_air_c": weather.temp_air_c}, index=index.rename("start")
    )


def stamp_text(second: int) -> str:
    """A UTC second as text for messages."""
    return str(np.datetime64(int(second), "s")).replace("T", " ")[:16]


def in_order(weather: Weather) -> list[Problem]:
    """A problem where an hour stands twice or before its predecessor."""
    wrong = np.flatnonzero(np.diff(weather.start_s) <= 0)
    if not len(wrong):
        return []
    at = int(wrong[0]) + 1
    twice = weather.start_s[at] == weather.start_s[at - 1]
    return [
        weather.problem(
            at=at,
            code="duplicate-hour" if twice else "hours-out-of-order",
            value=stamp_text(weather.start_s[at]) + " UTC",
            message=(
                f"the hour stands on line {weather.line[at - 1]} already"
                if twice
                else f"the hour is earlier than that on line {weather.line[at - 1]}"
            ),
            remedy="keep one row an hour, in the order of time; stamps must not follow summer time",
            rule="strictly rising",
        )
    ]
