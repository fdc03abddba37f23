"""Rules of the purchase: lines, tiers, prices and rates of the day; bill against orders; totals."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from itertools import pairwise
from typing import Any

from planner.money import minor_unit
from planner.referee.check import Check, agrees, at_least, at_most, holds
from planner.referee.costs import bought, exact, money, rounded
from planner.referee.parts import Parts
from planner.scenario import Scenario
from planner.tables.plan_rows import BillRow, OrderRow, ProblemRow, SiteDesignRow
from planner.tables.trade_rows import PriceRow, StockRow, TierKind


@dataclass(frozen=True, kw_only=True)
class FleetCase:
    """The fleet's purchase as the plan has it, with the scenario that it answers."""

    scenario: Scenario
    parts: Parts
    manifest: Mapping[str, Any]
    designs: Sequence[SiteDesignRow]
    bill: Sequence[BillRow]
    orders: Sequence[OrderRow]
    problems: Sequence[ProblemRow]

    @property
    def currency(self) -> str:
        """Of all money in the plan."""
        return self.scenario.settings.currency

    @property
    def costs(self) -> Mapping[str, object]:
        """Costs by category, as the manifest has them."""
        stated = self.manifest.get("costs")
        return stated if isinstance(stated, dict) else {}

    @cached_property
    def prices(self) -> dict[tuple[str, str], dict[int, PriceRow]]:
        """Prices valid on the plan date: of each SKU and supplier, by least quantity."""
        day = self.scenario.settings.plan_date
        found: dict[tuple[str, str], dict[int, PriceRow]] = {}
        for row in self.scenario.tables.prices:
            if (row.valid_from or day) <= day <= (row.valid_to or day):
                found.setdefault((row.sku, row.supplier), {})[row.min_qty] = row
        return found

    @cached_property
    def rates(self) -> dict[str, Decimal]:
        """Plan's currency for a unit of each currency."""
        return {row.currency: row.rate for row in self.scenario.tables.fx} | {self.currency: Decimal(1)}

    @cached_property
    def stock(self) -> dict[tuple[str, str], StockRow]:
        """What suppliers say of a SKU beside its price."""
        return {(row.sku, row.supplier): row for row in self.scenario.tables.stock}

    @cached_property
    def by_sku(self) -> dict[str, list[OrderRow]]:
        """Order lines of each SKU."""
        lines: dict[str, list[OrderRow]] = {}
        for order in self.orders:
            lines.setdefault(order.sku, []).append(order)
        return lines

    def price(self, row: PriceRow) -> Decimal | None:
        """A quoted price in the plan's currency, None without a rate."""
        rate = self.rates.get(row.currency)
        return None if rate is None else rounded(row.unit_price * rate, self.currency)


def order_prices(case: FleetCase) -> Iterator[Check]:
    """Each line is priced as its supplier's tier of the day, at the rate of the day."""
    for order in case.orders:
        subject, tiers = _name(order), case.prices.get((order.sku, order.supplier), {})
        row = tiers.get(order.min_qty)
        yield holds(
            "price-valid", "", subject, row is not None, "the supplier has no such tier on the plan date"
        )
        if row is None:
            continue
        own = case.price(row)
        yield holds("price-rate", "", subject, own is not None, f"there is no rate for {row.currency}")
        yield exact("price-quoted", "", subject, order.quoted_price, row.unit_price, row.currency)
        yield exact("price-unit", "", subject, order.unit_price, own or Decimal(0), case.currency)
        same = (order.quoted_currency, order.currency, order.tier_kind) == (
            row.currency,
            case.currency,
            row.tier_kind,
        )
        yield holds(
            "price-terms", "", subject, same, f"are {row.currency}, {case.currency}, {row.tier_kind.value}"
        )


