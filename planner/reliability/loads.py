"""Loads of sites as their curves see them: free of size, by day and night of each month."""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from planner.climate.sun import MONTH_OF_DAY
from planner.units import HOURS_PER_DAY

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class Loads:
    """What the curves of S sites depend on; energies in any unit, the same for load and array of a site.

    Attributes
    ----------
    array_wh : (S, 12)
        Mean daily energy at the bus of an array of any size: its course over the year counts.
    day_wh, night_wh : (S, 12)
        Net load while the sun is up and while it is down.
    day_hours : (S, 12)
        Day length.
    capacity_share : (S, 12)
        Battery's usable energy in each month over the usable energy that a curve counts in days of load.
    efficiency, self_discharge, reconnect_share : (S,)
        Energy out / energy in; share of the charge lost a day; charge at which a disconnected load comes back
        over the usable energy.
    """

    array_wh: FloatArray
    day_wh: FloatArray
    night_wh: FloatArray
    day_hours: FloatArray
    capacity_share: FloatArray
    efficiency: FloatArray
    self_discharge: FloatArray
    reconnect_share: FloatArray

    def __post_init__(self) -> None:
        for field in fields(self):
            values = getattr(self, field.name)
            if not (np.isfinite(values).all() and (values >= 0).all()):
                raise ValueError(f"{field.name} must be finite and not negative")
        if not ((self.efficiency > 0) & (self.efficiency <= 1)).all() or not (self.capacity_share > 0).all():
            raise ValueError("efficiency must lie in (0, 1], capacity_share above 0")

    def take(self, sites: slice) -> "Loads":
        """Some of the sites."""
        return Loads(**{field.name: getattr(self, field.name)[sites] for field in fields(self)})

    @property
    def array_to_load_ratio(self) -> FloatArray:
        """Least ratio of the array's energy to the load with its night through the battery, over the months
        (S,); infinite without load.
        """
        need = self.day_wh + self.night_wh / self.efficiency[:, None]
        ratio = np.divide(self.array_wh, need, out=np.full(need.shape, np.inf), where=need > 0)
        return np.asarray(ratio.min(axis=1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Year:
    """Course over a year (S, 365) in days of the greatest month's load, each month's over its capacity share.

    So charge is carried from month to month as a state of charge, while its energy falls in the cold.

    Attributes
    ----------
    sun : mean daily energy of the array of ratio 1; 0 where none has a ratio
    day, night : loads
    day_hour, night_hour : hours that a unit of unserved load stands for; 0 without load
    """

    sun: Float32Array
    day: Float32Array
    night: Float32Array
    day_hour: Float32Array
    night_hour: Float32Array


def load_year(loads: Loads) -> Year:
    """The year of each site."""
    greatest = (loads.day_wh + loads.night_wh).max(axis=1, keepdims=True)
    unit = loads.capacity_share * np.where(greatest > 0, greatest, 1.0)
    ratio = loads.array_to_load_ratio[:, None]
    day, night = loads.day_wh / unit, loads.night_wh / unit
    known = np.isfinite(ratio) & (ratio > 0)
    sun = np.divide(loads.array_wh / unit, ratio, out=np.zeros_like(unit), where=known)
    hours = (loads.day_hours, day), (HOURS_PER_DAY - loads.day_hours, night)
    by_day, by_night = (np.divide(h, x, out=np.zeros_like(x), where=x > 0) for h, x in hours)
    parts = (
        months.astype(np.float32)[:, MONTH_OF_DAY] for months in (sun, day, night, by_day, by_night)
    )
    return Year(**dict(zip(Year.__dataclass_fields__, parts, strict=True)))
