"""Candidate designs of every site as explicit columns."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from planner.fleet.buying import FloatArray, IntArray

Index = NDArray[np.int32]  # a pool has a million designs


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """What designs are made of: indices and counts of their parts (arrays over D).

    `tilt` is the place in the plane of array, `kit` that in the site's kits for the system voltage; mount and
    enclosure that in the fittings.
    """

    system_voltage_v: Index
    tilt: Index
    kit: Index
    battery: Index
    batteries_series: Index
    batteries_parallel: Index
    charge_setpoint_v: FloatArray
    module: Index
    modules_series: Index
    modules_parallel: Index
    controller: Index
    controllers: Index
    mount: Index
    mounts: Index
    enclosure: Index
    enclosures: Index

    @classmethod
    def join(cls, parts: Sequence["Column"]) -> "Column":
        """One after the other."""
        if len(parts) == 1:
            return parts[0]
        names = cls.__dataclass_fields__
        return cls(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})

    def items(self) -> list[tuple[str, NDArray[np.generic]]]:
        """Arrays by name."""
        return [(name, getattr(self, name)) for name in self.__dataclass_fields__]

    def take(self, keep: NDArray[np.integer]) -> "Column":
        """The designs at the given places."""
        return Column(**{name: values[keep] for name, values in self.items()})


@dataclass(frozen=True, slots=True, kw_only=True)
class Designs:
    """Designs (D) of one or several sites: their site, parts, units to buy of each SKU, and all other cost.

    Attributes
    ----------
    site : (D,)
        Site of each design, rising.
    usage : sparse (D, K)
        Units of each SKU that are bought for the site: what the design needs, less what stands there.
    other_cost : (D,)
        Freight, access, installation labour and upkeep, currency.
    """

    site: IntArray
    column: Column
    usage: sparse.csr_matrix
    other_cost: FloatArray

    @classmethod
    def join(cls, parts: Sequence["Designs"]) -> "Designs":
        """One after the other, by site."""
        site = np.concatenate([part.site for part in parts])
        whole = cls(
            site=site,
            column=Column.join([part.column for part in parts]),
            usage=sparse.vstack([part.usage for part in parts], format="csr"),
            other_cost=np.concatenate([part.other_cost for part in parts]),
        )
        return whole.take(np.argsort(site, kind="stable"))

    def take(self, keep: NDArray[np.integer]) -> "Designs":
        """The designs at the given places."""
        return Designs(
            site=self.site[keep],
            column=self.column.take(keep),
            usage=self.usage[keep],
            other_cost=self.other_cost[keep],
        )

    def shifted(self, first: int) -> "Designs":
        """With sites numbered from another one on."""
        return replace(self, site=self.site + first)

    def distinct(self) -> "Designs":
        """Without repetitions; the first stays."""
        code = self.site.astype(np.int64)
        for _, values in self.column.items():
            code = with_digit(code, values)
        first = np.unique(code, return_index=True)[1]
        return self if len(first) == len(code) else self.take(np.sort(first))


def with_digit(code: IntArray, values: NDArray[np.generic]) -> IntArray:
    """Numbers (D,) that are alike where codes and values (D,) are; codes and whole values are 0 at least."""
    whole = np.issubdtype(values.dtype, np.integer)
    digit = values.astype(np.int64) if whole else np.unique(values, return_inverse=True)[1]
    size = int(digit.max(initial=0)) + 1
    if (int(code.max(initial=0)) + 1) * size > np.iinfo(np.int64).max:
        code = np.unique(code, return_inverse=True)[1].astype(np.int64)
    return np.asarray(code * size + digit)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pool:
    """Candidate designs of the fleet, by site (S), over SKUs (K).

    Attributes
    ----------
    place : (S,)
        Place of each site in the scenario's table.
    designs : Designs
        At least one of each site.
    start : (S,)
        First design of each site.
    most : (K,)
        No plan buys more units of a SKU.
    greatest : (S, K), optional
        No design of a site takes more.
    """

    place: IntArray
    designs: Designs
    start: IntArray
    most: FloatArray
    greatest: FloatArray | None = None

    @property
    def sites(self) -> int:
        """Number of sites."""
        return len(self.start)

    @property
    def size(self) -> int:
        """Number of designs."""
        return len(self.designs.site)

    def with_designs(self, more: Sequence[Designs]) -> "Pool":
        """The pool with more designs of its sites, behind those that each has."""
        return self._of(Designs.join([self.designs, *more]).distinct()) if more else self

    def take(self, keep: NDArray[np.integer]) -> "Pool":
        """The pool with the designs at the given places, rising, only."""
        return self._of(self.designs.take(keep))

    def _of(self, designs: Designs) -> "Pool":
        return replace(self, designs=designs, start=starts_of(designs.site, self.sites))

    def nearest(self, cost: FloatArray, number: int) -> IntArray:
        """Places of so many designs of the least `cost` (D,) at each site, rising."""
        order = np.lexsort((cost, self.designs.site))
        rank = np.arange(self.size) - self.start[self.designs.site[order]]
        return np.sort(order[rank < number])

    def cheapest(self, cost: FloatArray) -> tuple[FloatArray, IntArray]:
        """Least of `cost` (D,) at each site, and the first design that has it."""
        least = np.minimum.reduceat(cost, self.start)
        hits = np.flatnonzero(cost <= least[self.designs.site])
        return least, hits[np.searchsorted(self.designs.site[hits], np.arange(self.sites))]


def starts_of(site: IntArray, sites: int) -> IntArray:
    """First design of each site, where sites (D,) rise."""
    return np.searchsorted(site, np.arange(sites)).astype(np.int64)
