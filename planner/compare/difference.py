"""What differs between two plans, row by row: from their tables and manifests alone."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from planner.errors import InputError, Problem
from planner.money import to_money
from planner.tables.plan_files import MANIFEST, WrittenPlan
from planner.tables.plan_rows import OrderRow, PlanRow, SiteDesignRow
from planner.tables.rerun_rows import (
    CauseRow,
    InputChangeRow,
    OrderChangeRow,
    PartChangeRow,
    SettingChangeRow,
    SiteChangeRow,
    TotalChangeRow,
)

NOTHING = Decimal(0)
PRICE_STEP = Decimal("0.0001")  # prices have four decimals
FIGURE_DIGITS = 4  # of volts and degrees; files keep nine significant ones

#: Columns that say what stands at a site and how it is joined; the others follow from them.
DESIGN = (
    "system_voltage_v",
    "surface_tilt_deg",
    "surface_azimuth_deg",
    "supply_kit",
    "feeds",
    "load_disconnect",
    "module_sku",
    "modules_series",
    "modules_parallel",
    "controller_sku",
    "controllers",
    "battery_sku",
    "batteries_series",
    "batteries_parallel",
    "charge_setpoint_v",
    "mount_sku",
    "mounts",
    "enclosure_sku",
    "enclosures",
)

#: What a plan does with a site: its design, the parts bought for it; None where it is not served.
SiteState = tuple[Any, ...] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """What differs between two plans; every table is empty where nothing does."""

    changed_totals: Sequence[TotalChangeRow]
    changed_sites: Sequence[SiteChangeRow]
    changed_parts: Sequence[PartChangeRow]
    changed_orders: Sequence[OrderChangeRow]
    changed_settings: Sequence[SettingChangeRow]
    changed_inputs: Sequence[InputChangeRow]
    causes: Sequence[CauseRow] = ()

    def tables(self) -> dict[str, Sequence[PlanRow]]:
        """The tables by name, in the order they are shown."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}

    @property
    def empty(self) -> bool:
        """Whether the plans are the same, and rest on the same."""
        return not any(self.tables().values())


def compare_plans(before: WrittenPlan, after: WrittenPlan) -> Comparison:
    """What differs from one plan to another.

    Raises
    ------
    InputError
        The plans are in two currencies.
    """
    one, other = (plan.manifest.get("currency") for plan in (before, after))
    if one != other:
        raise InputError(
            [
                Problem(
                    code="two-currencies",
                    file=str(after.folder / MANIFEST),
                    column="currency",
                    value=str(other),
                    message=f"differs from {one} in {before.folder}",
                    remedy="plan one of the two in the other's currency, with a row in fx",
                )
            ]
        )
    sites = list(_sites(before, after))
    return Comparison(
        changed_totals=list(_totals(before.manifest, after.manifest)),
        changed_sites=sites,
        changed_parts=list(_parts(before, after, {row.site_id for row in sites})),
        changed_orders=list(_orders(before, after)),
        changed_settings=list(_settings(before.manifest, after.manifest)),
        changed_inputs=list(_inputs(before.manifest, after.manifest)),
    )


