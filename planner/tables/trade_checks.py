"""Checks of prices, tiers, stock and exchange rates."""

import datetime
from collections import defaultdict
from collections.abc import Iterator
from itertools import pairwise
from typing import Any

from planner.errors import Problem, Severity
from planner.tables.checks import Check, Context
from planner.tables.part_checks import ascending
from planner.tables.registry import SKU_TABLES
from planner.tables.trade_rows import PriceRow, TierKind

RATE_AGE_DAYS_MAX = (
    92  # an exchange rate older than a quarter asks for a second look (common practice, no source)
)


def prices(context: Context) -> Iterator[Problem]:
    """Days of validity in order; a rate for every currency."""
    table, fx = context.tables["prices"], context.tables["fx"]
    rates = fx.values("currency") | {context.currency or ""}
    said: set[str] = set()
    for at, row in enumerate(table.rows):
        if row.valid_from and row.valid_to and row.valid_from > row.valid_to:
            yield table.problem(
                at,
                code="contradiction",
                column="valid_from",
                value=row.valid_from,
                message=f"is after valid_to, {row.valid_to}",
                remedy="correct valid_from or valid_to; they may be swapped",
                rule="valid_from <= valid_to",
            )
        if context.currency and fx.known and row.currency not in rates and row.currency not in said:
            said.add(row.currency)
            yield table.problem(
                at,
                code="missing-rate",
                column="currency",
                value=row.currency,
                message=f"has no exchange rate into {context.currency}",
                remedy=f"add a row for {row.currency} to {fx.file}",
                rule=f"{context.currency}, or a currency of fx",
            )


def _valid(context: Context) -> dict[tuple[str, str], list[int]]:
    """Positions of the prices valid on the plan date, by SKU and supplier."""
    groups: dict[tuple[str, str], list[int]] = defaultdict(list)
    day = context.plan_date
    for at, row in enumerate(context.rows("prices")):
        if day is None or (row.valid_from or day) <= day <= (row.valid_to or day):
            groups[row.sku, row.supplier].append(at)
    return groups


def tiers(context: Context) -> Iterator[Problem]:
    """Tiers of a SKU and supplier on the plan date: one price a quantity, one kind and currency, falling."""
    if context.plan_date is None:
        return
    table = context.tables["prices"]
    for places in _valid(context).values():
        ordered = sorted(places, key=lambda at: (table.rows[at].min_qty, at))
        for before, at in pairwise(ordered):
            yield from _tier_pair(context, before, at)


def _tier_pair(context: Context, before: int, at: int) -> Iterator[Problem]:
    table = context.tables["prices"]
    low, high = table.rows[before], table.rows[at]
    where = f"the row on line {table.lines[before]}"
    if low.min_qty == high.min_qty:
        if low.valid_from != high.valid_from:  # the same day twice is a duplicate key already
            yield table.problem(
                at,
                code="overlapping-prices",
                column="min_qty",
                value=high.min_qty,
                message=f"and {where} are two prices of one quantity on the plan date",
                remedy="end the earlier price (valid_to) before the later one begins",
                rule="one price a quantity and day",
            )
        return
    for name in ("tier_kind", "currency"):
        if getattr(low, name) != getattr(high, name):
            yield table.problem(
                at,
                code="mixed-tiers",
                column=name,
                value=getattr(high, name),
                message=f"differs from {getattr(low, name)} in {where}, of the same SKU and supplier",
                remedy=f"write one {name} in all tiers of a SKU and supplier",
                rule="alike in all tiers",
            )
    if low.currency == high.currency and high.unit_price > low.unit_price:
        if TierKind.INCREMENTAL in (low.tier_kind, high.tier_kind):
            yield table.problem(
                at,
                code="rising-increment",
                column="unit_price",
                value=high.unit_price,
                rule="falling with min_qty",
                message=f"is more than {low.unit_price} in {where}, though further units must not cost more",
                remedy="correct the tiers, or write tier_kind all_units if every unit has the reached price",
            )
            return
        yield table.warning(
            at,
            code="rising-price",
            column="unit_price",
            value=high.unit_price,
            rule="falling with min_qty",
            message=f"is more than {low.unit_price} in {where}, for fewer units",
            remedy="compare the tiers with the offer",
        )


def ladders(context: Context) -> Iterator[Problem]:
    """A ladder whose lowest tiers are not valid on the plan date, while others of it are.

    Rows belong to one ladder where they share a day of validity. Such a SKU is bought from the lowest
    valid tier's quantity on; the price of the units below an incremental tier is not known at all.
    """
    if context.plan_date is None:
        return
    table = context.tables["prices"]
    valid = _valid(context)
    below: dict[tuple[str, str], list[int]] = defaultdict(list)
    for at, row in enumerate(table.rows):
        below[row.sku, row.supplier].append(at)
    for key, places in valid.items():
        lowest = min(places, key=lambda at: (table.rows[at].min_qty, at))
        row = table.rows[lowest]
        gone = [
            at for at in below[key] if table.rows[at].min_qty < row.min_qty and _overlap(table.rows[at], row)
        ]
        if not gone:
            continue
        hard = row.tier_kind is TierKind.INCREMENTAL
        yield table.problem(
            lowest,
            code="broken-ladder",
            column="min_qty",
            value=row.min_qty,
            severity=Severity.ERROR if hard else Severity.WARNING,
            message=f"is the least quantity on the plan date: the tier below it, on line "
            f"{table.lines[gone[0]]}, {_when(table.rows[gone[0]], context.plan_date)}",
            remedy="correct valid_from and valid_to, alike in all tiers of a SKU and supplier"
            + ("" if hard else "; else at least this many are bought"),
            rule="valid from the lowest tier on",
        )


