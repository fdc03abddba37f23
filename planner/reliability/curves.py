"""Isoreliability curves: the least battery for each array at one availability.

What is available is energy, and weather alone takes it away: faults of the hardware are not in it.

The battery of a point was simulated and held; one by a per cent smaller did not (`search.py`; where a load
waits for a share of the battery before it comes back, loss need not fall everywhere with size). Between two
points an array needs the battery of the smaller array: what holds with an array holds with a larger one. A
chord would claim less than is needed in places. Curves of no loss are convex, since the deepest spell is a
greatest sum over runs of days, each convex in the array; at other targets the charge at which a load comes
back and the count of hours bend them by some per cent, so convexity is told as found.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from planner.errors import Refusal
from planner.reliability.loads import Loads, load_year
from planner.reliability.search import Batch, least_batteries
from planner.reliability.years import DAYS, Float32Array
from planner.settings import LOST_DAYS_LEAST, years_needed
from planner.units import HOURS_PER_DAY

FloatArray = NDArray[np.float64]

#: Array-to-load ratios of a curve's points.
RATIOS = (1.0, 1.05, 1.1, 1.2, 1.3, 1.4, 1.6, 1.8, 2.0, 2.5, 3.0, 4.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Curves:
    """Least batteries (S, R), days of the greatest month's load, at array-to-load ratios (R,), rising.

    Infinite where no battery of `BATTERY_DAYS_MAX` days holds the availability.
    """

    availability: float
    ratio: FloatArray
    days: FloatArray

    @property
    def convex(self) -> NDArray[np.bool_]:
        """If each inner point (S, R - 2) lies on or under the chord of its neighbours."""
        finite = np.where(np.isfinite(self.days), self.days, np.nan)
        slope = np.diff(finite, axis=1) / np.diff(self.ratio)
        return np.asarray(~(slope[:, 1:] < slope[:, :-1]))

    def need(self, site: int, ratio: ArrayLike) -> FloatArray:
        """Battery days that arrays of a site need, never less than the curve; any shape.

        Infinite under the smallest ratio; the last point's beyond the greatest.
        """
        point = np.searchsorted(self.ratio, np.asarray(ratio, dtype=float), side="right") - 1
        return np.asarray(np.where(point < 0, np.inf, self.days[site][np.maximum(point, 0)]))


def unresolved(availability: float, years: int, *, site_id: str = "") -> Refusal | None:
    """Why so many distinct years cannot tell if a weather-only availability is met; None if they can.

    A target of 1 asks for no loss in the simulated years, which any number of years can answer.
    """
    needed = years_needed(availability)
    if needed <= years:
        return None
    return Refusal(
        rule="availability-unresolved", subject=site_id, value=years, limit=needed, unit="years",
        message=f"{years} years of weather cannot resolve a weather-only availability of "
        f"{100 * availability:g} %, which leaves {(1 - availability) * DAYS * years:.1f} lost days in them; "
        f"the least is {LOST_DAYS_LEAST:g}, so it would take {needed} years",
    )


def site_curves(
    days: Float32Array, loads: Loads, *, availability: float, ratios: Sequence[float] = RATIOS
) -> Curves:
    """Curves of S sites over simulated years, of which the first fills the batteries and is not counted.

    Parameters
    ----------
    days : (S, (1 + years) x 365)
        Relative daily irradiation of the plane (`years.py`).
    loads : Loads
    availability : float
        Share of time with the load served, for weather alone; 1 asks for no loss in the years.
    ratios : sequence of R
        Rising. Array-to-load ratios: `array / (day load + night load / efficiency)` in the least month.

    Raises
    ------
    ValueError
        The years cannot resolve the availability; ask `unresolved` before.
    """
    counted = days.shape[1] // DAYS - 1
    refusal = unresolved(availability, counted)
    if refusal is not None:
        raise ValueError(refusal.message)
    ratio = np.asarray(ratios, dtype=float)
    batch = Batch(days=days, year=load_year(loads), loads=loads, ratio=ratio)
    found = least_batteries(batch, lost_hours=(1.0 - availability) * counted * DAYS * HOURS_PER_DAY)
    # what holds with an array holds with a larger one
    return Curves(availability=availability, ratio=ratio, days=np.minimum.accumulate(found, axis=1))