def _totals(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[TotalChangeRow]:
    costs = [
        {name: Decimal(cost) for name, cost in {**manifest["costs"], "total": manifest["total_cost"]}.items()}
        for manifest in (before, after)
    ]
    for name in dict.fromkeys([*(name for one in costs for name in one if name != "total"), "total"]):
        old, new = (one.get(name, NOTHING) for one in costs)
        if old != new:
            yield TotalChangeRow(category=name, cost_before=old, cost_after=new, cost_change=new - old)


def site_states(
    designs: Sequence[Mapping[str, Any]], bill: Sequence[Mapping[str, Any]]
) -> dict[str, SiteState]:
    """What a plan does with each site that it serves, to be compared with another plan's."""
    parts: dict[str, list[tuple[Any, ...]]] = {}
    for row in bill:
        parts.setdefault(row["site_id"], []).append((row["sku"], row["quantity"], row["quantity_kept"]))
    return {
        row["site_id"]: (*(_even(row[name]) for name in DESIGN), *sorted(parts.get(row["site_id"], ())))
        for row in designs
    }


def _even(value: Any) -> Any:
    """A number as a plan's files keep it; they round beyond what matters."""
    return round(value, FIGURE_DIGITS) if isinstance(value, float) else value


def written_states(plan: WrittenPlan) -> dict[str, SiteState]:
    """The same of a plan read from its folder."""
    return site_states(_dumped(plan.tables["site_designs"]), _dumped(plan.tables["bill_of_materials"]))


def _dumped(rows: Sequence[PlanRow]) -> list[dict[str, Any]]:
    return [row.model_dump() for row in rows]


def _sites(before: WrittenPlan, after: WrittenPlan) -> Iterator[SiteChangeRow]:
    currency = before.manifest["currency"]
    states = [written_states(plan) for plan in (before, after)]
    designs = [{row.site_id: row for row in plan.tables["site_designs"]} for plan in (before, after)]
    for site_id in sorted(states[0].keys() | states[1].keys()):
        old, new = (one.get(site_id) for one in designs)
        if states[0].get(site_id) == states[1].get(site_id):
            continue
        costs = [to_money(one.site_cost if one else NOTHING, currency) for one in (old, new)]
        yield SiteChangeRow(
            site_id=site_id,
            change="served" if old is None else "lost" if new is None else "design",
            what=_what(old, new) if new else _lost(after, site_id),
            cost_before=costs[0],
            cost_after=costs[1],
            cost_change=costs[1] - costs[0],
        )


def _what(old: SiteDesignRow | None, new: SiteDesignRow) -> str:
    if old is None:
        return ""
    pairs = ((name, getattr(old, name), getattr(new, name)) for name in DESIGN)
    return "; ".join(f"{name} {one} -> {other}" for name, one, other in pairs if one != other) or "parts kept"


def _lost(after: WrittenPlan, site_id: str) -> str:
    """The rule that leaves a site out; a site that is no longer in the scenario has none."""
    unserved = after.manifest.get("unserved")
    rule = unserved.get(site_id) if isinstance(unserved, Mapping) else None
    return f"not served: {rule}" if rule else "not in the scenario"


def _parts(before: WrittenPlan, after: WrittenPlan, sites: set[str]) -> Iterator[PartChangeRow]:
    currency = before.manifest["currency"]
    rows = [
        {(row.site_id, row.sku): row for row in plan.tables["bill_of_materials"] if row.site_id in sites}
        for plan in (before, after)
    ]
    for site_id, sku in sorted(rows[0].keys() | rows[1].keys()):
        pair = [one.get((site_id, sku)) for one in rows]
        old, new = (row.quantity if row else 0 for row in pair)
        costs = [to_money(row.line_cost if row else NOTHING, currency) for row in pair]
        if old != new:
            yield PartChangeRow(
                site_id=site_id,
                sku=sku,
                category=next(row.category for row in pair if row),
                quantity_before=old,
                quantity_after=new,
                quantity_change=new - old,
                cost_before=costs[0],
                cost_after=costs[1],
                cost_change=costs[1] - costs[0],
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Ordered:
    """Units of a SKU from a supplier over all tiers, and their cost."""

    category: str
    quantity: int
    cost: Decimal

    @property
    def price(self) -> Decimal:
        """Mean price of a unit."""
        return (self.cost / self.quantity).quantize(PRICE_STEP)


def ordered(rows: Sequence[OrderRow]) -> dict[tuple[str, str], Ordered]:
    """Order lines gathered by SKU and supplier."""
    found: dict[tuple[str, str], Ordered] = {}
    for row in rows:
        known = found.get((row.sku, row.supplier))
        found[row.sku, row.supplier] = Ordered(
            category=row.category,
            quantity=row.quantity_ordered + (known.quantity if known else 0),
            cost=row.line_cost + (known.cost if known else NOTHING),
        )
    return found


def _orders(before: WrittenPlan, after: WrittenPlan) -> Iterator[OrderChangeRow]:
    currency = before.manifest["currency"]
    lines = [ordered(plan.tables["procurement"]) for plan in (before, after)]
    for key in sorted(lines[0].keys() | lines[1].keys()):
        old, new = (one.get(key) for one in lines)
        if old == new:
            continue
        sellers = [" ".join(sorted(seller for sku, seller in one if sku == key[0])) for one in lines]
        costs = [to_money(one.cost if one else NOTHING, currency) for one in (old, new)]
        numbers = [one.quantity if one else 0 for one in (old, new)]
        yield OrderChangeRow(
            sku=key[0],
            supplier=key[1],
            category=next(one.category for one in (old, new) if one),
            quantity_before=numbers[0],
            quantity_after=numbers[1],
            quantity_change=numbers[1] - numbers[0],
            price_before=old.price if old else None,
            price_after=new.price if new else None,
            cost_before=costs[0],
            cost_after=costs[1],
            cost_change=costs[1] - costs[0],
            supplier_before=sellers[0] if sellers[0] != sellers[1] else "",
            supplier_after=sellers[1] if sellers[0] != sellers[1] else "",
        )


def _settings(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[SettingChangeRow]:
    """Settings whose value differs; where it came from alone is no difference."""
    old, new = before["settings"], after["settings"]
    for name in sorted(old.keys() | new.keys()):
        cells = [one.get(name) or {} for one in (old, new)]
        if cells[0].get("value") != cells[1].get("value"):
            yield SettingChangeRow(
                setting=name,
                value_before=_shown(cells[0].get("value")),
                value_after=_shown(cells[1].get("value")),
                origin_before=str(cells[0].get("origin", "")),
                origin_after=str(cells[1].get("origin", "")),
            )


def _shown(value: object) -> str:
    return "" if value is None else str(value)


def _inputs(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[InputChangeRow]:
    old, new = before["inputs"], after["inputs"]
    for file in sorted(old.keys() | new.keys()):
        if old.get(file) != new.get(file):
            change = "added" if file not in old else "gone" if file not in new else "changed"
            yield InputChangeRow.model_validate({"file": file, "change": change})