def _overlap(one: PriceRow, other: PriceRow) -> bool:
    """Whether two rows are valid together on some day."""
    starts = [day for day in (one.valid_from, other.valid_from) if day]
    ends = [day for day in (one.valid_to, other.valid_to) if day]
    return not starts or not ends or max(starts) <= min(ends)


def _when(row: PriceRow, day: datetime.date) -> str:
    return (
        f"ended on {row.valid_to}" if row.valid_to and row.valid_to < day else f"begins on {row.valid_from}"
    )


def for_sale(context: Context) -> Iterator[Problem]:
    """Parts without a price on the plan date are left out of the plan; that is said."""
    if context.plan_date is None or not context.tables["prices"].known:
        return
    priced = {sku for sku, _ in _valid(context)}
    # A faulty price row is named for its fault; its SKU is not called unsold on top.
    sound = {row.sku for row in context.rows("prices")}
    faulty = context.tables["prices"].values("sku") - sound
    outdated, there = _outdated(context), context.tables["existing"].values("sku")
    for name in SKU_TABLES:
        table = context.tables[name]
        for at, row in enumerate(table.rows):
            if row.sku not in priced and row.sku not in faulty:
                yield table.warning(
                    at,
                    code="not-for-sale",
                    column="sku",
                    value=row.sku,
                    message=f"has no price valid on {context.plan_date}, so the plan "
                    + ("uses it only where it stands" if row.sku in there else "leaves it out")
                    + outdated.get(row.sku, ""),
                    remedy="add a price valid on that day, or correct valid_from and valid_to"
                    if row.sku in outdated
                    else "add a price",
                )
    if context.rows("prices") and not priced:
        yield Problem(
            code="nothing-for-sale",
            file=context.tables["prices"].file,
            column="valid_to",
            value=str(context.plan_date),
            message="no price at all is valid on the plan date",
            remedy="correct plan_date or the prices' dates",
        )


def _outdated(context: Context) -> dict[str, str]:
    """For each SKU with prices, when the one nearest to the plan date is valid, and where it stands."""
    table, day = context.tables["prices"], context.plan_date
    assert day is not None
    nearest: dict[str, tuple[int, int]] = {}
    for at, row in enumerate(table.rows):
        away = (day - row.valid_to).days if row.valid_to and row.valid_to < day else 0
        away = max(away, (row.valid_from - day).days if row.valid_from else 0)
        nearest[row.sku] = min(nearest.get(row.sku, (away, at)), (away, at))
    return {
        sku: f"; the price on line {table.lines[at]} of {table.file} {_when(table.rows[at], day)}"
        for sku, (_, at) in nearest.items()
    }


def stock(context: Context) -> Iterator[Problem]:
    """Least order and pack fit each other."""
    table = context.tables["stock"]
    for at, row in enumerate(table.rows):
        if row.min_order_qty % row.pack_qty:
            yield table.warning(
                at,
                code="pack-mismatch",
                column="min_order_qty",
                value=row.min_order_qty,
                rule=f"a multiple of {row.pack_qty}",
                message=f"is no whole number of packs of {row.pack_qty}",
                remedy="the order is rounded up to packs; correct it if that is not meant",
            )
        if row.stock_qty is not None and row.stock_qty:
            yield from ascending(table, at, "min_order_qty", "stock_qty", warning=True)


def rates(context: Context) -> Iterator[Problem]:
    """The plan's own currency is worth 1; rates are of the plan's time."""
    table = context.tables["fx"]
    for at, row in enumerate(table.rows):
        if row.currency == context.currency and row.rate != 1:
            yield table.problem(
                at,
                code="contradiction",
                column="rate",
                value=row.rate,
                rule="1",
                message=f"{row.currency} is the plan's own currency, worth 1",
                remedy="delete the row, or give rates into the plan's currency",
            )
        yield from _rate_age(context, at, row)


def _rate_age(context: Context, at: int, row: Any) -> Iterator[Problem]:
    if context.plan_date is None:
        return
    age = (context.plan_date - row.date).days
    if not 0 <= age <= RATE_AGE_DAYS_MAX:
        when = f"{age} days before the plan date" if age > 0 else "after the plan date"
        yield context.tables["fx"].warning(
            at,
            code="stale-rate",
            column="date",
            value=row.date,
            message=f"is {when}",
            remedy="look the rate up again",
            rule=f"within {RATE_AGE_DAYS_MAX} days before the plan date",
        )


TRADE_CHECKS: tuple[Check, ...] = (prices, tiers, ladders, for_sale, stock, rates)
