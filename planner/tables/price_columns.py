"""Row model of a mapping: how a supplier's price list names what the planner's own table `prices` holds."""

from enum import StrEnum

from pydantic import Field

from planner.tables.rows import Identifier, Row, Text


class PriceColumn(StrEnum):
    """A column of `prices`: a field of its row model."""

    SKU = "sku"
    SUPPLIER = "supplier"
    MIN_QTY = "min_qty"
    UNIT_PRICE = "unit_price"
    CURRENCY = "currency"
    TIER_KIND = "tier_kind"
    VALID_FROM = "valid_from"
    VALID_TO = "valid_to"


class PriceColumnRow(Row):
    """Where one column of `prices` comes from in price lists of one kind; read with `--prices` alone.

    Columns of `prices` without a row are taken from a column of their own name, if there is one.
    """

    mapping: Identifier = Field(description="name of the mapping; its rows belong together")
    column: PriceColumn = Field(description="column of `prices`")
    header: Text = Field("", description="header of the list's column that holds it; blank: `value` holds it")
    value: Text = Field("", description="what stands in every row, where the list has no column for it")
