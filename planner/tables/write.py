"""Tables of a plan as CSV and Parquet: the same rows in both, the same bytes for the same rows."""

import datetime
from collections.abc import Mapping, Sequence
from decimal import Decimal
from enum import Enum
from pathlib import Path
from typing import Any

from planner.errors import OutputError
from planner.tables.arrow import arrow_array

FLOAT_DIGITS = (
    9  # significant digits kept: beyond any input's accuracy, below the noise of summing in another order
)
DECIMAL_SCALE = 4  # decimals of money columns in Parquet, as many as a price may have
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")  # a spreadsheet would run a text cell that begins so
QUOTED_MARKS = frozenset(',"\n\r')
PLAIN = frozenset((str, bool, int, Decimal))  # types of values that stand in a cell as they are

Cell = str | bool | int | float | Decimal | datetime.date | None


def write_table(
    folder: Path,
    name: str,
    columns: Mapping[str, Sequence[Any]],
    *,
    types: Mapping[str, type] | None = None,
    units: Mapping[str, str] | None = None,
) -> tuple[Path, Path]:
    """Write `name.csv` and `name.parquet` with the same columns and rows.

    Parameters
    ----------
    folder : Path
        An existing folder.
    name : str
        Table name, without suffix.
    columns : mapping
        Column name to values of equal length: text, numbers, Decimal, dates, enums, None; arrays too.
        NaN is written as blank.
    types : mapping, optional
        `str`, `bool`, `int`, `float`, `Decimal` or `datetime.date` of columns; else taken from the
        values, and text where a column has none.
    units : mapping, optional
        Unit of columns, kept as metadata of the Parquet field.

    Returns
    -------
    tuple of Path
        The CSV and the Parquet file.

    Raises
    ------
    ValueError
        Columns of unequal length, or a column of values that share no type.
    """
    cells = {column: _cells(_plain(values)) for column, values in columns.items()}
    if len({len(values) for values in cells.values()}) > 1:
        lengths = {column: len(values) for column, values in cells.items()}
        raise ValueError(f"columns of table {name} differ in length: {lengths}")
    kinds = {column: (types or {}).get(column) or _kind(column, values) for column, values in cells.items()}
    cells = {column: [_cast(value, kinds[column]) for value in values] for column, values in cells.items()}
    return _write_csv(folder / f"{name}.csv", cells), _write_parquet(
        folder / f"{name}.parquet", cells, kinds, units or {}
    )


def guard(text: str) -> str:
    """Text that no spreadsheet takes for a formula: a leading apostrophe where it would."""
    return "'" + text if text.startswith(FORMULA_STARTS) else text


def _plain(values: Sequence[Any]) -> Sequence[Any]:
    """NumPy arrays as lists of Python's own numbers."""
    to_list = getattr(values, "tolist", None)
    return to_list() if to_list is not None else values


def _cells(values: Sequence[Any]) -> list[Cell]:
    """Values as plain Python values; most columns are of floats alone."""
    if all(type(value) is float for value in values):
        return [_rounded(value) if value == value else None for value in values]
    return [_cell(value) for value in values]


def _cell(value: Any) -> Cell:
    """One value as a plain Python value; NumPy scalars and enums are unwrapped, NaN becomes None."""
    if type(value) is float:
        return _rounded(value) if value == value else None
    if value is None or type(value) in PLAIN:
        plain: Cell = value
        return plain
    if isinstance(value, Enum):
        value = value.value
    item = getattr(value, "item", None)
    if item is not None:
        value = item()
    if isinstance(value, datetime.datetime):
        value = value.date()
    if isinstance(value, float):
        return _rounded(value) if value == value else None
    if isinstance(value, str | bool | int | Decimal | datetime.date):
        return value
    raise ValueError(f"a cell cannot hold {type(value).__name__}")


def _rounded(value: float) -> float:
    return float(f"{value:.{FLOAT_DIGITS}g}") + 0.0  # + 0.0 turns -0.0 into 0.0


