"""Rules of one purchase: terms of suppliers, spares, lists, sorts, regions, budget and phases."""

from collections.abc import Iterator, Mapping
from datetime import timedelta
from decimal import Decimal
from math import ceil, exp

from planner.referee.check import Check, agrees, at_least, at_most, holds
from planner.referee.costs import exact, money, rounded
from planner.referee.orders import FleetCase
from planner.tables.catalogue import BatteryRow
from planner.tables.trade_rows import CategoryRuleRow, SkuRule

WEEKS_PER_YEAR = 365.25 / 7
SHARE_NOISE = 1e-9  # of a share of whole units


def supplier_terms(case: FleetCase) -> Iterator[Check]:
    """A supplier sells whole packs, its least order at least, its stock at most, in time."""
    ordered: dict[tuple[str, str], int] = {}
    for order in case.orders:
        key = order.sku, order.supplier
        ordered[key] = ordered.get(key, 0) + order.quantity_ordered
    purchase, day = case.scenario.settings.purchase, case.scenario.settings.plan_date
    for (sku, supplier), units in ordered.items():
        row, subject = case.stock.get((sku, supplier)), f"{sku} of {supplier}"
        if row is None:
            continue
        yield agrees("order-packs", "", subject, units % row.pack_qty, 0, "units")
        yield at_least("order-least", "", subject, units, row.min_order_qty, "units")
        if row.stock_qty is not None:
            yield at_most("order-stock", "", subject, units, row.stock_qty, "units")
        if purchase.need_by is not None and row.lead_time_weeks is not None:
            late = (day + timedelta(weeks=row.lead_time_weeks) - purchase.need_by).days
            yield at_most("order-in-time", "", subject, late, 0, "days late")


def spares(case: FleetCase) -> Iterator[Check]:
    """Each SKU bought has the spares that its category asks: a share, or what failures take while waiting."""
    for sku, orders in case.by_sku.items():
        units = sum(order.quantity_sites for order in orders)
        found = sum(order.quantity_spares for order in orders)
        rule, part = _rule(case, sku), case.parts.by_sku.get(sku)
        asked = ceil((rule.spares_share if rule else 0.0) * units - SHARE_NOISE)
        if rule and part and rule.spares_protection and rule.resupply_weeks and part.mtbf_years:
            mean = units * rule.resupply_weeks / WEEKS_PER_YEAR / part.mtbf_years
            asked = max(asked, _enough(mean, rule.spares_protection))
        yield agrees("spares", "", sku, found, asked if units else 0, "units")


def _rule(case: FleetCase, sku: str) -> CategoryRuleRow | None:
    category = case.parts.category.get(sku)
    rules = (row for row in case.scenario.tables.category_rules if row.category.value == category)
    return next(rules, None)


def _enough(mean: float, protection: float) -> int:
    """Least number that a Poisson count of a mean stays within, with a probability (Sherbrooke 2004)."""
    count, term = 0, exp(-mean)
    reached = term
    while reached < protection and count < 10 * (mean + 10):
        count += 1
        term *= mean / count
        reached += term
    return count


def lists(case: FleetCase) -> Iterator[Check]:
    """Nothing forbidden or off an approved list is bought; what is required is at some site."""
    rules = {row.sku: row.rule for row in case.scenario.tables.sku_rules}
    approved = {case.parts.category.get(sku) for sku, rule in rules.items() if rule is SkuRule.APPROVED}
    for sku in case.by_sku:
        listed = case.parts.category.get(sku) not in approved or sku in rules
        allowed = rules.get(sku) is not SkuRule.FORBIDDEN and listed
        yield holds("sku-allowed", "", sku, allowed, "may not be bought")
    used = {line.sku for line in case.bill}
    for sku, rule in rules.items():
        if rule is SkuRule.REQUIRED and case.designs:
            yield holds("sku-required", "", sku, sku in used, "is at no site")


def sorts(case: FleetCase) -> Iterator[Check]:
    """No more SKUs of a category are bought than it may have."""
    for row in case.scenario.tables.category_rules:
        if row.distinct_max is not None:
            bought = sum(case.parts.category.get(sku) == row.category.value for sku in case.by_sku)
            yield at_most("distinct-skus", "", row.category.value, bought, row.distinct_max, "SKUs")


