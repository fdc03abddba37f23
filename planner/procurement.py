"""Order lines from whole quantities and Decimal prices; they reconcile to the cent.

The solver's floats end here: it says which design each site gets, and everything a planner pays for is
counted and priced again from that.
"""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from planner.fleet import Market, Offer
from planner.fleet.buying import Source, purchase
from planner.money import to_money
from planner.tables.trade_rows import TierKind


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
class SiteUse:
    """Units of each SKU that a site's design has, and those that are bought for it."""

    site_id: str
    units: Mapping[str, int]
    bought: Mapping[str, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteLine:
    """Units of a SKU at a site, of which some stand there, with the site's share of what the order costs."""

    site_id: str
    sku: str
    category: str
    quantity: int
    quantity_kept: int
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
    """Lines for a fleet's need of each SKU and its spares, at least cost over suppliers, tiers and packs.

    An incremental offer makes one line for each of its tiers.

    Raises
    ------
    ValueError
        The suppliers do not hold a need.
    """
    lines = []
    for sku, units in sorted(need.items()):
        k = market.index[sku]
        if units:
            spares = int(market.spares[k].count(np.array([units]))[0])
            lines += _sku_lines(market, k, units, spares)
    return lines


def _sku_lines(market: Market, k: int, units: int, spares: int) -> list[OrderLine]:
    """Lines of one SKU: the units of sites come first, then spares, then what packs and tiers add."""
    lines, ordered = [], 0
    for source, bought in purchase(market.sources[k], units + spares):
        for tier, number in _by_tier(market, market.sources[k][source], bought):
            start, end = ordered, ordered + number
            ordered = end
            lines.append(
                OrderLine(
                    offer=tier,
                    category=market.category[k],
                    quantity_sites=_overlap(start, end, 0, units),
                    quantity_spares=_overlap(start, end, units, units + spares),
                    quantity_surplus=max(0, end - max(start, units + spares)),
                    unit_price=tier.unit_price,
                    min_qty=tier.min_qty,
                )
            )
    return lines


def _overlap(start: int, end: int, low: int, high: int) -> int:
    """Units that two runs share."""
    return max(0, min(end, high) - max(start, low))


def _by_tier(market: Market, source: Source, ordered: int) -> list[tuple[Offer, int]]:
    """Tiers of an order with the units at each one's price."""
    offer = market.offers[source.tier(ordered)]
    if offer.tier_kind is not TierKind.INCREMENTAL:
        return [(offer, ordered)]
    tiers = [tier for v in source.offers if (tier := market.offers[v]).min_qty <= offer.min_qty]
    starts = [0, *(tier.min_qty - 1 for tier in tiers[1:])]
    ends = [*starts[1:], ordered]
    return [(tier, end - start) for tier, start, end in zip(tiers, starts, ends, strict=True)]


def onboarding_cost(need: Mapping[str, int], market: Market) -> Decimal:
    """What taking on the SKUs that are bought costs once."""
    costs = (Decimal(str(market.onboarding[market.index[sku]])) for sku, units in need.items() if units)
    return to_money(sum(costs, Decimal(0)), market.currency)


def site_lines(uses: Sequence[SiteUse], lines: Sequence[OrderLine], market: Market) -> list[SiteLine]:
    """Each site's units with its share of the order's cost, by the units bought for it.

    The cost of the units that sites need (surplus left out) is shared by quantity, rounded so that the
    shares of a SKU add up to it.
    """
    cost: dict[str, Decimal] = defaultdict(Decimal)
    units: Counter[str] = Counter()
    for line in lines:
        cost[line.offer.sku] += line.quantity_sites * line.unit_price
        units[line.offer.sku] += line.quantity_sites

    def part(sku: str, number: int) -> Decimal:
        return to_money(cost[sku] * number / units[sku] if number else Decimal(0), market.currency)

    given: Counter[str] = Counter()
    result = []
    for use in uses:
        for sku, quantity in sorted(use.units.items()):
            bought = use.bought.get(sku, 0)
            before, given[sku] = given[sku], given[sku] + bought
            result.append(
                SiteLine(
                    site_id=use.site_id,
                    sku=sku,
                    category=market.category[market.index[sku]],
                    quantity=quantity,
                    quantity_kept=quantity - bought,
                    unit_price=part(sku, min(units[sku], 1)),
                    line_cost=part(sku, given[sku]) - part(sku, before),
                )
            )
    return result
