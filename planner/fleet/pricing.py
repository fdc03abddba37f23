"""What the designs of a site cost, exactly, at given unit prices.

A site's feasible designs come factored (store rows x array columns, `planner.designs`); the whole matrix is
priced at once, each design with its cheapest mount and enclosure.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.demand import SupplyKit
from planner.designs import CatalogueArrays, SiteOptions
from planner.fleet.market import FloatArray, IntArray, Market
from planner.tables.catalogue import BalanceKind, BalanceRow


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


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteOffer:
    """One site as the fleet sees it: its feasible designs and what goods cost to land there.

    `site` is its place in the scenario's table; `options` and `kits` are by system voltage.
    """

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
        return any(bool(self._fitted(o, offer).any()) for o in offer.options)

    def _fitted(self, o: SiteOptions, offer: SiteOffer) -> NDArray[np.bool_]:
        """Designs that find a mount and an enclosure: the largest decide."""
        mount = self.fittings.mount_area_m2[self.mounts_allowed(offer)].max(initial=0.0)
        box = self.fittings.enclosure_volume_l.max(initial=0.0)
        carried, housed = module_area(o) <= mount * (1 + 1e-9), block_volume(o) <= box
        return np.asarray((o.modules_parallel > 0) & carried[None, :] & housed[:, None])

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

    def price(
        self, o: SiteOptions, kits: Sequence[SupplyKit], unit: FloatArray, offer: SiteOffer
    ) -> Priced:
        """Cost of every design, with its cheapest mount and enclosure."""
        strings = o.modules_parallel
        string_cost = np.asarray(o.modules_series * unit[self.parts.module[o.module]], dtype=float)
        number = np.arange(int(strings.max(initial=0)) + 1, dtype=float)
        mounts = self.mount_cost(
            number[None, :] * o.modules_series[:, None],
            module_area(o)[:, None],
            unit,
            self.mounts_allowed(offer),
        )
        by_count = number[None, :] * string_cost[:, None] + mounts
        by_count += (o.controllers * unit[self.parts.controller[o.controller]])[:, None]
        by_count[:, 0] = np.inf
        array_cost = by_count[np.arange(len(o.module))[None, :], strings]
        block_cost = o.batteries_series * unit[self.parts.battery[o.battery]]
        housing = self.enclosure_cost(volume(o), block_volume(o)[:, None], unit)
        store_cost = block_cost[:, None] * o.batteries_parallel + housing
        boxes = self.kit_cost(kits, unit)[o.kit][:, None] + offer.fixed_cost
        return Priced(cost=array_cost + store_cost + boxes, mounts=mounts, housing=housing)


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