def order_quantities(case: FleetCase) -> Iterator[Check]:
    """Units ordered are those for sites, spares and surplus; each line's cost is units times price."""
    for order in case.orders:
        subject = _name(order)
        whole = order.quantity_sites + order.quantity_spares + order.quantity_surplus
        yield agrees("order-quantity", "", subject, order.quantity_ordered, whole, "units")
        least = min(order.quantity_sites, order.quantity_spares, order.quantity_surplus)
        yield at_least("order-quantity", "", subject, least, 0, "units")
        yield at_least("order-quantity", "", subject, order.quantity_ordered, 1, "units")
        yield exact(
            "order-cost",
            "",
            subject,
            order.line_cost,
            order.quantity_ordered * order.unit_price,
            case.currency,
        )
        yield holds(
            "order-category",
            "",
            subject,
            case.parts.category.get(order.sku) == order.category,
            "is in another table",
        )
        stock = case.stock.get((order.sku, order.supplier))
        lead = None if stock is None else stock.lead_time_weeks
        yield agrees("order-lead-time", "", subject, order.lead_time_weeks, lead, "weeks", within=1e-6)


def order_tiers(case: FleetCase) -> Iterator[Check]:
    """An order reaches its tier; a tier for all units stands alone, increments fill from the lowest."""
    lines: dict[tuple[str, str], list[OrderRow]] = {}
    for order in case.orders:
        lines.setdefault((order.sku, order.supplier), []).append(order)
    for (sku, supplier), some in lines.items():
        subject, kinds = f"{sku} of {supplier}", {order.tier_kind for order in some}
        tiers = case.prices.get((sku, supplier), {})
        ordered = sum(order.quantity_ordered for order in some)
        yield at_least("tier-reached", "", subject, ordered, max(order.min_qty for order in some), "units")
        if kinds == {TierKind.INCREMENTAL}:
            yield from _increments(subject, sorted(some, key=lambda order: order.min_qty), sorted(tiers))
            continue
        yield holds(
            "tier-kind", "", subject, len(some) == 1 and len(kinds) == 1, "has more than one line or kind"
        )
        reached = [
            price
            for least, row in tiers.items()
            if least <= ordered and (price := case.price(row)) is not None
        ]
        if reached:
            paid, best = max(order.unit_price for order in some), min(reached)
            yield at_most("tier-best", "", subject, float(paid), float(best), case.currency)


def _increments(subject: str, some: Sequence[OrderRow], tiers: Sequence[int]) -> Iterator[Check]:
    """Each tier but the last is filled up to the next one's threshold."""
    starts = [order.min_qty for order in some]
    yield holds(
        "tier-order",
        "",
        subject,
        starts == list(tiers[: len(starts)]),
        f"lines are of {starts}, tiers of {list(tiers)}",
    )
    for i, (order, after) in enumerate(pairwise(some)):
        room = after.min_qty - 1 - (order.min_qty - 1 if i else 0)
        yield agrees(
            "tier-filled", "", f"{subject} from {order.min_qty}", order.quantity_ordered, room, "units"
        )


def bill_orders(case: FleetCase) -> Iterator[Check]:
    """What sites need beyond what they keep is ordered, once; even shares add up to what it costs."""
    units: dict[str, int] = {}
    cost: dict[str, Decimal] = {}
    for line in case.bill:
        units[line.sku] = units.get(line.sku, 0) + bought(line)
        cost[line.sku] = cost.get(line.sku, Decimal(0)) + line.line_cost
    each: dict[str, Decimal] = {}
    for sku in sorted(units.keys() | case.by_sku.keys()):
        orders = case.by_sku.get(sku, [])
        ordered = sum(order.quantity_sites for order in orders)
        yield agrees("bill-ordered", "", sku, ordered, units.get(sku, 0), "units")
        paid = sum((order.quantity_sites * order.unit_price for order in orders), Decimal(0))
        yield exact(
            "bill-cost", "", sku, cost.get(sku, Decimal(0)), rounded(paid, case.currency), case.currency
        )
        each[sku] = paid / ordered if ordered else Decimal(0)
    cent = float(minor_unit(case.currency))
    for line in case.bill:
        own = each[line.sku]
        shown = rounded(own, case.currency)
        yield exact("bill-price", line.site_id, line.sku, line.unit_price, shown, case.currency)
        share = float(own * bought(line))
        yield agrees(
            "bill-share",
            line.site_id,
            line.sku,
            float(line.line_cost),
            share,
            case.currency,
            within=1.001 * cent,
        )


