"""What every SKU costs the fleet: offers with price tiers, in the scenario's currency.

Money enters as Decimal, is turned into the scenario's currency and rounded to its minor unit once,
at the unit price; every total after that is a whole number of units times a Decimal.
"""

import datetime
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from planner.money import minor_unit
from planner.scenario import Scenario, Tables
from planner.tables.registry import SKU_TABLES
from planner.tables.rows import PriceRow, StockRow, TierKind

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """One price tier of a SKU at a supplier: buying `u >= min_qty` units costs `fixed + unit_price u`.

    An `all_units` tier has no fixed part. An `incremental` tier's fixed part is what the units below
    its threshold cost more than they would at its own price, so that the least over the tiers is
    the incremental total.
    """

    sku: str
    supplier: str
    min_qty: int
    unit_price: Decimal
    fixed: Decimal
    tier_kind: TierKind
    quoted_price: Decimal
    quoted_currency: str
    lead_time_weeks: float | None
    stock_qty: int | None
    min_order_qty: int
    pack_qty: int

    def cost(self, units: int) -> Decimal:
        """Cost of meeting a need of `units`: never fewer are bought than the tier asks."""
        return self.fixed + self.unit_price * max(units, self.min_qty)


@dataclass(frozen=True, kw_only=True)
class Market:
    """All SKUs for sale or at a site and their offers, as arrays over SKUs (K) and offers (V).

    Attributes
    ----------
    skus, weight_kg : (K,)
        SKUs in order of name; weight of a unit, kg.
    price, fixed, least : (V,)
        The offers' unit price, fixed part (currency) and least quantity.
    offer_sku : (V,)
        Index of the offer's SKU; offers of a SKU stand together.
    low_price, list_price : (K,)
        Least unit price of any tier, and the cost of a single unit; infinite where a SKU is not for sale.
    """

    currency: str
    skus: tuple[str, ...]
    index: dict[str, int]
    category: tuple[str, ...]
    weight_kg: FloatArray
    offers: tuple[Offer, ...]
    offer_sku: IntArray
    price: FloatArray
    fixed: FloatArray
    least: FloatArray
    low_price: FloatArray
    list_price: FloatArray

    def best_offer(self, units: NDArray[np.integer]) -> IntArray:
        """Index of the cheapest offer of each SKU for a need of `units` (K,); -1 where none is needed.

        Splitting a need over offers never pays: the units of the dearer one cost less at the other.
        Ties go to the smaller least quantity, then to the supplier's name.
        """
        need = np.asarray(units)
        cost = self.fixed + self.price * np.maximum(need[self.offer_sku], self.least)
        order = np.lexsort((np.arange(len(cost)), self.least, np.round(cost, 6), self.offer_sku))
        first = np.searchsorted(self.offer_sku[order], np.flatnonzero(self.for_sale))
        best = np.full(len(self.skus), -1, dtype=np.int64)
        best[self.for_sale] = order[first]
        return np.where(need > 0, best, -1)

    def goods_cost(self, skus: IntArray, units: NDArray[np.integer]) -> FloatArray:
        """Cost of a need of `units` of each of some SKUs, over their cheapest offers, currency."""
        need, offers = np.asarray(units, dtype=float)[:, None], self.offers_of[skus]
        each = self.fixed[offers] + self.price[offers] * np.maximum(need, self.least[offers])
        least = np.where(offers >= 0, each, np.inf).min(axis=1)
        return np.where(need[:, 0] > 0, least, 0.0)

    @cached_property
    def for_sale(self) -> NDArray[np.bool_]:
        """SKUs that have an offer (K,); the others stand at sites."""
        return np.bincount(self.offer_sku, minlength=len(self.skus)) > 0

    @cached_property
    def sold(self) -> frozenset[str]:
        """SKUs that have an offer."""
        return frozenset(offer.sku for offer in self.offers)

    @cached_property
    def offers_of(self) -> IntArray:
        """Offers of each SKU (K, M), padded with -1."""
        first = np.searchsorted(self.offer_sku, np.arange(len(self.skus) + 1))
        count = np.diff(first)
        place = np.arange(int(count.max(initial=1)))[None, :]
        return np.where(place < count[:, None], first[:-1][:, None] + place, -1)

    def cost(self, units: NDArray[np.integer]) -> float:
        """Cost of a need of `units` (K,) over the fleet, in currency."""
        return float(self.goods_cost(np.arange(len(self.skus)), units).sum())


