"""Checks of the rules that a purchase keeps: lists of SKUs, rules of categories, phases."""

from collections import Counter, defaultdict
from collections.abc import Iterator

from planner.errors import Problem
from planner.tables.checks import Check, Context
from planner.tables.registry import SKU_TABLES
from planner.tables.trade_rows import SkuRule


def lists(context: Context) -> Iterator[Problem]:
    """A required SKU must be for sale; a list of approved SKUs needs one that is."""
    if context.plan_date is None or not context.tables["prices"].known:
        return
    day = context.plan_date
    sold = {
        row.sku for row in context.rows("prices") if (row.valid_from or day) <= day <= (row.valid_to or day)
    }
    table = context.tables["sku_rules"]
    for at, row in enumerate(table.rows):
        if row.rule is SkuRule.REQUIRED and row.sku in context.skus and row.sku not in sold:
            yield table.problem(
                at,
                code="not-for-sale",
                column="sku",
                value=row.sku,
                message=f"is required, but has no price valid on {day}",
                remedy="add a price valid on that day, or delete the row",
                rule="for sale on the plan date",
            )
    yield from _approved(context, sold)


def _approved(context: Context, sold: set[str]) -> Iterator[Problem]:
    """Of the approved and required SKUs of a category one is for sale; said at the first approved one."""
    table = context.tables["sku_rules"]
    home = {row.sku: name for name in SKU_TABLES for row in context.rows(name)}
    listed: dict[str, list[int]] = defaultdict(list)
    for at, row in enumerate(table.rows):
        if row.rule is not SkuRule.FORBIDDEN and row.sku in home:
            listed[home[row.sku]].append(at)
    for name, places in listed.items():
        approved = [at for at in places if table.rows[at].rule is SkuRule.APPROVED]
        if approved and not any(table.rows[at].sku in sold for at in places):
            yield table.problem(
                approved[0],
                code="not-for-sale",
                column="sku",
                value=table.rows[approved[0]].sku,
                message=f"is approved, but no SKU approved in {name} has a price on {context.plan_date}",
                remedy="add a price valid on that day, approve one that is for sale, or delete the rows",
                rule="one for sale on the plan date",
            )


def categories(context: Context) -> Iterator[Problem]:
    """No more required SKUs than a category may have; a protection level needs its lead time and an MTBF."""
    table = context.tables["category_rules"]
    home = {row.sku: name for name in SKU_TABLES for row in context.rows(name)}
    required = Counter(
        home.get(row.sku, "") for row in context.rows("sku_rules") if row.rule is SkuRule.REQUIRED
    )
    for at, row in enumerate(table.rows):
        if row.distinct_max is not None and required[row.category] > row.distinct_max:
            yield table.problem(
                at,
                code="contradiction",
                column="distinct_max",
                value=row.distinct_max,
                message=f"is less than the {required[row.category]} SKUs of it that sku_rules requires",
                remedy="allow as many, or require fewer",
                rule=f">= {required[row.category]}",
            )
        for one, other in (("spares_protection", "resupply_weeks"), ("resupply_weeks", "spares_protection")):
            if getattr(row, one) is not None and getattr(row, other) is None:
                yield table.problem(
                    at,
                    code="missing-value",
                    column=other,
                    message=f"must be stated beside {one}",
                    rule="required here",
                    remedy=f"write {other}, or leave {one} blank",
                )
        if row.spares_protection is not None and not any(
            part.mtbf_years for part in context.rows(row.category)
        ):
            yield table.warning(
                at,
                code="not-used",
                column="spares_protection",
                value=row.spares_protection,
                message=f"counts for SKUs with mtbf_years, and none in {row.category} states it",
                remedy="write mtbf_years of the parts, or use spares_share",
            )


def phases(context: Context) -> Iterator[Problem]:
    """A site is ready in a phase that there is."""
    table = context.tables["sites"]
    if not context.tables["phases"].known:
        return
    last = max((row.phase for row in context.rows("phases")), default=None)
    said = False
    for at, row in enumerate(table.rows):
        if last is None and row.ready_phase > 1 and not said:
            said = True
            yield table.warning(
                at,
                code="not-used",
                column="ready_phase",
                value=row.ready_phase,
                message="counts only with a table of phases",
                remedy="add phases, or leave it blank",
            )
        elif last is not None and row.ready_phase > last:
            yield table.problem(
                at,
                code="unknown-reference",
                column="ready_phase",
                value=row.ready_phase,
                message=f"is after the last phase, {last}",
                remedy=f"write a phase up to {last}, or add one to {context.tables['phases'].file}",
                rule="a row of phases",
            )


def mappings(context: Context) -> Iterator[Problem]:
    """A row of a mapping says where its column comes from, in one way."""
    table = context.tables["price_columns"]
    for at, row in enumerate(table.rows):
        if bool(row.header) == bool(row.value):
            yield table.problem(
                at,
                code="header-or-value",
                column="header",
                value=row.header,
                message="and value are both given" if row.header else "and value are both blank",
                remedy="write the header of the list's column, or the value that holds for every row",
                rule="one of header and value",
            )


BUYING_CHECKS: tuple[Check, ...] = (mappings, lists, categories, phases)
