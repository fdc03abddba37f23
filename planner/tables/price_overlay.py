"""A scenario's tables with price lists laid over its prices, checked list by list."""

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from planner.errors import Problem, Severity
from planner.tables.checks import Asked, Context, check_tables
from planner.tables.price_changes import price_changes
from planner.tables.price_lists import PriceLists, known_only, laid_over, read_price_list, twice
from planner.tables.read import ReadTable
from planner.tables.rerun_rows import PriceChangeRow
from planner.tables.trade_rows import PriceRow

PRICES = "prices"


@dataclass(slots=True, kw_only=True)
class Overlay:
    """Tables with the lists' prices, what the lists change, and what is wrong in any table or list."""

    tables: Mapping[str, ReadTable]
    changes: Sequence[PriceChangeRow] = ()
    problems: list[Problem] = field(default_factory=list)
    hashes: dict[str, str] = field(default_factory=dict)


def lay_over(
    tables: Mapping[str, ReadTable],
    lists: PriceLists,
    *,
    plan_date: datetime.date,
    currency: str,
    asked: Asked | None = None,
) -> Overlay:
    """Lay price lists over the prices of a scenario, in order, and check everything.

    Each list is checked as the table `prices`, against the scenario's other tables; the scenario's own prices
    as they stand; all other tables against what comes of both.
    """

    def found(prices: ReadTable) -> list[Problem]:
        whole = {**tables, PRICES: prices}
        return check_tables(whole, plan_date=plan_date, currency=currency, asked=asked)

    own = tables[PRICES]
    problems = [*twice(lists.files), *(one for one in found(own) if one.file == own.file)]
    hashes: dict[str, str] = {}
    skus = Context(tables=tables).skus
    merged, unknown = own, list[PriceRow]()
    for path in lists.files:
        table, faults = read_price_list(path, tables["price_columns"].rows, lists.mapping)
        problems += faults
        if table is None:
            continue
        hashes |= table.hashes
        unknown += [row for row in table.rows if row.sku not in skus]
        known = known_only(table, skus)
        problems += [one for one in found(known) if one.file == table.file]
        merged = laid_over(merged, known, partial=lists.partial)
    result = {**tables, PRICES: merged}
    if not any(one.severity is Severity.ERROR for one in problems):
        problems += [one for one in found(merged) if one.file != own.file]
    rates = {row.currency: row.rate for row in tables["fx"].rows} | {currency: Decimal(1)}
    changes = price_changes(
        own.rows, merged.rows, unknown=unknown, skus=set(skus), day=plan_date, rates=rates
    )
    return Overlay(tables=result, changes=changes, problems=problems, hashes=hashes)
