"""Row model of a mapping: how a supplier's price list names what the planner's own table `prices` holds."""

from enum import StrEnum

from pydantic import Field

from planner.tables.rows import Identifier, Row, Text
from planner.tables.trade_rows import PriceRow

PriceColumn = StrEnum("PriceColumn", [(name.upper(), name) for name in PriceRow.model_fields])  # type: ignore[misc]
PriceColumn.__doc__ = "A column of `prices`."


class PriceColumnRow(Row):
    """Where one column of `prices` comes from in price lists of one kind; read with `--prices` alone.

    Columns of `prices` without a row are taken from a column of their own name, if there is one.
    """

    mapping: Identifier = Field(description="name of the mapping; its rows belong together")
    column: PriceColumn = Field(description="column of `prices`")
    header: Text = Field("", description="header of the list's column that holds it; blank: `value` holds it")
    value: Text = Field("", description="what stands in every row, where the list has no column for it")
