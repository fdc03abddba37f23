"""What the designs of a site cost, exactly, at given unit prices.

A site's feasible designs come factored (store rows x array columns, `planner.designs`); the whole matrix is
priced at once, each design with its cheapest mount and enclosure.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from planner.demand import SupplyKit
from planner.designs import CatalogueArrays, SiteOptions
from planner.fleet.buying import FloatArray, IntArray
from planner.fleet.market import Market
from planner.tables.catalogue import BalanceKind, BalanceRow

BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fittings:
    """Mounts and enclosures for sale or at a site: SKU index, what one unit holds, a mount's tilts and wind,
    an enclosure's damping of the cold.

    Limits that a part does not state are infinite; a site has `enclosures_max` enclosures at most.
    """

    mount_sku: IntArray
    mount_area_m2: FloatArray
    mount_tilt_min_deg: FloatArray
    mount_tilt_max_deg: FloatArray
    mount_wind_max_m_s: FloatArray
    mount_weight_max_kg: FloatArray
    enclosure_sku: IntArray
    enclosure_volume_l: FloatArray
    enclosure_damping_k: FloatArray
    enclosures_max: int

    def available(self, skus: BoolArray) -> "Fittings":
        """Mounts and enclosures of the given SKUs (K,)."""
        keep = {"mount": skus[self.mount_sku], "enclosure": skus[self.enclosure_sku]}
        arrays = {n: getattr(self, n) for n in self.__dataclass_fields__ if n != "enclosures_max"}
        kept = {name: values[keep[name.split("_")[0]]] for name, values in arrays.items()}
        return Fittings(enclosures_max=self.enclosures_max, **kept)

    def tilts_allowed(self, tilts_deg: Sequence[float]) -> list[float]:
        """The tilts that some mount can be set to; all of them where none can."""
        fits = [
            t for t in tilts_deg if ((self.mount_tilt_min_deg <= t) & (t <= self.mount_tilt_max_deg)).any()
        ]
        return fits or list(tilts_deg)

    def mounts_fit(self, tilt_deg: FloatArray | float, wind_m_s: FloatArray | float) -> BoolArray:
        """Mounts that can be set to tilts (...) and stand gusts (...), 0 for any; (..., mounts)."""
        tilt, wind = np.asarray(tilt_deg)[..., None], np.asarray(wind_m_s)[..., None]
        tilts = (self.mount_tilt_min_deg <= tilt) & (tilt <= self.mount_tilt_max_deg)
        return np.asarray(tilts & (self.mount_wind_max_m_s >= wind), dtype=bool)


def make_fittings(balance: Sequence[BalanceRow], market: Market, *, enclosures_max: int) -> Fittings:
    """Mounts and enclosures of the market."""
    known = [row for row in balance if row.sku in market.index]

    def limits(rows: Sequence[BalanceRow], name: str) -> FloatArray:
        values = (getattr(row, name) for row in rows)
        return np.array([np.inf if value is None else value for value in values], dtype=float)

    mounts = [row for row in known if row.kind is BalanceKind.MOUNT and row.module_area_max_m2]
    boxes = [row for row in known if row.kind is BalanceKind.ENCLOSURE and row.volume_max_l]
    return Fittings(
        mount_sku=np.array([market.index[row.sku] for row in mounts], dtype=np.int64),
        mount_area_m2=np.array([row.module_area_max_m2 for row in mounts], dtype=float),
        mount_tilt_min_deg=np.array([row.tilt_min_deg for row in mounts], dtype=float),
        mount_tilt_max_deg=np.array([row.tilt_max_deg for row in mounts], dtype=float),
        mount_wind_max_m_s=limits(mounts, "wind_max_m_s"),
        mount_weight_max_kg=limits(mounts, "weight_max_kg"),
        enclosure_sku=np.array([market.index[row.sku] for row in boxes], dtype=np.int64),
        enclosure_volume_l=np.array([row.volume_max_l for row in boxes], dtype=float),
        enclosure_damping_k=limits(boxes, "damping_k"),
        enclosures_max=enclosures_max,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Boxes:
    """SKUs of kits and their numbers (kits, U), padded with none of the first SKU."""

    sku: IntArray
    number: IntArray

    def cost(self, table: FloatArray) -> FloatArray:
        """Cost of each kit's boxes at costs by number of units (K, N)."""
        return np.asarray(table[self.sku, self.number].sum(axis=1))


