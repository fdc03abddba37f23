"""Candidate designs of every site, priced exactly and kept where they can matter.

A site's feasible designs come factored (store rows x array columns, `planner.designs`). This module
prices the whole matrix at given unit prices, keeps the designs under a threshold as explicit columns
and records what is known of the rest.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from planner.demand import SupplyKit
from planner.designs import CatalogueArrays, SiteOptions
from planner.fleet.market import FloatArray, IntArray, Market
from planner.tables.catalogue import BalanceKind, BalanceRow

BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fittings:
    """Mounts and enclosures for sale: SKU index, what one unit holds, and a mount's tilts."""

    mount_sku: IntArray
    mount_area_m2: FloatArray
    mount_tilt_min_deg: FloatArray
    mount_tilt_max_deg: FloatArray
    enclosure_sku: IntArray
    enclosure_volume_l: FloatArray

    def tilts_allowed(self, tilts_deg: Sequence[float]) -> list[float]:
        """The tilts that some mount can be set to; all of them where none can."""
        fits = [
            t for t in tilts_deg if ((self.mount_tilt_min_deg <= t) & (t <= self.mount_tilt_max_deg)).any()
        ]
        return fits or list(tilts_deg)


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteOffer:
    """One site as the fleet sees it: its feasible designs and what goods cost to land there."""

    site: int
    options: Sequence[SiteOptions]
    kits: Sequence[Sequence[SupplyKit]]
    surface_tilt_deg: float
    freight_per_kg: float
    fixed_cost: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PartIndex:
    """SKU indices in the market of the catalogue's modules, batteries and controllers."""

    module: IntArray
    battery: IntArray
    controller: IntArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """Where a design stands in its site's options, and how many of each part it takes (arrays over D)."""

    option: IntArray
    row: IntArray
    array: IntArray
    modules_parallel: IntArray
    batteries_parallel: IntArray
    mount: IntArray
    mounts: IntArray
    enclosure: IntArray
    enclosures: IntArray

    @classmethod
    def join(cls, parts: Sequence["Column"]) -> "Column":
        """One after the other."""
        names = cls.__dataclass_fields__
        return cls(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})

    def take(self, keep: NDArray[np.integer]) -> "Column":
        """The columns at the given places."""
        return Column(**{name: getattr(self, name)[keep] for name in self.__dataclass_fields__})


