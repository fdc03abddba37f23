"""Why not all sites are served: one family of rules is dropped at a time, and the fleet planned again.

An irreducible set of conflicting rows says little to a planner, and may not end; a plan without one rule says
which rule it is, what it would need, and for which sites. Where no site can be served for want of that rule,
no plan is made.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from planner.errors import SolverError
from planner.fleet.stop import Stop
from planner.freeing import may_free
from planner.plan import Plan
from planner.purchase import budget_of
from planner.scenario import Scenario, Tables
from planner.tables.plan_rows import PLAN_TABLES, ProblemRow, by_column

#: Plans a scenario.
PlanIt = Callable[[Scenario], Plan]

LOOSE_GAP = 0.02  # a plan to compare with need not be proven further


@dataclass(frozen=True, slots=True, kw_only=True)
class Blocked:
    """A family of rules without which more sites are served: what they would need, and what was given.

    Without `sites` it is open whether there are any: nobody had the time to find out, or no plan was found.
    """

    rule: str
    sites: tuple[str, ...]
    message: str
    needs: float | None = None
    gave: float | None = None
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """Rules of one kind: `drop` gives a scenario without them, None where it has none of them."""

    drop: Callable[[Scenario], Scenario | None]
    explain: Callable[[Scenario, Plan, tuple[str, ...]], Blocked]


def blocked(scenario: Scenario, plan: Plan, plan_it: PlanIt, stop: Stop) -> Iterator[Blocked]:
    """Families without which the fleet serves sites that `plan` does not; none where all are served.

    `plan_it` plans a scenario without asking this question again, and ends early where the stop says so. Once
    it did, the families that are left are open.
    """
    if not plan.unserved:
        return
    for name, family in FAMILIES.items():
        without = family.drop(scenario)
        if without is None:
            continue
        if _ended(stop):
            yield _open(name, "the run was ended first")
            continue
        if not may_free(scenario, without, plan.unserved):
            continue
        try:
            other = plan_it(_loose(without))
        except SolverError as error:
            yield _open(name, str(error))
            continue
        sites = tuple(sorted(plan.unserved.keys() - other.unserved.keys()))
        if sites:
            yield family.explain(scenario, other, sites)
        elif _ended(stop):
            yield _open(name, "the run was ended first")


def _ended(stop: Stop) -> bool:
    """Whether somebody asked, or a search ended early; a limit counts from the beginning of each search."""
    return stop.asked or stop.why is not None


def _open(name: str, why: str) -> Blocked:
    return Blocked(
        rule=name,
        sites=(),
        message=f"whether more sites are served without it is open: {why}",
    )


def with_reasons(plan: Plan, found: Sequence[Blocked], timings: Mapping[str, float]) -> Plan:
    """The plan with the families of rules that block sites, in its problems and its manifest."""
    rows = [_problem(one) for one in found]
    model = PLAN_TABLES["problems"]
    columns = plan.tables["problems"]
    more = {name: [*columns[name], *values] for name, values in by_column(model, rows).items()}
    reasons = [
        {"rule": one.rule, "sites": list(one.sites), "needs": one.needs, "gave": one.gave, "unit": one.unit}
        for one in found
    ]
    return replace(
        plan,
        tables={**plan.tables, "problems": more},
        manifest={**plan.manifest, "why_not": reasons},
        timings=timings,
    )


def _problem(one: Blocked) -> ProblemRow:
    short = abs(one.needs - one.gave) if one.needs is not None and one.gave is not None else 0.0
    return ProblemRow(
        severity="rule",
        code=one.rule,
        subject=", ".join(one.sites),
        message=one.message,
        value=one.needs,
        limit=one.gave,
        unit=one.unit,
        shortfall=round(short, 6),
    )


def _loose(scenario: Scenario) -> Scenario:
    settings = scenario.settings
    solver = settings.solver.model_copy(update={"gap": max(settings.solver.gap, LOOSE_GAP)})
    return replace(scenario, settings=settings.model_copy(update={"solver": solver}))


def _with_purchase(scenario: Scenario, **values: Any) -> Scenario:
    purchase = scenario.settings.purchase.model_copy(update=values)
    return replace(scenario, settings=scenario.settings.model_copy(update={"purchase": purchase}))


def _with_tables(scenario: Scenario, **rows: Any) -> Scenario:
    tables: Tables = replace(scenario.tables, **rows)
    return replace(scenario, tables=tables)


def _budget(scenario: Scenario) -> Scenario | None:
    if scenario.settings.purchase.budget is None and not scenario.tables.phases:
        return None
    return _with_tables(_with_purchase(scenario, budget=None), phases=())


def _stock(scenario: Scenario) -> Scenario | None:
    if all(row.stock_qty is None for row in scenario.tables.stock):
        return None
    rows = [row.model_copy(update={"stock_qty": None}) for row in scenario.tables.stock]
    return _with_tables(scenario, stock=rows)


def _lead_times(scenario: Scenario) -> Scenario | None:
    return _with_purchase(scenario, need_by=None) if scenario.settings.purchase.need_by else None


def _lists(scenario: Scenario) -> Scenario | None:
    return _with_tables(scenario, sku_rules=()) if scenario.tables.sku_rules else None


def _caps(scenario: Scenario) -> Scenario | None:
    if all(row.distinct_max is None for row in scenario.tables.category_rules):
        return None
    rows = [row.model_copy(update={"distinct_max": None}) for row in scenario.tables.category_rules]
    return _with_tables(scenario, category_rules=rows)


def _chemistry(scenario: Scenario) -> Scenario | None:
    alike = scenario.settings.purchase.one_chemistry_per_region
    return _with_purchase(scenario, one_chemistry_per_region=False) if alike else None


def _of_budget(scenario: Scenario, other: Plan, sites: tuple[str, ...]) -> Blocked:
    gave = budget_of(scenario)
    return Blocked(
        rule="budget",
        sites=sites,
        needs=float(other.total_cost),
        gave=gave,
        unit=scenario.settings.currency,
        message=f"without a limit the plan costs {other.total_cost:,} and serves {_count(sites)} more; "
        f"you gave {gave:,.2f}",
    )


def _of_stock(scenario: Scenario, other: Plan, sites: tuple[str, ...]) -> Blocked:
    held: dict[str, int] = {}
    unlimited = {row.sku for row in scenario.tables.stock if row.stock_qty is None}
    priced = {(row.sku, row.supplier) for row in scenario.tables.prices}
    unlimited |= {
        sku for sku, supplier in priced - {(row.sku, row.supplier) for row in scenario.tables.stock}
    }
    for row in scenario.tables.stock:
        held[row.sku] = held.get(row.sku, 0) + (row.stock_qty or 0)
    lines = other.tables["procurement"]
    ordered: dict[str, int] = {}
    for sku, units in zip(lines["sku"], lines["quantity_ordered"], strict=True):
        ordered[sku] = ordered.get(sku, 0) + units
    short = {sku: n for sku, n in ordered.items() if sku in held and sku not in unlimited and n > held[sku]}
    if not short:
        return Blocked(rule="stock", sites=sites, message=f"with more stock, {_count(sites)} more are served")
    worst = max(short, key=lambda sku: (short[sku] / max(1, held[sku]), sku))
    return Blocked(
        rule="stock",
        sites=sites,
        needs=float(short[worst]),
        gave=float(held[worst]),
        unit="units",
        message=f"with more stock, {_count(sites)} more are served: above all {short[worst]} of {worst}, of "
        f"which suppliers hold {held[worst]}",
    )


def _of_lead_times(scenario: Scenario, other: Plan, sites: tuple[str, ...]) -> Blocked:
    need_by = scenario.settings.purchase.need_by
    assert need_by is not None  # the family was in force
    weeks = (need_by - scenario.settings.plan_date).days / 7
    longest = max((w for w in other.tables["procurement"]["lead_time_weeks"] if w is not None), default=0.0)
    return Blocked(
        rule="lead-times",
        sites=sites,
        needs=longest,
        gave=round(weeks, 1),
        unit="weeks",
        message=f"with goods that take up to {longest:g} weeks, {_count(sites)} more are served; "
        f"until need_by there are {weeks:.1f}",
    )


def _of_lists(scenario: Scenario, other: Plan, sites: tuple[str, ...]) -> Blocked:
    listed = {row.sku: row.rule.value for row in scenario.tables.sku_rules}
    used = sorted(set(other.tables["procurement"]["sku"]))
    barred = [sku for sku in used if listed.get(sku) != "approved"][:3]
    return Blocked(
        rule="lists",
        sites=sites,
        message=f"without the lists of SKUs, {_count(sites)} more are served; with {', '.join(barred)}",
    )


def _of_caps(scenario: Scenario, other: Plan, sites: tuple[str, ...]) -> Blocked:
    lines = other.tables["procurement"]
    used: dict[str, set[str]] = {}
    for sku, category in zip(lines["sku"], lines["category"], strict=True):
        used.setdefault(category, set()).add(sku)
    caps = {
        row.category.value: row.distinct_max for row in scenario.tables.category_rules if row.distinct_max
    }
    over = {name: len(used.get(name, ())) for name, cap in caps.items() if len(used.get(name, ())) > cap}
    name = max(over, key=lambda one: (over[one] / caps[one], one), default=next(iter(caps)))
    needs, gave = len(used.get(name, ())), caps[name]
    return Blocked(
        rule="distinct-skus",
        sites=sites,
        needs=float(needs),
        gave=float(gave),
        unit="SKUs",
        message=f"without a limit on SKUs, {_count(sites)} more are served with {needs} SKUs of {name}; "
        f"you allow {gave}",
    )


def _of_chemistry(scenario: Scenario, other: Plan, sites: tuple[str, ...]) -> Blocked:
    return Blocked(
        rule="one-chemistry",
        sites=sites,
        message=f"with batteries of several chemistries in a region, {_count(sites)} more are served",
    )


#: Families of rules by name, in the order in which they are dropped.
FAMILIES: Mapping[str, Family] = {
    "budget": Family(drop=_budget, explain=_of_budget),
    "stock": Family(drop=_stock, explain=_of_stock),
    "lead-times": Family(drop=_lead_times, explain=_of_lead_times),
    "lists": Family(drop=_lists, explain=_of_lists),
    "distinct-skus": Family(drop=_caps, explain=_of_caps),
    "one-chemistry": Family(drop=_chemistry, explain=_of_chemistry),
}


def _count(sites: tuple[str, ...]) -> str:
    return "1 site" if len(sites) == 1 else f"{len(sites)} sites"