def make_boxes(kits: Sequence[SupplyKit], market: Market) -> Boxes:
    """Boxes of kits."""
    width = max((len(kit.units) for kit in kits), default=0)
    sku, number = (np.zeros((len(kits), width), dtype=np.int64) for _ in range(2))
    for k, kit in enumerate(kits):
        for u, (name, count) in enumerate(kit.units):
            sku[k, u], number[k, u] = market.index[name], count
    return Boxes(sku=sku, number=number)


@dataclass(frozen=True, slots=True, kw_only=True)
class Option:
    """The designs of a site at one system voltage and array tilt (its place in the plane), and their kits.

    `boxes` are those of the kits, where they are known already.
    """

    designs: SiteOptions
    kits: Sequence[SupplyKit]
    tilt: int
    surface_tilt_deg: float
    boxes: Boxes | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Upkeep:
    """What replacing parts of each SKU (K,) costs a site over the years, discounted, currency.

    `unit` is for each unit in use there, `visit` for the visits of a site that uses any; `life_years` is
    infinite for parts that are not replaced. A battery's life is that of the least reserve that the site's
    designs have, so that a design's upkeep is linear in its parts and the bound holds over it; a larger one
    lives no shorter.
    """

    unit: FloatArray
    visit: FloatArray
    life_years: FloatArray

    def cost(self, needed: sparse.csr_matrix) -> FloatArray:
        """Of designs (D,), from the units that they have (D, K)."""
        return np.asarray(needed @ self.unit + (needed > 0).astype(float) @ self.visit)


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteOffer:
    """One site as the fleet sees it: its feasible designs and what goods cost to land there.

    `site` is its place in the scenario's table; `existing` are the units that stand there, by index of the
    SKU. `most` (K,) is the most units that are bought for any design, where not all are among the options.
    `upkeep` is counted where lifetime cost is to be least.
    """

    site: int
    options: Sequence[Option]
    freight_per_kg: float
    fixed_cost: float
    wind_design_m_s: float | None = None
    damping_k: float = 0.0
    existing: Mapping[int, int] = field(default_factory=dict)
    most: FloatArray | None = None
    upkeep: Upkeep | None = None

    def there(self, skus: int) -> FloatArray:
        """Units that stand at the site of each of so many SKUs (K,)."""
        units = np.zeros(skus)
        units[list(self.existing)] = list(self.existing.values())
        return units


