"""One site's curve, and its steps: what a design must have to hold the availability.

A curve is read by steps, so "battery days >= need(array-to-load ratio)" is that some step has both no greater
ratio and no more days than the design. A site's designs are those of each of its steps, taken together.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

ROUNDING = 1.0 + 1e-6  # a design that just has a step's ratio stands on that step


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """Least array-to-load ratio and battery days that hold an availability together; 0 asks for nothing."""

    availability: float = 0.0
    ratio: float = 0.0
    days: float = 0.0


NO_STEP = Step()


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteCurve:
    """Curve of one site: least battery days (R,) at array-to-load ratios (R,), rising.

    Attributes
    ----------
    availability : float
        Weather-only, of energy; asked.
    days : (R,)
        Never rising; infinite where no battery holds it.
    own_years : int
        Years of the site's own files that it was made of; 0: of drawn years.
    raises : int
        How often fresh years asked for more.
    """

    availability: float
    ratio: FloatArray
    days: FloatArray
    own_years: int = 0
    raises: int = 0

    def need(self, ratio: float) -> float:
        """Battery days beside an array of a ratio; infinite under the first."""
        point = int(np.searchsorted(self.ratio, ratio, side="right")) - 1
        return float(self.days[point]) if point >= 0 else np.inf

    def steps(self, *, ratio_least: float, days_least: float) -> tuple[Step, ...]:
        """Steps that designs can stand on which have a ratio and days asked beside the curve.

        A step of no fewer days than one of a smaller ratio adds no design. Where no battery on the curve
        holds the availability, one step remains, which no design reaches.
        """
        first = max(0, int(np.searchsorted(self.ratio, ratio_least, side="right")) - 1)
        found: list[Step] = []
        for ratio, days in zip(self.ratio[first:].tolist(), self.days[first:].tolist(), strict=True):
            reached = max(days, days_least)
            if np.isfinite(days) and (not found or reached < max(found[-1].days, days_least)):
                found.append(Step(availability=self.availability, ratio=ratio, days=days))
        none = Step(availability=self.availability, ratio=float(self.ratio[-1]), days=np.inf)
        return tuple(found) or (none,)

    def raised(self, *, ratio: float, days: float, share: float) -> "SiteCurve":
        """The curve, all over in proportion, so that a design of a ratio needs a share more days than it has.

        A design that missed so never stands on it again.
        """
        need = self.need(ratio * ROUNDING)
        factor = (1.0 + share) * (max(1.0, days / need) if 0 < need < np.inf else 1.0)
        return replace(self, days=self.days * factor, raises=self.raises + 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """What the design of one site did in years that its curve never saw, for weather alone.

    Attributes
    ----------
    loss, loss_low, loss_high : float
        Loss of load probability, and its interval.
    lowest_charge : (12,)
        Over the usable energy, by month.
    """

    site: int
    curve: SiteCurve
    array_to_load_ratio: float
    battery_days: float
    loss: float
    loss_low: float
    loss_high: float
    unserved_wh_year: float
    longest_outage_h: float
    lowest_charge: FloatArray
    days_low_year: float
    equivalent_full_cycles_year: float
    unused_wh_year: float

    @property
    def days_needed(self) -> float:
        """Battery days that the curve asks of a design of this ratio."""
        return self.curve.need(self.array_to_load_ratio * ROUNDING)

    @property
    def missed(self) -> bool:
        """Whether more was lost than is asked, beyond what chance explains."""
        return self.loss_low > 1.0 - self.curve.availability
