"""What the need of each SKU costs the fleet: `G_k(n) = H_k(n + spares_k(n)) + onboarding_k`, `G_k(0) = 0`.

Everything that buying a SKU asks of the fleet is in `G`: suppliers, tiers, packs, least orders, stock,
spares, and the cost of taking a SKU on. The rest of the fleet model knows `G` alone.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.fleet.buying import FloatArray, IntArray, Source, need_cost
from planner.fleet.spares import SparesRule

OVERDRAW = 2.0  # what a unit beyond the stock costs a search, in whole stocks: enough to look elsewhere


@dataclass(frozen=True, slots=True, kw_only=True)
class Needs:
    """`G` of every SKU (K) for needs up to `most`, one SKU after the other.

    Attributes
    ----------
    first : (K,)
        Place of the SKU's need of nothing in `cost`.
    most : (K,)
        Greatest need that any plan has and that can be bought.
    limited : (K,)
        Whether some plan needs more than can be bought.
    cost : (sum of most + 1,)
        Currency.
    """

    first: IntArray
    most: IntArray
    limited: NDArray[np.bool_]
    cost: FloatArray

    def of(self, skus: IntArray, units: NDArray[np.integer]) -> FloatArray:
        """Cost of needs (...) of SKUs (...); one that cannot be bought costs far too much, but finitely."""
        held = np.minimum(units, self.most[skus])
        whole = self.cost[self.first[skus] + self.most[skus]]
        beyond = np.asarray(units) - held
        return np.asarray(self.cost[self.first[skus] + held] + OVERDRAW * (whole + 1.0) * beyond)

    def total(self, units: NDArray[np.integer]) -> float:
        """Cost of a need of every SKU (K,); infinite where it cannot be bought."""
        if (units > self.most).any():
            return np.inf
        return float(self.cost[self.first + units].sum())

    @property
    def dearest(self) -> float:
        """Cost of buying as much of every SKU as any plan needs: no plan's goods cost more."""
        return float(self.cost[self.first + self.most].sum())

    def curve(self, k: int) -> FloatArray:
        """`G` of one SKU, from a need of nothing on."""
        return self.cost[self.first[k] : self.first[k] + self.most[k] + 1]


def make_needs(
    sources: Sequence[Sequence[Source]],
    most: FloatArray,
    *,
    spares: Sequence[SparesRule],
    onboarding: FloatArray,
) -> Needs:
    """`G` of SKUs (K) for needs of up to `most` units (K,), or what can be bought of them."""
    curves = []
    for k, some in enumerate(sources):
        units = np.arange(round(float(most[k])) + 1)
        cost = need_cost(some, units + spares[k].count(units))
        cost[1:] += onboarding[k]
        sold = np.isfinite(cost)
        curves.append(cost[: len(cost) if sold.all() else int(sold.argmin())])
    lengths = np.array([len(curve) for curve in curves], dtype=np.int64)
    ends = np.cumsum(lengths)
    return Needs(
        first=ends - lengths,
        most=lengths - 1,
        limited=lengths - 1 < np.round(most),
        cost=np.concatenate(curves) if curves else np.zeros(0),
    )
