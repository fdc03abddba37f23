"""Candidate designs of every site as explicit columns, made from the factored ones where they can matter."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from planner.fleet.batches import Batch, Sites, as_sites, firsts
from planner.fleet.buying import FloatArray, IntArray
from planner.fleet.pricing import (
    Boxes,
    Option,
    Priced,
    Pricer,
    SiteOffer,
    block_volume,
    module_area,
    volume_at,
)

BoolArray = NDArray[np.bool_]
REACH, FEW = 1.02, 60  # how far over the cheapest the pool begins, where there are more sites than so few
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
    def none(cls, skus: int) -> "Designs":
        """No designs, over so many SKUs."""
        return cls(
            site=np.zeros(0, dtype=np.int64),
            column=Column(
                **{
                    name: np.zeros(0, dtype=float if name == "charge_setpoint_v" else np.int32)
                    for name in Column.__dataclass_fields__
                }
            ),
            usage=sparse.csr_matrix((0, skus)),
            other_cost=np.zeros(0),
        )

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
        return self._of(Designs.join([self.designs, *more]).distinct())

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


@dataclass(frozen=True, slots=True, kw_only=True)
class PoolPart:
    """A batch's share of the pool, its sites numbered from 0."""

    place: list[int]
    designs: list[Designs]
    greatest: FloatArray


def make_pool(pricer: Pricer, offers: Sites | Iterable[SiteOffer], *, designs_max: int) -> Pool | None:
    """Price each site's designs to begin with and keep those that cost least at the lowest prices.

    At most `designs_max` are kept at a site, of those that cost no more at the lowest prices than the
    cheapest does at the prices of single units. None without a site.
    """
    sites = as_sites(pricer, offers)
    arguments = [(designs_max, REACH if sum(sites.counts) > FEW else np.inf)] * len(sites.counts)
    parts: list[PoolPart] = list(sites.run(pool_part, arguments))
    place = [i for part in parts for i in part.place]
    if not place:
        return None
    shifted = [
        one.shifted(first) for first, part in zip(firsts(sites), parts, strict=False) for one in part.designs
    ]
    designs = Designs.join(shifted).distinct()  # steps of a curve may have designs in common
    return Pool(
        place=np.array(place, dtype=np.int64),
        designs=designs,
        start=starts_of(designs.site, len(place)),
        most=np.sum([part.greatest.sum(axis=0) for part in parts], axis=0),
        greatest=np.concatenate([part.greatest for part in parts]),
    )


def pool_part(batch: Batch, designs_max: int, reach: float) -> PoolPart:
    """The pool of a batch's sites."""
    pricer, kept = batch.pricer, []
    greatest = np.zeros((len(batch.offers), len(pricer.market.skus)))
    for s in range(len(batch.offers)):
        offer = batch.first(s, reach)
        low, high = (pricer.landed(p, offer) for p in (pricer.market.low_price, pricer.market.list_price))
        threshold = min(float(pricer.price(option, high, offer).cost.min()) for option in offer.options)
        priced = [pricer.price(option, low, offer) for option in offer.options]
        kept.append(cheapest_designs(pricer, offer, s, priced, low, threshold, designs_max)[0])
        greatest[s] = greatest_use(pricer, offer)
    return PoolPart(place=[offer.site for offer in batch.offers], designs=kept, greatest=greatest)


def cheapest_designs(
    pricer: Pricer,
    offer: SiteOffer,
    s: int,
    priced: Sequence[Priced],
    table: FloatArray,
    threshold: float,
    designs_max: int,
) -> tuple[Designs, float]:
    """Designs of site s that cost at most `threshold`, the cheapest first, and what others cost at least."""
    cap = _cap(priced, threshold, designs_max)
    pairs = zip(offer.options, priced, strict=True)
    found = [expand(pricer, offer, option, table, p, cap) for option, p in pairs]
    column, total = Column.join([c for c, _ in found]), np.concatenate([t for _, t in found])
    order = np.argsort(np.round(total, 6), kind="stable")
    beyond = float(total[order[designs_max]]) if len(order) > designs_max else cap
    order = order[:designs_max]
    column = column.take(order)
    needed = units_needed(pricer, offer, column)
    usage = bought_for(offer, needed)
    upkeep = offer.upkeep.cost(needed) if offer.upkeep is not None else 0.0
    designs = Designs(
        site=np.full(len(order), s, dtype=np.int64),
        column=column,
        usage=usage,
        other_cost=usage @ pricer.landing(offer) + offer.fixed_cost + upkeep,
    )
    return designs, beyond


def _cap(priced: Sequence[Priced], threshold: float, designs: int) -> float:
    """The threshold, or less where more than `designs` designs lie under it."""
    under = np.concatenate([p.cost[p.cost <= threshold] for p in priced])
    return threshold if len(under) <= designs else float(np.partition(under, designs)[designs])


