"""Price lists of suppliers, laid over a scenario's prices: by SKU and supplier, whole ladders at a time."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from planner.errors import Problem
from planner.tables.columns import Column, table_columns
from planner.tables.files import read_bytes
from planner.tables.nearest import did_you_mean
from planner.tables.parquet import read_parquet
from planner.tables.price_columns import PriceColumnRow
from planner.tables.raw import RawTable, Reading
from planner.tables.read import ReadTable, validate
from planner.tables.registry import BY_NAME
from planner.tables.text import read_csv
from planner.tables.workbook import Workbook, open_workbook, read_sheet

OPTION = "--prices"
PRICES = BY_NAME["prices"]
SUFFIXES = (".csv", ".parquet", ".xlsx")
NEEDED = tuple(column.column for column in table_columns(PRICES.name) if column.required)


@dataclass(frozen=True, slots=True, kw_only=True)
class PriceLists:
    """Price lists to lay over a scenario's prices, in order.

    `mapping` names the rows of `price_columns` that explain them; else those are taken whose headers a list
    has. A list is all that its suppliers sell, so that what it does not name is no longer sold; with
    `partial` that keeps its earlier price.
    """

    files: Sequence[Path]
    mapping: str | None = None
    partial: bool = False


def read_price_list(
    path: Path, columns: Sequence[PriceColumnRow], mapping: str | None
) -> tuple[ReadTable | None, list[Problem]]:
    """Rows of a price list, and every problem of it, in the list's own names of columns.

    Parameters
    ----------
    path : Path
        CSV, XLSX (its first visible sheet) or Parquet.
    columns : sequence of PriceColumnRow
        Mappings of the scenario.
    mapping : str or None
        The one that explains this list; None: the one whose headers it has, if it lacks the table's own.
    """
    label = f"{OPTION} {path.name}"
    data, problems = read_bytes(path, path.parent, label)
    if data is None:
        return None, problems
    if path.suffix not in SUFFIXES:
        return None, [_problem(label, "unknown-format", "is no .csv, .xlsx or .parquet", "save it as one")]
    mappings: dict[str, list[PriceColumnRow]] = {}
    for row in columns:
        mappings.setdefault(row.mapping, []).append(row)
    first = _read(data, path, label, _known([row for row in columns if row.header]))
    if first.table is None:
        return None, first.problems
    chosen = _choose(label, first.table.header, mappings, mapping)
    if isinstance(chosen, Problem):
        return None, [chosen]
    reading = _read(data, path, label, _known(chosen))
    if reading.table is None:
        return None, reading.problems
    table, found = validate(PRICES, _own_names(reading.table, chosen))
    foreign = {row.column.value: row.header for row in chosen if row.header}
    named = [replace(one, column=foreign.get(one.column, one.column)) for one in found]
    return table, [*reading.problems, *named]


def _known(rows: Sequence[PriceColumnRow]) -> dict[str, Column]:
    """Columns by the header under which a list may have them."""
    own = {column.column: column for column in table_columns(PRICES.name)}
    return own | {row.header: own[row.column.value] for row in rows if row.header}


def _read(data: bytes, path: Path, label: str, columns: Mapping[str, Column]) -> Reading:
    if path.suffix == ".csv":
        return read_csv(data, label, PRICES.name, columns)
    if path.suffix == ".parquet":
        return read_parquet(data, label)
    book = open_workbook(data, label)
    if not isinstance(book, Workbook):
        return Reading(problems=[book])
    if not book.visible:
        return Reading(problems=[_problem(label, "empty-file", "has no visible sheet", "unhide the list's")])
    return read_sheet(book, book.visible[0], label, columns)


def _choose(
    label: str, header: Sequence[str], mappings: Mapping[str, list[PriceColumnRow]], asked: str | None
) -> list[PriceColumnRow] | Problem:
    """Rows of the mapping that explains a list; none where its columns are the table's own."""
    if asked is not None:
        if asked in mappings:
            return mappings[asked]
        remedy = did_you_mean(asked, mappings, "add its rows to price_columns")
        return _problem(label, "unknown-mapping", "no row of price_columns has this mapping", remedy, asked)
    if set(NEEDED) <= set(header):
        return []
    fitting = [name for name, rows in sorted(mappings.items()) if _fits(rows, header)]
    if len(fitting) == 1:
        return mappings[fitting[0]]
    if fitting:
        remedy = f"say which one with --mapping: {', '.join(fitting)}"
        return _problem(label, "several-mappings", "is explained by more than one mapping", remedy)
    missing = [name for name in NEEDED if name not in header]
    return _problem(
        label,
        "no-mapping",
        f"has no column {', '.join(missing)}, and no mapping of price_columns has headers that stand in it",
        "name its columns in price_columns; `planner columns price_columns` explains how",
        ", ".join(header),
    )