def make_market(scenario: Scenario) -> Market:
    """Offers valid on the plan date, in the scenario's currency; parts at sites join without one."""
    tables, currency = scenario.tables, scenario.settings.currency
    parts = {part.sku: (name, part.weight_kg) for name in SKU_TABLES for part in getattr(tables, name)}
    offers = [offer for offer in _offers(tables, currency, scenario.settings.plan_date) if offer.sku in parts]
    offers.sort(key=lambda offer: (offer.sku, offer.min_qty, offer.supplier))
    there = {row.sku for row in tables.existing if row.sku in parts}
    skus = tuple(sorted({offer.sku for offer in offers} | there))
    index = {sku: k for k, sku in enumerate(skus)}
    offer_sku = np.array([index[offer.sku] for offer in offers], dtype=np.int64)
    price = np.array([float(offer.unit_price) for offer in offers])
    fixed = np.array([float(offer.fixed) for offer in offers])
    least = np.array([float(offer.min_qty) for offer in offers])
    low, single = np.full(len(skus), np.inf), np.full(len(skus), np.inf)
    np.minimum.at(low, offer_sku, price)
    np.minimum.at(single, offer_sku, fixed + price * least)
    return Market(
        currency=currency,
        skus=skus,
        index=index,
        category=tuple(parts[sku][0] for sku in skus),
        weight_kg=np.array([parts[sku][1] for sku in skus], dtype=float),
        offers=tuple(offers),
        offer_sku=offer_sku,
        price=price,
        fixed=fixed,
        least=least,
        low_price=low,
        list_price=single,
    )


def _offers(tables: Tables, currency: str, day: datetime.date) -> list[Offer]:
    rates = {row.currency: row.rate for row in tables.fx} | {currency: Decimal(1)}
    stock = {(row.sku, row.supplier): row for row in tables.stock}
    groups: dict[tuple[str, str], list[PriceRow]] = defaultdict(list)
    for row in tables.prices:
        if (row.valid_from or day) <= day <= (row.valid_to or day) and row.currency in rates:
            groups[row.sku, row.supplier].append(row)
    unit = minor_unit(currency)
    return [
        offer
        for key, tiers in sorted(groups.items())
        for offer in _tiers(sorted(tiers, key=lambda row: row.min_qty), rates, unit, stock.get(key))
    ]


def _tiers(
    tiers: Sequence[PriceRow], rates: dict[str, Decimal], unit: Decimal, stock: StockRow | None
) -> list[Offer]:
    """Offers of one SKU at one supplier, from its tiers in order of quantity."""
    prices = [(row.unit_price * rates[row.currency]).quantize(unit, ROUND_HALF_UP) for row in tiers]
    offers, fixed = [], Decimal(0)
    for t, row in enumerate(tiers):
        if row.tier_kind is TierKind.INCREMENTAL and t > 0:
            fixed += (prices[t - 1] - prices[t]) * (row.min_qty - 1)
        offers.append(
            Offer(
                sku=row.sku,
                supplier=row.supplier,
                min_qty=row.min_qty,
                unit_price=prices[t],
                fixed=fixed,
                tier_kind=row.tier_kind,
                quoted_price=row.unit_price,
                quoted_currency=row.currency,
                lead_time_weeks=stock.lead_time_weeks if stock else None,
                stock_qty=stock.stock_qty if stock else None,
                min_order_qty=stock.min_order_qty if stock else 1,
                pack_qty=stock.pack_qty if stock else 1,
            )
        )
    return offers