def _kind(column: str, values: Sequence[Cell]) -> type:
    """The type of a column: of its values, whole numbers beside fractions counting as fractions."""
    kinds = {type(value) for value in values if value is not None}
    if not kinds:
        return str
    if len(kinds) == 1:
        return kinds.pop()
    for wide in (float, Decimal):
        if kinds == {int, wide}:
            return wide
    raise ValueError(f"column {column} mixes {', '.join(sorted(kind.__name__ for kind in kinds))}")


def _cast(value: Cell, kind: type) -> Cell:
    if value is None or type(value) is kind:
        return value
    if kind is Decimal and not isinstance(value, datetime.date):
        return Decimal(str(value))
    cast: Cell = kind(value)
    return cast


def write_csv(path: Path, columns: Mapping[str, Sequence[Cell]]) -> Path:
    """Write columns of equal length as CSV: UTF-8, commas, text that looks like a formula guarded."""
    return _write_csv(path, columns)


def write_csv_tables(folder: Path, tables: Mapping[str, Mapping[str, Sequence[Any]]]) -> list[str]:
    """Write tables as CSV into a folder, made if need be; returns the file names.

    Raises
    ------
    OutputError
        They cannot be written there.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, columns in tables.items():
            cells = {column: [_cell(value) for value in values] for column, values in columns.items()}
            _write_csv(folder / f"{name}.csv", cells)
    except (OSError, ValueError) as error:  # ValueError: a name that no file system takes
        reason = getattr(error, "strerror", None) or error
        raise OutputError(f"{folder} cannot be written to: {reason}; name another folder") from error
    return [f"{name}.csv" for name in tables]


def _write_csv(path: Path, cells: Mapping[str, Sequence[Cell]]) -> Path:
    # Joined by hand: the standard writer leaves a lone carriage return unquoted before Python 3.13.
    columns = [_texts(values) for values in cells.values()]
    rows = [[_quoted(name) for name in cells], *zip(*columns, strict=True)]
    lines = [",".join(row) or '""' for row in rows]  # a lone blank cell is quoted, or its row would vanish
    path.write_bytes(("\n".join(lines) + "\n").encode("utf-8"))
    return path


def _quoted(text: str) -> str:
    if not QUOTED_MARKS.isdisjoint(text):
        return '"' + text.replace('"', '""') + '"'
    return text


def _texts(values: Sequence[Cell]) -> list[str]:
    """Cells as CSV has them; most columns are of floats alone."""
    if all(type(value) is float for value in values):
        return [repr(value) for value in values]
    return [_text(value) for value in values]


def _text(value: Cell) -> str:
    """A cell as CSV has it; only texts can hold what is to be quoted."""
    if type(value) is float or type(value) is int:
        return repr(value)
    if value is None:
        return ""
    if isinstance(value, str):
        return _quoted(guard(value))
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Decimal):
        return format(value, "f")
    return value.isoformat() if isinstance(value, datetime.date) else repr(value)


def _write_parquet(
    path: Path, cells: Mapping[str, Sequence[Cell]], kinds: Mapping[str, type], units: Mapping[str, str]
) -> Path:
    import pyarrow as pa
    import pyarrow.parquet as pq

    fields, arrays = [], []
    for column, values in cells.items():
        scale = _scale(values) if kinds[column] is Decimal else 0
        arrays.append(arrow_array(values, kinds[column], scale=scale))
        unit = units.get(column)
        fields.append(pa.field(column, arrays[-1].type, metadata={"unit": unit} if unit else None))
    table = pa.Table.from_arrays(arrays, schema=pa.schema(fields))
    # No pandas metadata, no statistics of the writing machine: the bytes depend on the rows alone.
    pq.write_table(table, path, compression="zstd", version="2.6")
    return path


def _scale(values: Sequence[Cell]) -> int:
    """Decimals that hold every value of a money column exactly."""
    exponents = (value.as_tuple().exponent for value in values if isinstance(value, Decimal))
    return max([DECIMAL_SCALE, *(-exponent for exponent in exponents if isinstance(exponent, int))])