@dataclass(frozen=True, slots=True, kw_only=True)
class PartIndex:
    """SKU indices in the market of the catalogue's modules, batteries and controllers."""

    module: IntArray
    battery: IntArray
    controller: IntArray


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
class Priced:
    """Cost of every design of an option (P, A), infinite where infeasible, and two of its parts.

    `mounts` (A, N) is the least cost of carrying each number of strings, `housing` (P, A) of the enclosures.
    """

    cost: FloatArray
    mounts: FloatArray
    housing: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Pricer:
    """Prices designs: what the units of each SKU cost, freight included, + the site's fixed cost.

    A design needs units at its site; bought for it is only what does not stand there yet.
    """

    market: Market
    fittings: Fittings
    parts: PartIndex

    def landed(self, prices: FloatArray, offer: SiteOffer) -> FloatArray:
        """Cost of 0..N units of each SKU at a site, landed and installed (K, N + 1), at unit prices (K,)."""
        return self.table(by_number(prices + self.landing(offer), self.widest(offer)), offer)

    def landing(self, offer: SiteOffer) -> FloatArray:
        """Freight and labour of a unit of each SKU that is bought for a site (K,)."""
        return np.asarray(self.market.freight_kg * offer.freight_per_kg + self.market.install_cost)

    def table(self, bought: FloatArray, offer: SiteOffer) -> FloatArray:
        """Costs by number of units needed at a site, from costs by number of units bought, in place.

        The last column stands for too many.
        """
        for k, there in offer.existing.items():
            bought[k] = np.concatenate([np.zeros(there), bought[k]])[: bought.shape[1]]
        if offer.upkeep is not None:
            number, unit, visit = np.arange(bought.shape[1]), offer.upkeep.unit, offer.upkeep.visit
            kept = np.flatnonzero((unit != 0) | (visit != 0))
            bought[kept] += unit[kept, None] * number + visit[kept, None] * (number > 0)
        bought[:, -1] = np.inf
        return bought

    def widest(self, offer: SiteOffer) -> int:
        """More units than any design of the site takes of a SKU."""
        most = float(self.fittings.enclosures_max)
        for option in offer.options:
            o = option.designs
            modules = (o.modules_parallel * o.modules_series[None, :]).max(initial=0)
            blocks = (o.batteries_parallel * o.batteries_series[:, None]).max(initial=0)
            most = max(most, modules, blocks, o.controllers.max(initial=0))
            most = max(most, self.boxes_of(option).number.max(initial=1))
        return int(most) + 1

    def boxes_of(self, option: Option) -> Boxes:
        """Boxes of an option's kits."""
        return make_boxes(option.kits, self.market) if option.boxes is None else option.boxes

    def mounts_allowed(self, surface_tilt_deg: float, offer: SiteOffer) -> IntArray:
        """Mounts that hold a tilt and the site's wind."""
        wind = offer.wind_design_m_s or 0.0
        return np.flatnonzero(self.fittings.mounts_fit(surface_tilt_deg, wind))

    def enclosures_allowed(self, offer: SiteOffer) -> IntArray:
        """Enclosures that damp the cold as far as the site's designs count on."""
        return np.flatnonzero(self.fittings.enclosure_damping_k >= offer.damping_k)

    def module_kg(self, o: SiteOptions) -> FloatArray:
        """Weight of one module of each array column (A,)."""
        return np.asarray(self.market.weight_kg[self.parts.module[o.module]])

    def carried(self, module_m2: FloatArray, module_kg: FloatArray, m: int | IntArray) -> FloatArray:
        """Modules that a mount carries, by their area and weight; arrays broadcast."""
        f = self.fittings
        room, weight = f.mount_area_m2[m] / module_m2, f.mount_weight_max_kg[m] / module_kg
        return np.asarray(np.floor(np.minimum(room, weight) + 1e-9))

    def mounts_for(
        self, modules: IntArray, module_m2: FloatArray, module_kg: FloatArray, m: int | IntArray, most: int
    ) -> IntArray:
        """Mounts of one kind, or of several in rows, that carry whole modules.

        They are `most` where one module is too large or heavy.
        """
        each = self.carried(module_m2, module_kg, m)
        number = np.where(each > 0, np.ceil(modules / np.maximum(each, 1.0)), most)
        return np.minimum(number, most).astype(np.int64)

    def boxes_for(self, volume_l: FloatArray, block_l: FloatArray, e: int | IntArray, most: int) -> IntArray:
        """Enclosures of one kind, or of several in rows, that hold a volume.

        They are `most` where a block is too large or they are too many.
        """
        holds = self.fittings.enclosure_volume_l[e]
        number = count(volume_l, holds)
        fits = (block_l <= holds) & (number <= self.fittings.enclosures_max)
        return np.minimum(np.where(fits, number, most), most).astype(np.int64)

    def buildable(self, offer: SiteOffer) -> bool:
        """Whether some design of the site finds a mount and an enclosure, and what it lacks is for sale."""
        low = self.landed(self.market.low_price, offer)
        return any(bool(np.isfinite(self.price(one, low, offer).cost).any()) for one in offer.options)

    def mount_cost(
        self, module_m2: FloatArray, module_kg: FloatArray, table: FloatArray, mounts: IntArray
    ) -> FloatArray:
        """Least cost of carrying 0..N modules of some kinds (M,) with mounts of one kind (M, N + 1).

        Infinite without a mount. Of few numbers of modules that a mount carries, each is divided by once.
        """
        most = table.shape[1] - 1
        each, place = np.unique(
            self.carried(module_m2[:, None], module_kg[:, None], mounts), return_inverse=True
        )
        number = np.ceil(np.arange(most + 1) / np.maximum(each, 1.0)[:, None]).astype(np.int64)
        number[each == 0] = most
        least = np.full((len(module_m2), most + 1), np.inf)
        for m, at in zip(mounts.tolist(), place.reshape(len(module_m2), len(mounts)).T, strict=True):
            np.minimum(least, table[self.fittings.mount_sku[m]][number][at], out=least)
        return least

    def enclosure_cost(
        self, volume_l: FloatArray, block_l: FloatArray, table: FloatArray, boxes: IntArray
    ) -> FloatArray:
        """Least cost of housing a volume in enclosures of one kind; infinite without one."""
        least = np.full(volume_l.shape, np.inf)
        for e in boxes.tolist():
            number = self.boxes_for(volume_l, block_l, e, table.shape[1] - 1)
            np.minimum(least, table[self.fittings.enclosure_sku[e]][number], out=least)
        return least

    def price(self, option: Option, table: FloatArray, offer: SiteOffer) -> Priced:
        """Cost of every design, with its cheapest mount and enclosure, at costs by number of units (K, N)."""
        o, parts = option.designs, self.parts
        strings = o.modules_parallel
        number = np.arange(int(strings.max(initial=0)) + 1)
        modules = np.minimum(number[None, :] * o.modules_series[:, None], table.shape[1] - 1)
        _, first, kind = np.unique(o.module, return_index=True, return_inverse=True)
        allowed = self.mounts_allowed(option.surface_tilt_deg, offer)
        mounts = self.mount_cost(module_area(o)[first], self.module_kg(o)[first], table, allowed)
        mounts = mounts[kind[:, None], modules]
        by_count = table[parts.module[o.module][:, None], modules] + mounts
        by_count += table[parts.controller[o.controller], o.controllers][:, None]
        by_count[:, 0] = np.inf
        array_cost = by_count[np.arange(len(o.module))[None, :], strings]
        blocks = o.batteries_series[:, None] * o.batteries_parallel
        boxes = self.enclosures_allowed(offer)
        housing = self.enclosure_cost(volume(o), block_volume(o)[:, None], table, boxes)
        store_cost = table[parts.battery[o.battery][:, None], blocks] + housing
        rest = self.boxes_of(option).cost(table)[o.kit][:, None] + offer.fixed_cost
        return Priced(cost=array_cost + store_cost + rest, mounts=mounts, housing=housing)


def by_number(unit: FloatArray, most: int) -> FloatArray:
    """Cost of 0..most units at costs of one (K, most + 1); none costs nothing even where one is not sold."""
    cost = np.zeros((len(unit), most + 1))
    cost[:, 1:] = unit[:, None] * np.arange(1, most + 1)
    return cost


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
    return volume_at(o, np.arange(len(o.kit))[:, None], np.arange(len(o.module)))


def volume_at(o: SiteOptions, row: IntArray, array: IntArray) -> FloatArray:
    """The same of designs at some places; these broadcast."""
    fixed = o.kit_volume_l[row] + o.controller_volume_l[array]
    return np.asarray(fixed + o.string_volume_l[row] * o.batteries_parallel[row, array])
