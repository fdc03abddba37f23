"""What every SKU costs the fleet: suppliers with price tiers and terms, in the scenario's currency.

Money enters as Decimal, is turned into the scenario's currency and rounded to its minor unit once,
at the unit price; every total after that is a whole number of units times a Decimal.
"""

import datetime
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from planner.fleet.buying import FloatArray, Source, need_cost
from planner.fleet.needs import Needs, make_needs
from planner.fleet.spares import SparesRule, failures
from planner.money import minor_unit
from planner.scenario import Scenario, Tables
from planner.settings import PurchaseSettings
from planner.tables.catalogue import SkuRow
from planner.tables.registry import SKU_TABLES
from planner.tables.trade_rows import Category, CategoryRuleRow, PriceRow, SkuRule, StockRow, TierKind

BoolArray = NDArray[np.bool_]


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


@dataclass(frozen=True, kw_only=True)
class Market:
    """All SKUs for sale or at a site and their suppliers, as arrays over SKUs (K).

    Attributes
    ----------
    skus, category : (K,)
        SKUs in order of name; the catalogue's table of each.
    weight_kg, freight_kg : (K,)
        Weight of a unit, and the weight that its freight is paid for, kg.
    install_cost : (K,)
        Labour of installing a unit, currency.
    offers : (V,)
        Price tiers; those of a SKU and supplier stand together, by quantity.
    sources : (K,)
        Suppliers of each SKU, by name; none of what only stands at sites.
    spares, onboarding, required : (K,)
        Rule of its spares; what taking the SKU on costs once, currency; whether a plan must use it.
    low_price, list_price : (K,)
        Least unit price of any tier, and the least cost of the smallest tier a unit, infinite where a SKU is
        not for sale; what a first look at designs takes.
    """

    currency: str
    skus: tuple[str, ...]
    index: dict[str, int]
    category: tuple[str, ...]
    weight_kg: FloatArray
    freight_kg: FloatArray
    install_cost: FloatArray
    offers: tuple[Offer, ...]
    sources: tuple[tuple[Source, ...], ...]
    spares: tuple[SparesRule, ...]
    onboarding: FloatArray
    required: BoolArray
    low_price: FloatArray
    list_price: FloatArray

    @cached_property
    def for_sale(self) -> BoolArray:
        """SKUs that somebody sells (K,); the others stand at sites."""
        return np.array([len(some) > 0 for some in self.sources], dtype=bool)

    @cached_property
    def sold(self) -> frozenset[str]:
        """SKUs that somebody sells."""
        return frozenset(sku for sku, some in zip(self.skus, self.sources, strict=True) if some)

    def needs(self, most: FloatArray) -> Needs:
        """What needs of up to `most` units (K,) cost."""
        return make_needs(self.sources, most, spares=self.spares, onboarding=self.onboarding)


def make_market(scenario: Scenario) -> Market:
    """Offers valid on the plan date, of SKUs that may be bought, in the scenario's currency.

    Parts at sites join without a supplier where nobody sells them.
    """
    tables, settings = scenario.tables, scenario.settings
    parts = {part.sku: (name, part) for name in SKU_TABLES for part in getattr(tables, name)}
    barred = barred_skus(tables, {sku: name for sku, (name, _) in parts.items()})
    offers = [
        offer
        for offer in _offers(tables, settings.currency, settings.plan_date)
        if offer.sku in parts
        and offer.sku not in barred
        and in_time(offer, settings.purchase, settings.plan_date)
    ]
    spares = {row.category: row for row in tables.category_rules}
    rules = {sku: _spares(part, spares.get(Category(name))) for sku, (name, part) in parts.items()}
    sources = _sources(offers, rules)
    there = {row.sku for row in tables.existing if row.sku in parts}
    skus = tuple(sorted(sources.keys() | there))
    sold = [sources.get(sku, ()) for sku in skus]
    return Market(
        currency=settings.currency,
        skus=skus,
        index={sku: k for k, sku in enumerate(skus)},
        category=tuple(parts[sku][0] for sku in skus),
        weight_kg=np.array([parts[sku][1].weight_kg for sku in skus], dtype=float),
        freight_kg=np.array([parts[sku][1].chargeable_kg for sku in skus], dtype=float),
        install_cost=settings.purchase.labour_cost_h
        * np.array([parts[sku][1].install_h for sku in skus], float),
        offers=tuple(offers),
        sources=tuple(sold),
        spares=tuple(rules[sku] for sku in skus),
        onboarding=np.array([_onboarding(spares.get(Category(parts[sku][0]))) for sku in skus]),
        required=np.array([sku in required_skus(tables) for sku in skus], dtype=bool),
        low_price=np.array([min((float(s.price.min()) for s in some), default=np.inf) for some in sold]),
        list_price=np.array([min((_smallest(s) for s in some), default=np.inf) for some in sold]),
    )


