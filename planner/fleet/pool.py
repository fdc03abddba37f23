"""Candidate designs of every site: priced exactly, and kept as explicit columns where they can matter.

Of the designs that are not kept the pool knows what they cost at least.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from planner.designs import SiteOptions
from planner.fleet.market import FloatArray, IntArray
from planner.fleet.pricing import (
    Priced,
    Pricer,
    SiteOffer,
    block_volume,
    count,
    module_area,
    volume,
)

BoolArray = NDArray[np.bool_]
Index = NDArray[np.int32]  # a pool has a million designs


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """What designs are made of: indices and counts of their parts (arrays over D).

    `kit` is the place in the site's kits for the system voltage; mount and enclosure that in the fittings.
    """

    system_voltage_v: Index
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
        names = cls.__dataclass_fields__
        return cls(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})

    def items(self) -> list[tuple[str, NDArray[np.generic]]]:
        """Arrays by name."""
        return [(name, getattr(self, name)) for name in self.__dataclass_fields__]

    def take(self, keep: NDArray[np.integer]) -> "Column":
        """The designs at the given places."""
        return Column(**{name: values[keep] for name, values in self.items()})


@dataclass(frozen=True, slots=True, kw_only=True)
class Pool:
    """Candidate designs of the fleet (D), by site (S), over SKUs (K).

    Attributes
    ----------
    place : (S,)
        Place of each site in the scenario's table.
    site : (D,)
        Site of each design, rising.
    start : (S,)
        First design of each site.
    usage : sparse (D, K)
        Units of each SKU.
    other_cost : (D,)
        Freight, access and installation, currency.
    floor : (S,)
        No design outside the pool costs less than this at the prices it was made at, or at higher ones.
    most : (K,)
        No plan of interest needs more units of a SKU.
    complete : bool
        Every design under the threshold is in the pool.
    """

    place: IntArray
    site: IntArray
    start: IntArray
    column: Column
    usage: sparse.csr_matrix
    other_cost: FloatArray
    floor: FloatArray
    most: FloatArray
    complete: bool

    @property
    def sites(self) -> int:
        """Number of sites."""
        return len(self.start)

    def take(self, keep: BoolArray) -> "Pool":
        """The pool without designs that are known to be in no better plan (at least one a site stays)."""
        site = self.site[keep]
        return Pool(
            place=self.place,
            site=site,
            start=np.searchsorted(site, np.arange(self.sites)).astype(np.int64),
            column=self.column.take(np.flatnonzero(keep)),
            usage=self.usage[keep],
            other_cost=self.other_cost[keep],
            floor=self.floor,
            most=self.most,
            complete=self.complete,
        )

    def cheapest(self, cost: FloatArray) -> tuple[FloatArray, IntArray]:
        """Least of `cost` (D,) at each site, and the first design that has it."""
        least = np.minimum.reduceat(cost, self.start)
        hits = np.flatnonzero(cost <= np.repeat(least, np.diff(np.append(self.start, len(cost)))))
        return least, hits[np.searchsorted(self.site[hits], np.arange(self.sites))]


def make_pool(
    pricer: Pricer,
    offers: Iterable[SiteOffer],
    *,
    low: FloatArray,
    high: FloatArray | None = None,
    slack: float | None = None,
    designs_max: int,
) -> Pool | None:
    """Price every design of every site and keep those that can matter; None without a site.

    A site's threshold at the prices `low` is what its best design costs at the prices `high`, or its
    least cost plus `slack`. At most `designs_max` designs are kept at a site, the cheapest.
    """
    place: list[int] = []
    kept: list[tuple[Column, sparse.csr_matrix, FloatArray]] = []
    floor: list[float] = []
    most, complete = np.zeros(len(pricer.market.skus)), True
    for offer in offers:
        unit = pricer.landed(low, offer)
        pairs = list(zip(offer.options, offer.kits, strict=True))
        priced = [pricer.price(o, kits, unit, offer) for o, kits in pairs]
        if slack is not None:
            threshold = min(float(p.cost.min()) for p in priced) + slack
        else:
            dear = pricer.landed(low if high is None else high, offer)
            threshold = min(float(pricer.price(o, kits, dear, offer).cost.min()) for o, kits in pairs)
        most += greatest_use(pricer, offer, priced, np.finfo(float).max if slack is None else threshold)
        cap = _cap(priced, threshold, designs_max)
        found = [expand(pricer, offer, o, unit, p, cap) for o, p in zip(offer.options, priced, strict=True)]
        column, total = Column.join([c for c, _ in found]), np.concatenate([t for _, t in found])
        order = np.argsort(total, kind="stable")[:designs_max]
        cut = len(total) > designs_max
        floor.append(float(np.sort(total)[designs_max]) if cut else cap)
        complete &= not cut and cap >= threshold
        column = column.take(order)
        usage = usage_of(pricer, offer, column)
        place.append(offer.site)
        kept.append(
            (column, usage, usage @ (pricer.market.weight_kg * offer.freight_per_kg) + offer.fixed_cost)
        )
    if not place:
        return None
    sizes = np.array([len(other) for _, _, other in kept])
    return Pool(
        place=np.array(place, dtype=np.int64),
        site=np.repeat(np.arange(len(place)), sizes),
        start=np.concatenate(([0], np.cumsum(sizes)[:-1])).astype(np.int64),
        column=Column.join([c for c, _, _ in kept]),
        usage=sparse.vstack([u for _, u, _ in kept], format="csr"),
        other_cost=np.concatenate([other for _, _, other in kept]),
        floor=np.array(floor),
        most=most,
        complete=complete,
    )


def _cap(priced: Sequence[Priced], threshold: float, designs: int) -> float:
    """The threshold, or less where more than `designs` designs lie under it."""
    under = np.concatenate([p.cost[p.cost <= threshold] for p in priced])
    return threshold if len(under) <= designs else float(np.partition(under, designs)[designs])


def expand(
    pricer: Pricer, offer: SiteOffer, o: SiteOptions, unit: FloatArray, priced: Priced, threshold: float
) -> tuple[Column, FloatArray]:
    """Explicit designs of one voltage that cost no more than `threshold`, over every mount and enclosure."""
    f = pricer.fittings
    row, array = np.nonzero(priced.cost <= threshold)
    bare = _bare(o, row, array)
    modules = (bare.modules_parallel * bare.modules_series).astype(float)
    module_m2, block_l, litres = module_area(o)[array], block_volume(o)[row], volume(o)[row, array]
    rest = priced.cost[row, array] - priced.mounts[array, bare.modules_parallel]
    rest -= priced.housing[row, array]
    found: list[Column] = []
    totals: list[FloatArray] = []
    for m in pricer.mounts_allowed(offer).tolist():
        n_mount = pricer.mounts_for(modules, module_m2, m)
        with_mount = rest + n_mount * unit[f.mount_sku[m]]
        for e in range(len(f.enclosure_sku)):
            n_box = pricer.boxes_for(litres, block_l, e)
            total = with_mount + n_box * unit[f.enclosure_sku[e]]
            keep = np.flatnonzero(total <= threshold + 1e-9)
            totals.append(total[keep])
            found.append(
                replace(
                    bare.take(keep),
                    mount=np.full(len(keep), m, dtype=np.int32),
                    mounts=n_mount[keep].astype(np.int32),
                    enclosure=np.full(len(keep), e, dtype=np.int32),
                    enclosures=n_box[keep].astype(np.int32),
                )
            )
    return Column.join(found), np.concatenate(totals)


def _bare(o: SiteOptions, row: IntArray, array: IntArray) -> Column:
    """The designs at the given places, without mounts and enclosures."""
    none = np.zeros(len(row), dtype=np.int32)
    return Column(
        system_voltage_v=np.full(len(row), o.system_voltage_v, dtype=np.int32),
        kit=o.kit[row].astype(np.int32),
        battery=o.battery[row].astype(np.int32),
        batteries_series=o.batteries_series[row].astype(np.int32),
        batteries_parallel=o.batteries_parallel[row, array].astype(np.int32),
        charge_setpoint_v=o.charge_setpoint_v[row],
        module=o.module[array].astype(np.int32),
        modules_series=o.modules_series[array].astype(np.int32),
        modules_parallel=o.modules_parallel[row, array].astype(np.int32),
        controller=o.controller[array].astype(np.int32),
        controllers=o.controllers[array].astype(np.int32),
        mount=none,
        mounts=none,
        enclosure=none,
        enclosures=none,
    )


def usage_of(pricer: Pricer, offer: SiteOffer, column: Column) -> sparse.csr_matrix:
    """Units of each SKU that the designs of one site take, sparse (D, K)."""
    f, parts, c = pricer.fittings, pricer.parts, column
    everyone = np.arange(len(c.kit))
    triples = [
        (everyone, parts.module[c.module], c.modules_series * c.modules_parallel),
        (everyone, parts.controller[c.controller], c.controllers),
        (everyone, parts.battery[c.battery], c.batteries_series * c.batteries_parallel),
        (everyone, f.mount_sku[c.mount], c.mounts),
        (everyone, f.enclosure_sku[c.enclosure], c.enclosures),
    ]
    for o, kits in zip(offer.options, offer.kits, strict=True):
        at_voltage = np.flatnonzero(c.system_voltage_v == o.system_voltage_v)
        for k in np.unique(c.kit[at_voltage]):
            users = at_voltage[c.kit[at_voltage] == k]
            triples += [
                (users, np.full(len(users), pricer.market.index[sku]), np.full(len(users), number))
                for sku, number in kits[k].units
            ]
    d, k, n = (np.concatenate(part) for part in zip(*triples, strict=True))
    shape = (len(everyone), len(pricer.market.skus))
    return sparse.csr_matrix((n.astype(float), (d, k)), shape=shape)


def greatest_use(
    pricer: Pricer, offer: SiteOffer, priced: Sequence[Priced], threshold: float
) -> FloatArray:
    """Most units of each SKU that any design of a site under `threshold` takes (K,)."""
    most = np.zeros(len(pricer.market.skus))
    f, parts = pricer.fittings, pricer.parts
    for o, kits, p in zip(offer.options, offer.kits, priced, strict=True):
        alive = p.cost <= threshold
        strings = np.where(alive, o.modules_parallel, 0)
        blocks = np.where(alive, o.batteries_parallel, 0).max(axis=1)
        columns, rows = alive.any(axis=0), alive.any(axis=1)
        np.maximum.at(most, parts.module[o.module], o.modules_series * strings.max(axis=0))
        np.maximum.at(most, parts.controller[o.controller], o.controllers * columns)
        np.maximum.at(most, parts.battery[o.battery], o.batteries_series * blocks)
        for k in np.unique(o.kit[rows]):
            for sku, number in kits[k].units:
                most[pricer.market.index[sku]] = max(most[pricer.market.index[sku]], number)
        modules = float((strings * o.modules_series[None, :]).max(initial=0.0))
        litres = float(np.where(alive, volume(o), 0.0).max(initial=0.0))
        np.maximum.at(most, f.mount_sku, modules)  # a mount carries one at least
        np.maximum.at(most, f.enclosure_sku, count(np.float64(litres), f.enclosure_volume_l))
    return most
