"""Rules that tie the sites' designs together beside the cost of what they need."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.fleet.buying import FloatArray, IntArray
from planner.fleet.market import BoolArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Cap:
    """At most `most` of the SKUs (places in the market) may be used."""

    category: str
    skus: IntArray
    most: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """Rules over SKUs (K), sites (S), battery kinds (C) and groups of sites (G).

    Attributes
    ----------
    required : (K,)
        SKUs that some site must use.
    caps : sequence of Cap
        How many SKUs of a category may be used.
    kind : (B,)
        Kind of each battery of the catalogue; all 0 where kinds do not matter.
    kinds : int
        Number of kinds; the sites of a region have batteries of one kind.
    region : (S,)
        Region of each site, 0, 1, ...; a site of no region is one of its own.
    group, count : (S,), (G,)
        Group of each site, and how many sites of each group are served at least. Where no SKU is required, a
        plan that serves more than that costs no less without them.
    """

    required: BoolArray
    caps: Sequence[Cap]
    kind: IntArray
    kinds: int
    region: IntArray
    group: IntArray
    count: IntArray

    @property
    def counted(self) -> BoolArray:
        """SKUs (K,) of which a rule counts whether they are used."""
        counted = self.required.copy()
        for cap in self.caps:
            counted[cap.skus] = True
        return counted

    @property
    def all_served(self) -> bool:
        """Whether every site is served."""
        return bool((np.bincount(self.group, minlength=len(self.count)) == self.count).all())

    def serving(self, count: IntArray) -> "Rules":
        """The same rules with other numbers of sites served at least."""
        return replace(self, count=count)

    def beyond_asked(self, served: BoolArray) -> IntArray:
        """How many sites more than asked of each group (G,) are served (S,); below 0 where too few are."""
        return np.asarray(np.bincount(self.group[served], minlength=len(self.count)) - self.count)

    def rank(self, cost: FloatArray) -> IntArray:
        """Rank of each site in its group by cost (S,), the cheapest 0."""
        order = np.lexsort((np.arange(len(cost)), cost, self.group))
        first = np.searchsorted(self.group[order], np.arange(len(self.count)))
        rank = np.empty(len(cost), dtype=np.int64)
        rank[order] = np.arange(len(cost)) - first[self.group[order]]
        return rank

    def select(self, least: FloatArray) -> tuple[float, IntArray, BoolArray]:
        """The sites' side of the bound from the least cost of each site by kind (S, C).

        Returns its value, and for each site the kind it takes and whether it is served. Where sites are left
        out, the value lets each site take its own kind: it stays a lower bound.
        """
        kind, cost = self.kind_by_region(least)
        if self.all_served:
            return float(cost.sum()), kind, np.ones(len(kind), dtype=bool)
        served = self.rank(cost) < self.count[self.group]
        free = least.min(axis=1)
        floor = 0.0
        for g, number in enumerate(self.count.tolist()):
            floor += float(np.sort(free[self.group == g])[:number].sum())
        return floor, kind, served

    def kind_by_region(self, least: FloatArray) -> tuple[IntArray, FloatArray]:
        """Kind of each site (S,) by the cheapest kind of its region, and the site's least cost with it."""
        if self.kinds == 1:
            return np.zeros(len(least), dtype=np.int64), least[:, 0]
        best = self.region_cost(least).argmin(axis=1)
        kind = best[self.region]
        return kind, least[np.arange(len(kind)), kind]

    def region_cost(self, least: FloatArray) -> FloatArray:
        """Least cost of each region by kind (R, C)."""
        regions = int(self.region.max(initial=-1)) + 1
        return np.stack(
            [np.bincount(self.region, least[:, c], minlength=regions) for c in range(self.kinds)], axis=1
        )


def free_rules(skus: int, batteries: int, sites: int) -> Rules:
    """No rule at all: every site is served."""
    return Rules(
        required=np.zeros(skus, dtype=bool),
        caps=(),
        kind=np.zeros(batteries, dtype=np.int64),
        kinds=1,
        region=np.arange(sites),
        group=np.zeros(sites, dtype=np.int64),
        count=np.array([sites]),
    )
