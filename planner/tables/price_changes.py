"""What a price list changes: which SKUs of its suppliers rose, fell, vanished, are new or unknown."""

import datetime
from collections.abc import Collection, Iterator, Mapping, Sequence
from decimal import Decimal

from planner.tables.nearest import nearest
from planner.tables.rerun_rows import PriceChangeRow
from planner.tables.trade_rows import PriceRow

Ladder = Sequence[PriceRow]
Key = tuple[str, str]


def price_changes(
    before: Sequence[PriceRow],
    after: Sequence[PriceRow],
    *,
    unknown: Sequence[PriceRow],
    skus: Collection[str],
    day: datetime.date,
    rates: Mapping[str, Decimal],
) -> list[PriceChangeRow]:
    """What differs from one price table to another on a day, by SKU and supplier.

    Parameters
    ----------
    before, after : rows of `prices`
    unknown : rows of `prices`
        Rows of a list whose SKU is no part of the catalogue.
    skus : collection of str
        SKUs of the catalogue, of which one may have been meant.
    day : date
        Day on which prices count.
    rates : mapping
        Plan currency per unit of each currency; prices are compared in the plan's.
    """
    old, new = _ladders(before, day), _ladders(after, day)
    rows = [row for key in sorted(old.keys() | new.keys()) for row in _change(key, old, new, rates)]
    return [*rows, *_unknown(unknown, skus)]


def _ladders(rows: Sequence[PriceRow], day: datetime.date) -> dict[Key, list[PriceRow]]:
    found: dict[Key, list[PriceRow]] = {}
    for row in sorted(rows, key=lambda row: row.min_qty):
        if (row.valid_from or day) <= day <= (row.valid_to or day):
            found.setdefault((row.sku, row.supplier), []).append(row)
    return found


def _change(
    key: Key, old: Mapping[Key, Ladder], new: Mapping[Key, Ladder], rates: Mapping[str, Decimal]
) -> Iterator[PriceChangeRow]:
    one, other = old.get(key, ()), new.get(key, ())
    change = "new" if not one else "vanished" if not other else _direction(one, other, rates)
    if change:
        yield PriceChangeRow.model_validate(
            {
                "sku": key[0],
                "supplier": key[1],
                "change": change,
                "price_before": one[0].unit_price if one else None,
                "price_after": other[0].unit_price if other else None,
                "currency": (other or one)[0].currency,
                "note": _note(one, other),
            }
        )


def _note(one: Ladder, other: Ladder) -> str:
    if one and other and one[0].currency != other[0].currency:
        return f"was quoted in {one[0].currency}"
    if one and other and [row.min_qty for row in one] != [row.min_qty for row in other]:
        return "other tiers"
    return ""


def _direction(one: Ladder, other: Ladder, rates: Mapping[str, Decimal]) -> str:
    """Which way the price goes over all quantities at which a tier of either begins."""
    steps = sorted({row.min_qty for row in (*one, *other)})
    pairs = [(_price(one, step, rates), _price(other, step, rates)) for step in steps]
    up = any(new > old for old, new in pairs)
    down = any(new < old for old, new in pairs)
    return "mixed" if up and down else "rose" if up else "fell" if down else ""


def _price(ladder: Ladder, quantity: int, rates: Mapping[str, Decimal]) -> Decimal:
    """Price of a unit in the plan's currency where so many are bought; endless below the least quantity."""
    reached = [row for row in ladder if row.min_qty <= quantity]
    if not reached:
        return Decimal("Infinity")
    return reached[-1].unit_price * rates.get(reached[-1].currency, Decimal(1))


def _unknown(rows: Sequence[PriceRow], skus: Collection[str]) -> Iterator[PriceChangeRow]:
    for row in {(row.sku, row.supplier): row for row in reversed(rows)}.values():
        near = nearest(row.sku, skus)
        yield PriceChangeRow(
            sku=row.sku,
            supplier=row.supplier,
            change="unknown",
            price_before=None,
            price_after=row.unit_price,
            currency=row.currency,
            note=f"did you mean {near!r}?" if near else "add the part to the catalogue to use it",
        )
