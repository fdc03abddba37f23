"""Rules of a site's bill: the parts of its design, no more and no fewer; what it costs, to the cent."""

from collections import Counter
from collections.abc import Iterator
from decimal import ROUND_HALF_UP, Decimal

from planner.money import minor_unit
from planner.referee.case import SiteCase
from planner.referee.check import Check, agrees, at_least, holds
from planner.tables.catalogue import ConverterKind, ConverterRow, SwitchRow
from planner.tables.existing import Keep
from planner.tables.plan_rows import BillRow

#: Boxes whose number follows from the ports in use.
PLUGGED = (ConverterKind.POE_INJECTOR, ConverterKind.POE_ADAPTER, ConverterKind.SFP_MODULE)


def bill(case: SiteCase) -> Iterator[Check]:
    """The bill has every part of the design and of the ports, in its number, and nothing else."""
    design, parts = case.design, case.parts
    asked = Counter(
        {
            design.module_sku: case.modules,
            design.controller_sku: design.controllers,
            design.battery_sku: case.blocks,
        }
    )
    asked[design.mount_sku] += design.mounts
    asked[design.enclosure_sku] += design.enclosures
    for row in case.rows.ports:
        part = parts.by_sku.get(row.via_sku)
        if isinstance(part, ConverterRow) and part.kind in PLUGGED:
            asked[row.via_sku] += 1
    found = case.rows.bill
    for sku in sorted(asked):
        yield agrees("bill-quantity", case.id, sku, found.get(sku, 0), asked[sku], "units")
    boxes = {sku for sku in found if _other_box(case, sku)}
    stray = sorted(found.keys() - asked.keys() - boxes)
    yield holds(
        "bill-quantity", case.id, "other parts", not stray, f"nothing at the site is {', '.join(stray)}"
    )
    yield holds("bill-rows", case.id, "", len(found) == len(case.rows.lines), "a SKU stands on two rows")
    kit = sorted(
        (sku, n) for sku, n in found.items() if isinstance(parts.by_sku[sku], SwitchRow | ConverterRow)
    )
    text = " + ".join(f"{n} x {sku}" for sku, n in kit)
    yield holds("supply-kit", case.id, "", case.design.supply_kit == text, f"is {text}")


def _other_box(case: SiteCase, sku: str) -> bool:
    """Switches, converters, inverters and disconnects, which rules of ports and bus count."""
    part = case.parts.by_sku[sku]
    return isinstance(part, SwitchRow) or (isinstance(part, ConverterRow) and part.kind not in PLUGGED)


def kept(case: SiteCase) -> Iterator[Check]:
    """Of every part, what stands at the site is used before any is bought; what must be kept is in use."""
    there = case.parts.existing.get(case.id, {})
    for line in case.rows.lines:
        own = min(line.quantity, there[line.sku].quantity) if line.sku in there else 0
        yield agrees("kept-units", case.id, line.sku, line.quantity_kept, own, "units")
    for sku, row in there.items():
        if row.keep is Keep.MUST:
            yield at_least("kept-in-use", case.id, sku, case.rows.bill.get(sku, 0), row.quantity, "units")


def categories(case: SiteCase) -> Iterator[Check]:
    """Each part stands under its table of the catalogue."""
    wrong = [line.sku for line in case.rows.lines if case.parts.category.get(line.sku) != line.category]
    yield holds("bill-category", case.id, "", not wrong, f"{wrong[:1]} stand in another table")


def names(case: SiteCase) -> Iterator[Check]:
    """Name and load profile as the site has them."""
    for name in ("name", "load_profile"):
        same = getattr(case.design, name) == getattr(case.site, name)
        yield holds("site-name", case.id, name, same, f"is {getattr(case.site, name)!r}")


def site_costs(case: SiteCase) -> Iterator[Check]:
    """Equipment is the sum of the bill, freight what is bought by weight, access and labour as asked."""
    design, currency = case.design, case.settings.currency
    weight, labour = Decimal(0), Decimal(str(case.settings.policy.installation_cost))
    for line in case.rows.lines:
        part = case.parts.by_sku[line.sku]
        weight += bought(line) * Decimal(str(part.weight_kg if part.freight_kg is None else part.freight_kg))
        hours = bought(line) * Decimal(str(part.install_h))
        labour += hours * Decimal(str(case.settings.purchase.labour_cost_h))
    own = {
        "equipment_cost": sum((line.line_cost for line in case.rows.lines), Decimal(0)),
        "freight_cost": rounded(weight * case.site.freight_per_kg, currency),
        "access_cost": rounded(case.site.access_cost, currency),
        "installation_cost": rounded(labour, currency),
    }
    for name, amount in own.items():
        yield exact("site-cost", case.id, name, getattr(design, name), amount, currency)
    yield exact("site-cost", case.id, "site_cost", design.site_cost, sum(own.values(), Decimal(0)), currency)


def bought(line: BillRow) -> int:
    """Units that do not stand at the site."""
    return line.quantity - line.quantity_kept


def rounded(amount: Decimal, currency: str) -> Decimal:
    """To the minor unit of a currency, half up."""
    return amount.quantize(minor_unit(currency), ROUND_HALF_UP)


def money(value: object) -> Decimal:
    """An amount of the manifest; NaN, which agrees with nothing, where it is none."""
    try:
        return Decimal(str(value))
    except ArithmeticError:
        return Decimal("NaN")


def exact(rule: str, site: str, subject: str, stated: Decimal, own: Decimal, currency: str) -> Check:
    """Money agrees to the last digit, whatever the floats that show it."""
    shown = agrees(rule, site, subject, float(stated), float(own), currency)
    return Check(
        rule=rule, site=site, subject=subject, value=shown.value, limit=shown.limit,
        margin=float(-abs(stated - own)), ok=stated == own, unit=currency,
    )  # fmt: skip


COST_RULES = (bill, kept, categories, names, site_costs)