def expand(
    pricer: Pricer, offer: SiteOffer, option: Option, table: FloatArray, priced: Priced, threshold: float
) -> tuple[Column, FloatArray]:
    """Explicit designs of one option that cost no more than `threshold`, over every mount and enclosure."""
    o, f, most = option.designs, pricer.fittings, table.shape[1] - 1
    row, array = np.nonzero(priced.cost <= threshold)
    strings = o.modules_parallel[row, array]
    modules = strings.astype(np.int64) * o.modules_series[array]
    m = pricer.mounts_allowed(option.surface_tilt_deg, offer)[:, None]
    e = pricer.enclosures_allowed(offer)[:, None]
    n_mount = pricer.mounts_for(modules, module_area(o)[array], pricer.module_kg(o)[array], m, most)
    n_box = pricer.boxes_for(volume_at(o, row, array), block_volume(o)[row], e, most)
    rest = priced.cost[row, array] - priced.mounts[array, strings] - priced.housing[row, array]
    total = (rest + table[f.mount_sku[m], n_mount])[:, None] + table[f.enclosure_sku[e], n_box]
    mount, box, d = np.nonzero(total <= threshold + 1e-9 * abs(threshold) + 1e-6)
    fitted = {
        "mount": m[mount, 0],
        "mounts": n_mount[mount, d],
        "enclosure": e[box, 0],
        "enclosures": n_box[box, d],
    }
    return _column(option, row[d], array[d], fitted), total[mount, box, d]


def _column(option: Option, row: IntArray, array: IntArray, fitted: Mapping[str, IntArray]) -> Column:
    """The designs at the given places, with mounts and enclosures."""
    o = option.designs
    places = {
        "system_voltage_v": np.full(len(row), o.system_voltage_v),
        "tilt": np.full(len(row), option.tilt),
        "kit": o.kit[row],
        "battery": o.battery[row],
        "batteries_series": o.batteries_series[row],
        "batteries_parallel": o.batteries_parallel[row, array],
        "module": o.module[array],
        "modules_series": o.modules_series[array],
        "modules_parallel": o.modules_parallel[row, array],
        "controller": o.controller[array],
        "controllers": o.controllers[array],
        **fitted,
    }
    whole = {name: values.astype(np.int32) for name, values in places.items()}
    return Column(charge_setpoint_v=o.charge_setpoint_v[row], **whole)


def bought_for(offer: SiteOffer, needed: sparse.csr_matrix) -> sparse.csr_matrix:
    """What is left to buy (D, K) of what designs need at a site; nothing stands there as a zero."""
    if not offer.existing:
        return needed
    left = needed.copy()
    left.data = np.maximum(left.data - offer.there(left.shape[1])[left.indices], 0.0)
    left.eliminate_zeros()
    return left


def units_needed(pricer: Pricer, offer: SiteOffer, column: Column) -> sparse.csr_matrix:
    """Units of each SKU that the designs of one site need there, sparse (D, K)."""
    f, parts, c = pricer.fittings, pricer.parts, column
    skus = [
        parts.module[c.module],
        parts.controller[c.controller],
        parts.battery[c.battery],
        f.mount_sku[c.mount],
        f.enclosure_sku[c.enclosure],
    ]
    numbers = [
        c.modules_series * c.modules_parallel,
        c.controllers,
        c.batteries_series * c.batteries_parallel,
        c.mounts,
        c.enclosures,
    ]
    boxes = _boxes_of(pricer, offer, column)
    sku, number = np.column_stack([*skus, boxes.sku]), np.column_stack([*numbers, boxes.number])
    order = np.argsort(sku, axis=1, kind="stable")
    sku, number = (np.take_along_axis(one, order, axis=1) for one in (sku, number))
    some = number > 0
    ends = np.append(0, np.cumsum(some.sum(axis=1)))
    shape = len(sku), len(pricer.market.skus)
    return sparse.csr_matrix((number[some].astype(float), sku[some], ends), shape=shape)


def _boxes_of(pricer: Pricer, offer: SiteOffer, column: Column) -> Boxes:
    """Boxes of the kits of one site's designs."""
    every = {one.designs.system_voltage_v: pricer.boxes_of(one) for one in offer.options}
    width = max((boxes.sku.shape[1] for boxes in every.values()), default=0)
    sku, number = (np.zeros((len(column.kit), width), dtype=np.int64) for _ in range(2))
    for voltage, boxes in every.items():
        at, own = np.flatnonzero(column.system_voltage_v == voltage), slice(boxes.sku.shape[1])
        sku[at, own], number[at, own] = boxes.sku[column.kit[at]], boxes.number[column.kit[at]]
    return Boxes(sku=sku, number=number)


def greatest_use(pricer: Pricer, offer: SiteOffer) -> FloatArray:
    """Most units of each SKU that are bought for any design of a site (K,)."""
    if offer.most is not None:
        return offer.most
    most = np.zeros(len(pricer.market.skus))
    f, parts = pricer.fittings, pricer.parts
    for option in offer.options:
        o, kits = option.designs, option.kits
        modules = o.modules_series * o.modules_parallel.max(axis=0)
        np.maximum.at(most, parts.module[o.module], modules)
        np.maximum.at(most, parts.controller[o.controller], o.controllers)
        np.maximum.at(most, parts.battery[o.battery], o.batteries_series * o.batteries_parallel.max(axis=1))
        for k in np.unique(o.kit):
            for sku, number in kits[k].units:
                most[pricer.market.index[sku]] = max(most[pricer.market.index[sku]], number)
        np.maximum.at(most, f.mount_sku, float(modules.max(initial=0)))  # a mount carries one at least
        np.maximum.at(most, f.enclosure_sku, float(f.enclosures_max))
    return np.maximum(most - offer.there(len(most)), 0.0)
