"""Spares for units in the field: a share of them, or a Poisson count of failures in the resupply time.

References
----------
Sherbrooke (2004), Optimal Inventory Modeling of Systems, 2nd ed.: failures in a lead time as a Poisson count,
and the least stock that covers them with the asked probability.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import pdtri, pdtrik

from planner.fleet.buying import FloatArray, IntArray

WEEKS_PER_YEAR = 365.25 / 7


@dataclass(frozen=True, slots=True, kw_only=True)
class SparesRule:
    """How many spares a SKU takes; without an MTBF the share alone counts.

    Attributes
    ----------
    share : float
        Spares / units in the field.
    failures_per_unit : float
        Mean failures of one unit in the resupply time: resupply time / MTBF; 0 for none.
    protection : float
        Probability that the spares last through the resupply time, 0 to 1.
    """

    share: float = 0.0
    failures_per_unit: float = 0.0
    protection: float = 0.0

    def count(self, units: IntArray) -> IntArray:
        """Spares for units in the field (N,): the larger of the two counts; none for none."""
        by_share: IntArray = np.ceil(self.share * units - 1e-9).astype(np.int64)
        if not self.failures_per_unit:
            return by_share
        by_count = poisson_spares(self.failures_per_unit * units.astype(float), self.protection)
        spares: IntArray = np.where(units > 0, np.maximum(by_share, by_count), 0).astype(np.int64)
        return spares


def poisson_spares(mean: FloatArray, protection: float) -> IntArray:
    """Smallest s with P(X <= s) >= protection for Poisson counts X of the given means (N,)."""
    mean = np.maximum(mean, 1e-12)
    enough = int(np.ceil(pdtrik(protection, mean.max(initial=1e-12)))) + 1
    covered = pdtri(np.arange(enough + 1), protection)  # the greatest mean that so many cover
    return np.searchsorted(covered, mean).astype(np.int64)


def failures(mtbf_years: float, resupply_weeks: float) -> float:
    """Mean failures of one unit in the resupply time."""
    return resupply_weeks / WEEKS_PER_YEAR / mtbf_years