def _sources(offers: Sequence[Offer], rules: Mapping[str, SparesRule]) -> dict[str, tuple[Source, ...]]:
    """Suppliers by SKU, of the SKUs of which one unit and its spares can be bought."""
    groups: dict[str, dict[str, list[int]]] = defaultdict(lambda: defaultdict(list))
    for v, offer in enumerate(offers):
        groups[offer.sku][offer.supplier].append(v)
    sources = {}
    for sku, suppliers in sorted(groups.items()):
        some = tuple(_source(name, places, offers) for name, places in suppliers.items())
        some = tuple(source for source in some if source.last != 0)
        single = np.array([1])
        if some and np.isfinite(need_cost(some, single + rules[sku].count(single))[0]):
            sources[sku] = some
    return sources


def in_time(offer: Offer, purchase: PurchaseSettings, day: datetime.date) -> bool:
    """Whether an offer ordered on a day arrives when it is needed; one without a lead time is taken to."""
    if purchase.need_by is None or offer.lead_time_weeks is None:
        return True
    return day + datetime.timedelta(weeks=offer.lead_time_weeks) <= purchase.need_by


def required_skus(tables: Tables) -> frozenset[str]:
    """SKUs that a plan must use."""
    return frozenset(row.sku for row in tables.sku_rules if row.rule is SkuRule.REQUIRED)


def barred_skus(tables: Tables, category: Mapping[str, str]) -> frozenset[str]:
    """SKUs that may not be bought: forbidden, or not approved in a category with approved ones."""
    rules = {row.sku: row.rule for row in tables.sku_rules}
    listed = {category[sku] for sku, rule in rules.items() if rule is SkuRule.APPROVED and sku in category}
    return frozenset(
        sku
        for sku, name in category.items()
        if rules.get(sku) is SkuRule.FORBIDDEN or (name in listed and rules.get(sku) is None)
    )


def _spares(part: SkuRow, rule: CategoryRuleRow | None) -> SparesRule:
    if rule is None:
        return SparesRule()
    if rule.spares_protection is None or rule.resupply_weeks is None or part.mtbf_years is None:
        return SparesRule(share=rule.spares_share)
    return SparesRule(
        share=rule.spares_share,
        failures_per_unit=failures(part.mtbf_years, rule.resupply_weeks),
        protection=rule.spares_protection,
    )


def _onboarding(rule: CategoryRuleRow | None) -> float:
    return float(rule.onboarding_cost) if rule else 0.0


def _smallest(source: Source) -> float:
    """Cost a unit of the smallest order of the first tier, packs aside."""
    return float(source.fixed[0] / source.min_qty[0] + source.price[0])


def _source(supplier: str, offers: Sequence[int], every: Sequence[Offer]) -> Source:
    tiers = [every[v] for v in offers]
    return Source(
        supplier=supplier,
        offers=tuple(offers),
        price=np.array([float(offer.unit_price) for offer in tiers]),
        fixed=np.array([float(offer.fixed) for offer in tiers]),
        min_qty=np.array([offer.min_qty for offer in tiers], dtype=np.int64),
        pack_qty=tiers[0].pack_qty,
        min_order_qty=tiers[0].min_order_qty,
        stock_qty=tiers[0].stock_qty,
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
