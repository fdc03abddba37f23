"""From a failed validation of a cell or setting to a problem a person can act on."""

import datetime
import re
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from planner.errors import Problem
from planner.tables.columns import Column
from planner.tables.nearest import did_you_mean

DATED = datetime.date | datetime.time | datetime.timedelta
VALUE_SHOWN_MAX = 120  # characters of a faulty value that are shown

_NUMBER_TYPES = {
    "float_parsing",
    "float_type",
    "int_parsing",
    "int_type",
    "decimal_parsing",
    "decimal_type",
    "int_parsing_size",
}
_RANGE_TYPES = {"greater_than", "greater_than_equal", "less_than", "less_than_equal"}
_DECIMAL_TYPES = {"decimal_max_digits", "decimal_max_places", "decimal_whole_digits"}
_MEANT_ELSEWHERE = {
    "latitude_deg": "decimal degrees, north positive; latitude and longitude may be swapped",
    "longitude_deg": "decimal degrees, east positive; latitude and longitude may be swapped",
    "ghi_wh_m2_day": "Wh per m2 and mean day, not a sum over the month",
}


def shown(value: object) -> str:
    """A faulty value as text, cut where it is long."""
    text = str(value) if isinstance(value, str | int | float | Decimal | DATED) else repr(value)
    return text if len(text) <= VALUE_SHOWN_MAX else text[: VALUE_SHOWN_MAX - 1] + "…"


def cell_problem(
    error: Mapping[str, Any], *, file: str, line: int | None, column: Column | None, name: str = ""
) -> Problem:
    """Problem for one error of a validation.

    Parameters
    ----------
    error : mapping
        `type`, `msg`, `input` and `ctx` as the validation gives them.
    file, line, name
        Where it stands; `name` is used where no column of that name is known.
    column : Column or None
        What may stand there.
    """
    code, message, remedy = _explain(error, column)
    missing = error["type"] == "missing"
    return Problem(
        code=code,
        file=file,
        line=line,
        column=column.column if column else name,
        message=message,
        remedy=remedy,
        value="" if missing else shown(error["input"]),
        rule=_rule(error, column),
    )


def _rule(error: Mapping[str, Any], column: Column | None) -> str:
    if column and column.range:
        return f"{column.type}, {column.range}"
    return column.type if column else str(error["msg"])


def _explain(error: Mapping[str, Any], column: Column | None) -> tuple[str, str, str]:
    kind = error["type"]
    value = error.get("input", "")
    if isinstance(value, DATED) and not (column and column.type == "date"):
        return (
            "unmeant-date",
            "was taken for a date or time by the spreadsheet",
            "format the column as text or number, and write the value again",
        )
    text = str(value).strip()
    if kind == "missing":
        return "missing-value", "must be stated", f"write {column.meaning if column else 'a value'}"
    if kind in _NUMBER_TYPES or kind == "int_from_float":
        return _not_a_number(text, column)
    if kind in _RANGE_TYPES:
        return _out_of_range(column)
    if kind in ("enum", "literal_error"):
        choices = column.range.split(" | ") if column and column.range else []
        return (
            "not-a-choice",
            "is not one of the choices",
            did_you_mean(text, choices, f"write {error['ctx']['expected']}"),
        )
    if kind.startswith("bool"):
        return "not-a-boolean", "is neither true nor false", "write true or false (yes, no, 1, 0 do too)"
    if kind.startswith(("date", "bad_date")):
        return "not-a-date", "is not a date", "write year-month-day, as 2026-03-31"
    return _explain_text(kind, error, column)


def _explain_text(kind: str, error: Mapping[str, Any], column: Column | None) -> tuple[str, str, str]:
    if kind in _DECIMAL_TYPES:
        return "too-many-digits", "has too many digits", "write at most 4 decimals and 14 digits in all"
    if kind == "finite_number":
        return "not-finite", "is not a finite number", "write a number, or leave the cell blank"
    if kind == "string_pattern_mismatch":
        return "bad-format", "has characters that may not stand here", _pattern_remedy(column)
    if kind == "string_too_long":
        return "too-long", "is too long", f"write {error['ctx']['max_length']} characters at most"
    if kind in ("string_type", "string_unicode"):
        return "not-text", "is not text", "store the column as text, so that 0012 keeps its zeros"
    if kind == "system_voltage":
        return "not-a-choice", "is not a nominal bus voltage", "write 12, 24 or 48, or leave the cell blank"
    return "bad-value", f"does not fit: {error['msg']}", "see `planner columns`"


def _pattern_remedy(column: Column | None) -> str:
    name = column.column if column else ""
    if name.endswith("currency"):
        return "write the three capitals of ISO 4217, as EUR"
    if name == "sku":
        return "use printable ASCII characters"
    return "use letters, digits, `_`, `-` and `.`, and begin with a letter or digit"


def _not_a_number(text: str, column: Column | None) -> tuple[str, str, str]:
    whole = bool(column and column.type == "whole number")
    if re.fullmatch(r"[-+]?\d+,\d+", text):
        return "decimal-comma", "has a comma in a number", f"write {text.replace(',', '.')}"
    if re.fullmatch(r"[-+]?\d{1,3}([, '\u00a0\u202f]\d{3})+(\.\d+)?", text):
        return "thousands-separator", "has a thousands separator", f"write {re.sub(r'[^0-9.+-]', '', text)}"
    if whole and re.fullmatch(r"[-+]?\d*\.\d+", text):
        return "not-a-whole-number", "is not a whole number", "write a number without decimals"
    if unit := re.fullmatch(r"([-+]?\d+(?:\.\d+)?)\s*[^\d\s.,]+", text):
        return (
            "not-a-number",
            "is not a number alone",
            f"write {unit[1]}; the unit stands in the column's name",
        )
    return (
        "not-a-number",
        "is not a number",
        "write a number with a point as decimal mark, or leave the cell blank",
    )


def _out_of_range(column: Column | None) -> tuple[str, str, str]:
    name = column.column if column else ""
    remedy = _MEANT_ELSEWHERE.get(name) or (column.meaning if column else "") or "see `planner columns`"
    return "out-of-range", f"is outside {column.range if column else 'its range'}", f"write {remedy}"