@dataclass(frozen=True, slots=True, kw_only=True)
class Pool:
    """Candidate designs of the fleet (D), by site (S), over SKUs (K).

    Attributes
    ----------
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


def make_fittings(balance: Sequence[BalanceRow], market: Market) -> Fittings:
    """Mounts and enclosures that are for sale."""
    sold = [row for row in balance if row.sku in market.index]
    mounts = [row for row in sold if row.kind is BalanceKind.MOUNT and row.module_area_max_m2]
    boxes = [row for row in sold if row.kind is BalanceKind.ENCLOSURE and row.volume_max_l]
    return Fittings(
        mount_sku=np.array([market.index[row.sku] for row in mounts], dtype=np.int64),
        mount_area_m2=np.array([row.module_area_max_m2 for row in mounts], dtype=float),
        mount_tilt_min_deg=np.array([row.tilt_min_deg for row in mounts], dtype=float),
        mount_tilt_max_deg=np.array([row.tilt_max_deg for row in mounts], dtype=float),
        enclosure_sku=np.array([market.index[row.sku] for row in boxes], dtype=np.int64),
        enclosure_volume_l=np.array([row.volume_max_l for row in boxes], dtype=float),
    )


def make_part_index(catalogue: CatalogueArrays, market: Market) -> PartIndex:
    """Market indices of the catalogue's arrays."""

    def place(skus: Sequence[str]) -> IntArray:
        return np.array([market.index[sku] for sku in skus], dtype=np.int64)

    return PartIndex(
        module=place(catalogue.module_sku),
        battery=place(catalogue.battery_sku),
        controller=place(catalogue.controller_sku),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Pricer:
    """Prices designs: sum of units x (price + weight x freight) + the site's fixed cost."""

    market: Market
    fittings: Fittings
    parts: PartIndex

    def landed(self, prices: FloatArray, offer: SiteOffer) -> FloatArray:
        """Unit cost of each SKU at a site (K,)."""
        return prices + self.market.weight_kg * offer.freight_per_kg

    def kit_cost(self, kits: Sequence[SupplyKit], unit: FloatArray) -> FloatArray:
        """Cost of each kit's boxes."""
        index = self.market.index
        return np.array([sum(count * unit[index[sku]] for sku, count in kit.units) for kit in kits])

    def mounts_allowed(self, offer: SiteOffer) -> IntArray:
        """Mounts whose tilts hold the site's."""
        f = self.fittings
        fits = (f.mount_tilt_min_deg <= offer.surface_tilt_deg) & (
            offer.surface_tilt_deg <= f.mount_tilt_max_deg
        )
        return np.flatnonzero(fits)

    def mounts_for(self, modules: FloatArray, module_m2: FloatArray, m: int) -> FloatArray:
        """Mounts of one kind that carry whole modules; infinite where one module is too large."""
        each = np.floor(self.fittings.mount_area_m2[m] / module_m2 + 1e-9)
        return np.where(each > 0, np.ceil(modules / np.maximum(each, 1.0)), np.inf)

    def boxes_for(self, volume_l: FloatArray, block_l: FloatArray, e: int) -> FloatArray:
        """Enclosures of one kind that hold a volume; infinite where one battery block is too large."""
        holds = self.fittings.enclosure_volume_l[e]
        return np.where(block_l <= holds, count(volume_l, holds), np.inf)

    def buildable(self, offer: SiteOffer) -> bool:
        """Whether some design of the site finds a mount and an enclosure."""
        unit = self.landed(self.market.list_price, offer)
        pairs = zip(offer.options, offer.kits, strict=True)
        return any(bool(np.isfinite(self.matrix(o, kits, unit, offer)).any()) for o, kits in pairs)

    def mount_cost(
        self, modules: FloatArray, module_m2: FloatArray, unit: FloatArray, mounts: IntArray
    ) -> FloatArray:
        """Least cost of carrying modules with mounts of one kind; infinite without a mount."""
        least = np.full(np.broadcast(modules, module_m2).shape, np.inf)
        for m in mounts.tolist():
            number = self.mounts_for(modules, module_m2, m)
            np.minimum(least, number * unit[self.fittings.mount_sku[m]], out=least)
        return least

    def enclosure_cost(self, volume_l: FloatArray, block_l: FloatArray, unit: FloatArray) -> FloatArray:
        """Least cost of housing a volume in enclosures of one kind."""
        least = np.full(volume_l.shape, np.inf)
        for e, sku in enumerate(self.fittings.enclosure_sku):
            np.minimum(least, self.boxes_for(volume_l, block_l, e) * unit[sku], out=least)
        return least

    def matrix(
        self, o: SiteOptions, kits: Sequence[SupplyKit], unit: FloatArray, offer: SiteOffer
    ) -> FloatArray:
        """Cost of every design, with its cheapest mount and enclosure (P, A); infinite where infeasible."""
        strings = o.modules_parallel
        string_cost = np.asarray(o.modules_series * unit[self.parts.module[o.module]], dtype=float)
        number = np.arange(int(strings.max(initial=0)) + 1, dtype=float)
        by_count = number[None, :] * string_cost[:, None] + self.mount_cost(
            number[None, :] * o.modules_series[:, None],
            module_area(o)[:, None],
            unit,
            self.mounts_allowed(offer),
        )
        by_count += (o.controllers * unit[self.parts.controller[o.controller]])[:, None]
        by_count[:, 0] = np.inf
        array_cost = by_count[np.arange(len(o.module))[None, :], strings]
        block_cost = o.batteries_series * unit[self.parts.battery[o.battery]]
        housed = self.enclosure_cost(volume(o), block_volume(o)[:, None], unit)
        store_cost = block_cost[:, None] * o.batteries_parallel + housed
        return np.asarray(
            array_cost + store_cost + self.kit_cost(kits, unit)[o.kit][:, None] + offer.fixed_cost
        )


def count(amount: FloatArray | np.float64, holds: FloatArray | float) -> FloatArray:
    """Units that hold an amount; rounding noise of a billionth does not buy another one."""
    return np.asarray(np.ceil(amount / holds - 1e-9))


def module_area(o: SiteOptions) -> FloatArray:
    """Area of one module of each array column, m2 (A,)."""
    return np.asarray(o.module_area_m2 / o.modules_series)


def block_volume(o: SiteOptions) -> FloatArray:
    """Volume of one battery block of each store row, litres (P,)."""
    return np.asarray(o.string_volume_l / o.batteries_series)


def volume(o: SiteOptions) -> FloatArray:
    """Volume of boxes and batteries of every design, litres (P, A)."""
    fixed = o.kit_volume_l[:, None] + o.controller_volume_l[None, :]
    return fixed + o.string_volume_l[:, None] * o.batteries_parallel


def expand(
    pricer: Pricer, offer: SiteOffer, option: int, unit: FloatArray, cost: FloatArray, threshold: float
) -> tuple[Column, FloatArray]:
    """Explicit designs of one option that cost no more than `threshold`, over every mount and enclosure."""
    o, f = offer.options[option], pricer.fittings
    row, array = np.nonzero(cost <= threshold)
    strings, blocks = (
        o.modules_parallel[row, array].astype(np.int64),
        o.batteries_parallel[row, array].astype(np.int64),
    )
    modules, module_m2 = (strings * o.modules_series[array]).astype(float), module_area(o)[array]
    litres, block_l = volume(o)[row, array], block_volume(o)[row]
    mounts = pricer.mounts_allowed(offer)
    rest = cost[row, array] - pricer.mount_cost(modules, module_m2, unit, mounts)
    rest -= pricer.enclosure_cost(litres, block_l, unit)
    found: list[Column] = []
    totals: list[FloatArray] = []
    for m in mounts.tolist():
        n_mount = pricer.mounts_for(modules, module_m2, m)
        with_mount = rest + n_mount * unit[f.mount_sku[m]]
        for e in range(len(f.enclosure_sku)):
            n_box = pricer.boxes_for(litres, block_l, e)
            total = with_mount + n_box * unit[f.enclosure_sku[e]]
            keep = np.flatnonzero(total <= threshold + 1e-9)
            totals.append(total[keep])
            found.append(
                Column(
                    option=np.full(len(keep), option),
                    row=row[keep],
                    array=array[keep],
                    modules_parallel=strings[keep],
                    batteries_parallel=blocks[keep],
                    mount=np.full(len(keep), m),
                    mounts=n_mount[keep].astype(np.int64),
                    enclosure=np.full(len(keep), e),
                    enclosures=n_box[keep].astype(np.int64),
                )
            )
    return Column.join(found), np.concatenate(totals)


def usage_of(pricer: Pricer, offer: SiteOffer, column: Column) -> sparse.csr_matrix:
    """Units of each SKU that the designs of one site take, sparse (D, K)."""
    triples: list[tuple[IntArray, IntArray, IntArray]] = []
    f, parts = pricer.fittings, pricer.parts
    for i, (o, kits) in enumerate(zip(offer.options, offer.kits, strict=True)):
        d = np.flatnonzero(column.option == i)
        row, a = column.row[d], column.array[d]
        triples += [
            (d, parts.module[o.module[a]], o.modules_series[a] * column.modules_parallel[d]),
            (d, parts.controller[o.controller[a]], o.controllers[a]),
            (d, parts.battery[o.battery[row]], o.batteries_series[row] * column.batteries_parallel[d]),
        ]
        for k in np.unique(o.kit[row]):
            users = d[o.kit[row] == k]
            triples += [
                (users, np.full(len(users), pricer.market.index[sku]), np.full(len(users), number))
                for sku, number in kits[k].units
            ]
    everyone = np.arange(len(column.row))
    triples.append((everyone, f.mount_sku[column.mount], column.mounts))
    triples.append((everyone, f.enclosure_sku[column.enclosure], column.enclosures))
    d, k, n = (np.concatenate(part) for part in zip(*triples, strict=True))
    shape = (len(column.row), len(pricer.market.skus))
    return sparse.csr_matrix((n.astype(float), (d, k)), shape=shape)


def greatest_use(
    pricer: Pricer, offer: SiteOffer, costs: Sequence[FloatArray], threshold: float
) -> FloatArray:
    """Most units of each SKU that any design of a site under `threshold` takes (K,)."""
    most = np.zeros(len(pricer.market.skus))
    f, parts = pricer.fittings, pricer.parts
    for o, kits, cost in zip(offer.options, offer.kits, costs, strict=True):
        alive = cost <= threshold
        strings = np.where(alive, o.modules_parallel, 0)
        blocks = np.where(alive, o.batteries_parallel, 0).max(axis=1)
        columns, rows = alive.any(axis=0), alive.any(axis=1)
        np.maximum.at(most, parts.module[o.module], o.modules_series * strings.max(axis=0))
        np.maximum.at(most, parts.controller[o.controller], o.controllers * columns)
        np.maximum.at(most, parts.battery[o.battery], o.batteries_series * blocks)
        for k in np.unique(o.kit[rows]):
            for sku, number in kits[k].units:
                most[pricer.market.index[sku]] = max(most[pricer.market.index[sku]], number)
        modules = float(
            (strings * o.modules_series[None, :]).max(initial=0.0)
        )  # a mount carries one at least
        litres = float(np.where(alive, volume(o), 0.0).max(initial=0.0))
        np.maximum.at(most, f.mount_sku, modules)
        np.maximum.at(most, f.enclosure_sku, count(np.float64(litres), f.enclosure_volume_l))
    return most


def relieved_cost(
    pricer: Pricer, offer: SiteOffer, costs: Sequence[FloatArray], unit: FloatArray, relief: FloatArray
) -> FloatArray:
    """Least cost of a site if one SKU's price falls by `relief[k]`, for each SKU (K,); `costs` are before."""
    parts, index = pricer.parts, pricer.market.index
    best = np.full(len(pricer.market.skus), min(float(cost.min()) for cost in costs))
    for o, kits, cost in zip(offer.options, offer.kits, costs, strict=True):
        module, controller, block = (
            parts.module[o.module],
            parts.controller[o.controller],
            parts.battery[o.battery],
        )
        saved = relief[module] * o.modules_series
        np.minimum.at(best, module, (cost - saved[None, :] * o.modules_parallel).min(axis=0))
        np.minimum.at(best, controller, cost.min(axis=0) - relief[controller] * o.controllers)
        blocks = (relief[block] * o.batteries_series)[:, None] * o.batteries_parallel
        np.minimum.at(best, block, (cost - blocks).min(axis=1))
        by_kit = np.full(len(kits), np.inf)
        np.minimum.at(by_kit, o.kit, cost.min(axis=1))
        for kit, least in zip(kits, by_kit, strict=True):
            for sku, number in kit.units:
                k = index[sku]
                best[k] = min(best[k], least - relief[k] * number)
        for k in (*pricer.fittings.mount_sku, *pricer.fittings.enclosure_sku):
            if relief[k] > 0:
                cheaper = unit.copy()
                cheaper[k] -= relief[k]
                best[k] = min(best[k], float(pricer.matrix(o, kits, cheaper, offer).min()))
    return best


def relieved_costs(
    pricer: Pricer,
    offers: Callable[[], Iterator[SiteOffer]],
    prices: FloatArray,
    reliefs: Sequence[FloatArray],
) -> list[FloatArray]:
    """Sum over sites of `relieved_cost`, for several reliefs."""
    totals = [np.zeros(len(prices)) for _ in reliefs]
    for offer in offers():
        unit = pricer.landed(prices, offer)
        costs = [
            pricer.matrix(o, kits, unit, offer) for o, kits in zip(offer.options, offer.kits, strict=True)
        ]
        for total, relief in zip(totals, reliefs, strict=True):
            total += relieved_cost(pricer, offer, costs, unit, relief)
    return totals


def make_pool(
    pricer: Pricer,
    offers: Callable[[], Iterator[SiteOffer]],
    *,
    low: FloatArray,
    high: FloatArray | None = None,
    slack: float | None = None,
    designs_max: int,
    sites: int,
) -> Pool:
    """Price every design of every site and keep those that can matter.

    A site's threshold at the prices `low` is what its best design costs at the prices `high`, or its
    least cost plus `slack`. At most `designs_max // sites` designs are kept at a site, the cheapest.
    """
    per_site = max(20, designs_max // max(1, sites))
    kept: list[tuple[Column, sparse.csr_matrix, FloatArray]] = []
    floor, most, complete = np.empty(sites), np.zeros(len(pricer.market.skus)), True
    for offer in offers():
        unit = pricer.landed(low, offer)
        pairs = list(zip(offer.options, offer.kits, strict=True))
        costs = [pricer.matrix(o, kits, unit, offer) for o, kits in pairs]
        if slack is not None:
            threshold = min(float(cost.min()) for cost in costs) + slack
        else:
            dear = pricer.landed(low if high is None else high, offer)
            threshold = min(float(pricer.matrix(o, kits, dear, offer).min()) for o, kits in pairs)
        most += greatest_use(pricer, offer, costs, np.finfo(float).max if slack is None else threshold)
        cap = _cap(costs, threshold, per_site)
        found = [expand(pricer, offer, i, unit, cost, cap) for i, cost in enumerate(costs)]
        column, total = Column.join([c for c, _ in found]), np.concatenate([t for _, t in found])
        order = np.argsort(total, kind="stable")[:per_site]
        cut = len(total) > per_site
        floor[offer.site] = float(np.sort(total)[per_site]) if cut else cap
        complete &= not cut and cap >= threshold
        column = column.take(order)
        usage = usage_of(pricer, offer, column)
        kept.append(
            (column, usage, usage @ (pricer.market.weight_kg * offer.freight_per_kg) + offer.fixed_cost)
        )
    sizes = np.array([len(other) for _, _, other in kept])
    return Pool(
        site=np.repeat(np.arange(sites), sizes),
        start=np.concatenate(([0], np.cumsum(sizes)[:-1])).astype(np.int64),
        column=Column.join([c for c, _, _ in kept]),
        usage=sparse.vstack([u for _, u, _ in kept], format="csr"),
        other_cost=np.concatenate([other for _, _, other in kept]),
        floor=floor,
        most=most,
        complete=complete,
    )


def _cap(costs: Sequence[FloatArray], threshold: float, designs: int) -> float:
    """The threshold, or less where more than `designs` designs lie under it."""
    under = np.concatenate([cost[cost <= threshold] for cost in costs])
    return threshold if len(under) <= designs else float(np.partition(under, designs)[designs])