def _fits(rows: Sequence[PriceColumnRow], header: Collection[str]) -> bool:
    given = {row.column.value for row in rows} | set(header)
    return all(row.header in header for row in rows if row.header) and set(NEEDED) <= given


def _own_names(raw: RawTable, chosen: Sequence[PriceColumnRow]) -> RawTable:
    """The list under the table's own names; with a mapping, its other columns are left out."""
    if not chosen:
        return raw
    names = {row.header: row.column.value for row in chosen if row.header}
    fixed = {row.column.value: row.value for row in chosen if not row.header}
    own = {name: name for name in PRICES.row.model_fields if name not in {*names.values(), *fixed}}
    take = own | names
    return replace(
        raw,
        header=(*(take[name] for name in raw.header if name in take), *fixed),
        records=[
            {take[name]: cell for name, cell in record.items() if name in take} | fixed
            for record in raw.records
        ],
        letters={take[name]: letter for name, letter in raw.letters.items() if name in take},
    )


def known_only(table: ReadTable, skus: Collection[str]) -> ReadTable:
    """A list without the SKUs that are no part of the catalogue."""
    if table.ragged:
        return table  # refused anyway, and positions of records count
    rows = [(row, line) for row, line in zip(table.rows, table.lines, strict=True) if row.sku in skus]
    records = [
        (record, line)
        for record, line in zip(table.records, table.record_lines, strict=True)
        if str(record.get("sku", "")) in skus or "sku" not in record
    ]
    return replace(
        table,
        rows=[row for row, _ in rows],
        lines=[line for _, line in rows],
        records=[record for record, _ in records],
        record_lines=[line for _, line in records],
    )


def laid_over(prices: ReadTable, new: ReadTable, *, partial: bool) -> ReadTable:
    """Prices with the ladders of a list in place of the earlier ones; lines of both tables side by side."""
    listed = {(row.sku, row.supplier) for row in new.rows}
    suppliers = set() if partial else {row.supplier for row in new.rows}
    keep = [
        at
        for at, row in enumerate(prices.rows)
        if (row.sku, row.supplier) not in listed and row.supplier not in suppliers
    ]
    rows = [*(prices.rows[at] for at in keep), *new.rows]
    return replace(
        prices,
        rows=rows,
        lines=[*(prices.lines[at] for at in keep), *new.lines],
        records=[row.model_dump(exclude_none=True) for row in rows],
        record_lines=[*(prices.lines[at] for at in keep), *new.lines],
        ragged=frozenset(),
    )


def _problem(label: str, code: str, message: str, remedy: str, value: str = "") -> Problem:
    return Problem(code=code, file=label, message=message, remedy=remedy, value=value)


def twice(files: Sequence[Path]) -> Iterator[Problem]:
    """Lists of one name, which a plan's manifest could not tell apart."""
    names = [path.name for path in files]
    for name in sorted({name for name in names if names.count(name) > 1}):
        yield _problem(
            f"{OPTION} {name}",
            "two-files",
            "is given twice, or two lists have this name",
            "rename one of them",
        )
