"""From a site's factored designs to explicit ones, where they can matter: those that a pool begins with, and
those that a pass finds."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse

from planner.fleet.batches import Batch, Sites, as_sites, firsts
from planner.fleet.buying import FloatArray, IntArray
from planner.fleet.pool import Column, Designs, Pool, starts_of
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

REACHES = ((60, np.inf), (1_500, 1.05))  # how far over the cheapest the pool begins, up to so many sites
REACH = 1.02  # of more sites; by trial: 1.05 gave 1,000 sites a plan 0.07 % cheaper than 1.02


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
    reach = next((far for most, far in REACHES if sum(sites.counts) <= most), REACH)
    arguments = [(designs_max, reach)] * len(sites.counts)
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
