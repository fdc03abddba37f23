"""What the plans of a sweep come to: a row for each, and the decisions that are the same in all of them."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from statistics import fmean
from typing import Any

from planner.compare.difference import SiteState, site_states
from planner.plan import Plan
from planner.runs import Attempt
from planner.tables.rerun_rows import DecisionRow, SweepRow

NO_PLAN = "no_plan"
DIGITS = 6  # of an availability: half a minute a year


def sweep_row(number: int, attempt: Attempt) -> SweepRow:
    """Figures of one plan."""
    plan = attempt.plan
    if plan is None:
        return SweepRow(plan=number, outcome=NO_PLAN, note=attempt.why)
    manifest, designs = plan.manifest, plan.tables["site_designs"]
    reached = list(plan.availability.values())
    days = [value for value in designs["autonomy_days"] if value is not None]
    return SweepRow(
        plan=number,
        total_cost=plan.total_cost,
        best_bound=Decimal(manifest["best_bound"]),
        mip_gap=manifest["mip_gap"],
        outcome=manifest["outcome"],
        sites_planned=manifest["sites_planned"],
        sites_unserved=manifest["sites_unserved"],
        array_w=round(sum(designs["array_w"]), 1),
        battery_wh=round(sum(designs["battery_wh"]), 1),
        autonomy_days_least=min(days, default=None),
        availability_mean=round(fmean(reached), DIGITS) if reached else None,
        availability_least=round(min(reached), DIGITS) if reached else None,
        skus=len(set(plan.tables["procurement"]["sku"])),
    )


def decisions(plans: Sequence[Plan]) -> list[DecisionRow]:
    """SKUs and sites of the plans, those first that are the same in all of them."""
    rows = [*_skus(plans), *_sites(plans)]
    return sorted(rows, key=lambda row: (row.kind != "sku", not row.steady, row.category, row.name))


def _skus(plans: Sequence[Plan]) -> Iterator[DecisionRow]:
    """A SKU is a steady choice where every plan orders it."""
    ordered: list[Counter[str]] = []
    category: dict[str, str] = {}
    for plan in plans:
        lines, units = plan.tables["procurement"], Counter[str]()
        for sku, kind, number in zip(lines["sku"], lines["category"], lines["quantity_ordered"], strict=True):
            units[sku] += number
            category[sku] = kind
        ordered.append(units)
    for sku, kind in category.items():
        numbers = [units[sku] for units in ordered]
        buying = sum(number > 0 for number in numbers)
        yield DecisionRow(
            kind="sku",
            name=sku,
            category=kind,
            plans=buying,
            steady=buying == len(plans),
            quantity_min=min(numbers),
            quantity_max=max(numbers),
        )


def _sites(plans: Sequence[Plan]) -> Iterator[DecisionRow]:
    """A site is steady where every plan gives it the same design."""
    states = [site_states(_rows(plan, "site_designs"), _rows(plan, "bill_of_materials")) for plan in plans]
    for site_id in {site_id for one in states for site_id in one}:
        found = [one.get(site_id) for one in states]
        yield DecisionRow(
            kind="site",
            name=site_id,
            plans=sum(state is not None for state in found),
            steady=found.count(found[0]) == len(found),
            designs=len(_distinct(found)),
        )


def _distinct(found: Sequence[SiteState]) -> set[SiteState]:
    return {state for state in found if state is not None}


def _rows(plan: Plan, name: str) -> list[Mapping[str, Any]]:
    columns = plan.tables[name]
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]