def totals(case: FleetCase) -> Iterator[Check]:
    """Costs by category, their sum and the objective, from order lines, freight, access and labour."""
    own: dict[str, Decimal] = {}
    for order in case.orders:
        own[order.category] = own.get(order.category, Decimal(0)) + order.quantity_ordered * order.unit_price
    for name in ("freight", "access", "installation"):
        own[name] = sum((getattr(design, f"{name}_cost") for design in case.designs), Decimal(0))
    if "onboarding" in case.costs:
        own["onboarding"] = money(case.costs["onboarding"])  # a rule of its own weighs it
    for name in sorted(own.keys() | case.costs.keys()):
        yield exact("total", "", name, money(case.costs.get(name)), own.get(name, Decimal(0)), case.currency)
    whole = sum(own.values(), Decimal(0))
    years = whole + sum((design.replacement_cost for design in case.designs), Decimal(0))
    least = years if case.scenario.settings.objective == "lifetime" else whole
    for name, amount in (("total_cost", whole), ("lifetime_cost", years), ("objective", least)):
        yield exact("total", "", name, money(case.manifest.get(name)), amount, case.currency)
    yield holds(
        "total", "", "currency", case.manifest.get("currency") == case.currency, f"is {case.currency}"
    )
    yield from _proof(case, least)


def _proof(case: FleetCase, whole: Decimal) -> Iterator[Check]:
    """The bound is no more than the objective, and the gap is theirs."""
    bound, gap = money(case.manifest.get("best_bound")), case.manifest.get("mip_gap")
    yield at_most("bound", "", "best_bound", float(bound), float(whole), case.currency)
    own = float((whole - bound) / whole) if whole and case.designs else None
    yield agrees("bound", "", "mip_gap", gap if isinstance(gap, float | int) else None, own, "", within=1e-7)


def sites_counted(case: FleetCase) -> Iterator[Check]:
    """Every site has a design or a reason, never both; the manifest counts them."""
    planned = [design.site_id for design in case.designs]
    reasons = {row.site_id: row.code for row in case.problems if row.severity == "unserved"}
    asked = set(case.parts.sites)
    yield holds(
        "site-once", "", "site_designs", len(set(planned)) == len(planned), "a site stands on two rows"
    )
    both = sorted(set(planned) & reasons.keys())
    yield holds("site-once", "", "problems", not both, f"{both[:1]} have a design and a reason")
    missing = sorted(asked - set(planned) - reasons.keys())
    yield holds("site-planned", "", "sites", not missing, f"{missing[:3]} have neither design nor reason")
    stray = sorted((set(planned) | reasons.keys()) - asked)
    yield holds("site-planned", "", "plan", not stray, f"{stray[:3]} are no sites of the scenario")
    yield agrees(
        "site-count", "", "sites_planned", _number(case.manifest.get("sites_planned")), len(planned), "sites"
    )
    most = _number(case.manifest.get("sites_served_most"))
    yield at_most("site-count", "", "sites_served_most", len(planned), most or 0.0, "sites")
    yield agrees(
        "site-count",
        "",
        "sites_unserved",
        _number(case.manifest.get("sites_unserved")),
        len(reasons),
        "sites",
    )
    yield holds(
        "site-count",
        "",
        "unserved",
        case.manifest.get("unserved") == reasons,
        "differ from the table of problems",
    )
    date = case.scenario.settings.plan_date.isoformat()
    yield holds("plan-date", "", "plan_date", case.manifest.get("plan_date") == date, f"is {date}")


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) else None


def _name(order: OrderRow) -> str:
    return f"{order.sku} of {order.supplier} from {order.min_qty}"


FLEET_RULES = (order_prices, order_quantities, order_tiers, bill_orders, totals, sites_counted)