def regions(case: FleetCase) -> Iterator[Check]:
    """Where asked, the sites of a region have batteries of one chemistry."""
    if not case.scenario.settings.purchase.one_chemistry_per_region:
        return
    found: dict[str, set[str]] = {}
    for design in case.designs:
        site, battery = case.parts.sites.get(design.site_id), case.parts.by_sku.get(design.battery_sku)
        if site is not None and site.region and isinstance(battery, BatteryRow):
            found.setdefault(site.region, set()).add(battery.chemistry.value)
    for region, kinds in found.items():
        yield at_most("region-chemistry", "", region, len(kinds), 1, "chemistries")


def onboarding(case: FleetCase) -> Iterator[Check]:
    """Each SKU bought is taken on once."""
    costs = (row.onboarding_cost if (row := _rule(case, sku)) else Decimal(0) for sku in case.by_sku)
    own = rounded(sum(costs, Decimal(0)), case.currency)
    stated = case.costs.get("onboarding", "0")
    yield exact("onboarding", "", "", money(stated), own, case.currency)


def budget(case: FleetCase) -> Iterator[Check]:
    """The plan costs no more than the stated budget, nor than all phases have."""
    total = money(case.manifest.get("total_cost"))
    stated = case.scenario.settings.purchase.budget
    if stated is not None:
        yield at_most("budget", "", "purchase.budget", float(total), stated, case.currency)
    phases = case.scenario.tables.phases
    if phases:
        whole = sum((row.budget for row in phases), Decimal(0))
        yield at_most("budget", "", "all phases", float(total), float(whole), case.currency)


def phases(case: FleetCase) -> Iterator[Check]:
    """Each site is built in a phase in which it is ready; phases spend what they and earlier ones have."""
    rows = sorted(case.scenario.tables.phases, key=lambda row: row.phase)
    numbers = {row.phase for row in rows}
    for design in case.designs:
        site = case.parts.sites.get(design.site_id)
        if not rows:
            yield agrees("phase", design.site_id, "", design.phase, None)
        elif site is not None:
            known = design.phase in numbers
            yield holds("phase", design.site_id, "", known, f"{design.phase} is no phase")
            yield at_least("phase-ready", design.site_id, "", design.phase or 0, site.ready_phase, "phase")
    stated = case.manifest.get("phases")
    listed = stated if isinstance(stated, list) else []
    said = [one if isinstance(one, dict) else {} for one in listed]
    yield agrees("phase-rows", "", "manifest", len(said), len(rows), "phases")
    yield from _spending(case, said)


def _spending(case: FleetCase, said: list[dict[str, object]]) -> Iterator[Check]:
    """What the manifest says of each phase, and that no money is spent before it is there."""
    left, owed = Decimal(0), money(case.manifest.get("total_cost"))
    owed -= sum((design.site_cost for design in case.designs), Decimal(0))  # what belongs to no site
    rows = sorted(case.scenario.tables.phases, key=lambda row: row.phase)
    for row, one in zip(rows, said, strict=False):
        built = [design for design in case.designs if design.phase == row.phase]
        subject, available = f"phase {row.phase}", left + row.budget
        paid = min(owed, available)
        owed, spent = owed - paid, sum((design.site_cost for design in built), paid)
        own: Mapping[str, Decimal] = {"budget": row.budget, "available": available, "spent": spent}
        for name, amount in own.items():
            yield exact("phase-figure", "", f"{subject} {name}", money(one.get(name)), amount, case.currency)
        yield holds("phase-figure", "", subject, one.get("phase") == row.phase, f"is {row.phase}")
        yield holds(
            "phase-figure", "", f"{subject} sites", one.get("sites") == len(built), f"are {len(built)}"
        )
        yield at_most("phase-budget", "", subject, float(spent), float(available), case.currency)
        left = available - spent


PURCHASE_RULES = (
    supplier_terms,
    spares,
    lists,
    sorts,
    regions,
    onboarding,
    budget,
    phases,
)
