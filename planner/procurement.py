"""Order lines from whole quantities and Decimal prices; they reconcile to the cent.

The solver's floats end here: it says which design each site gets, and everything a planner pays for is
counted and priced again from that.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from planner.fleet import Market, Offer
from planner.money import to_money
from planner.tables.rows import TierKind


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderLine:
    """Units of a SKU bought at one price: `ordered = sites + spares + surplus`."""

    offer: Offer
    category: str
    quantity_sites: int
    quantity_spares: int
    quantity_surplus: int
    unit_price: Decimal
    min_qty: int

    @property
    def quantity_ordered(self) -> int:
        """Units on the order."""
        return self.quantity_sites + self.quantity_spares + self.quantity_surplus

    @property
    def line_cost(self) -> Decimal:
        """Price of the line."""
        return self.quantity_ordered * self.unit_price


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteLine:
    """Units of a SKU at a site, with the site's share of what the order costs."""

    site_id: str
    sku: str
    category: str
    quantity: int
    unit_price: Decimal
    line_cost: Decimal


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteCost:
    """What one site costs, itemised; equipment is the sum of its lines."""

    equipment_cost: Decimal
    freight_cost: Decimal
    access_cost: Decimal
    installation_cost: Decimal

    @property
    def site_cost(self) -> Decimal:
        """All of it."""
        return self.equipment_cost + self.freight_cost + self.access_cost + self.installation_cost


def order_lines(need: Mapping[str, int], market: Market) -> list[OrderLine]:
    """Lines for a fleet's need of each SKU, at the offers that cost least; an incremental offer makes one
    line for each of its tiers.
    """
    units = np.zeros(len(market.skus), dtype=np.int64)
    for sku, quantity in need.items():
        units[market.index[sku]] = quantity
    chosen = market.best_offer(units)
    return [
        line
        for k in np.flatnonzero(units > 0)
        for line in _lines(int(units[k]), int(chosen[k]), market, market.category[k])
    ]


def _lines(units: int, v: int, market: Market, category: str) -> list[OrderLine]:
    offer = market.offers[v]
    ordered = max(units, offer.min_qty)
    tiers = [offer]
    if offer.tier_kind is TierKind.INCREMENTAL:
        tiers = [
            o
            for o in market.offers
            if (o.sku, o.supplier) == (offer.sku, offer.supplier) and o.min_qty <= offer.min_qty
        ]
    starts = [0 if i == 0 else tier.min_qty - 1 for i, tier in enumerate(tiers)]
    ends = [*starts[1:], ordered]
    return [
        OrderLine(
            offer=tier,
            category=category,
            quantity_sites=max(0, min(end, units) - start),
            quantity_spares=0,
            quantity_surplus=end - max(start, min(end, units)),
            unit_price=tier.unit_price,
            min_qty=tier.min_qty,
        )
        for tier, start, end in zip(tiers, starts, ends, strict=True)
    ]


def site_lines(
    quantities: Sequence[tuple[str, Mapping[str, int]]], lines: Sequence[OrderLine], currency: str
) -> list[SiteLine]:
    """Each site's units with its share of the order's cost.

    The cost of the units that sites need (surplus left out) is shared by quantity, rounded so that the
    shares of a SKU add up to it.
    """
    cost: dict[str, Decimal] = {}
    units: dict[str, int] = {}
    category: dict[str, str] = {}
    for line in lines:
        sku = line.offer.sku
        cost[sku] = cost.get(sku, Decimal(0)) + line.quantity_sites * line.unit_price
        units[sku] = units.get(sku, 0) + line.quantity_sites
        category[sku] = line.category
    given = dict.fromkeys(units, 0)
    result = []
    for site_id, needs in quantities:
        for sku, quantity in sorted(needs.items()):
            before, given[sku] = given[sku], given[sku] + quantity
            share = to_money(cost[sku] * given[sku] / units[sku], currency) - to_money(
                cost[sku] * before / units[sku], currency
            )
            result.append(
                SiteLine(
                    site_id=site_id,
                    sku=sku,
                    category=category[sku],
                    quantity=quantity,
                    unit_price=to_money(cost[sku] / units[sku], currency),
                    line_cost=share,
                )
            )
    return result
