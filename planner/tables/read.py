"""From raw cells to checked rows: every faulty cell of a table is named, sound rows are kept."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from types import GenericAlias
from typing import Any

from pydantic import TypeAdapter, ValidationError

from planner.errors import Problem, Severity
from planner.tables.columns import Column, columns_of
from planner.tables.explain import cell_problem, shown
from planner.tables.files import Shelf, missing_file
from planner.tables.nearest import did_you_mean
from planner.tables.raw import RawTable, Record
from planner.tables.registry import TableSpec
from planner.tables.rows import Row

EXPORT_POINTS = "or export the table with a point as decimal mark, or save it as .xlsx, which needs none"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadTable:
    """A table as read: sound rows with their lines, and all records, faulty ones too.

    References are looked up in `records`, so that one faulty cell does not make every row that
    points at it look wrong. `known` is false where the file could not be read at all.
    """

    spec: TableSpec
    file: str
    rows: Sequence[Any] = ()
    lines: Sequence[int] = ()
    records: Sequence[Record] = ()
    record_lines: Sequence[int] = ()
    ragged: frozenset[int] = frozenset()
    letters: Mapping[str, str] = field(default_factory=dict)
    hashes: Mapping[str, str] = field(default_factory=dict)
    known: bool = True
    present: bool = True

    def problem(
        self,
        at: int,
        *,
        code: str,
        message: str,
        remedy: str,
        column: str = "",
        value: object = "",
        rule: str = "",
        severity: Severity = Severity.ERROR,
    ) -> Problem:
        """A problem of the sound row at position `at`."""
        return Problem(
            code=code,
            file=self.file,
            line=self.lines[at],
            column=column,
            message=message,
            remedy=remedy,
            value=shown(value),
            rule=rule,
            severity=severity,
        )

    def warning(self, at: int, **fields: Any) -> Problem:
        """A warning about the sound row at position `at`."""
        return self.problem(at, severity=Severity.WARNING, **fields)

    def values(self, column: str) -> set[str]:
        """Texts in a column over all records."""
        return {str(record[column]) for record in self.records if column in record}


@dataclass(slots=True)
class _Draft:
    """Rows of a table while they are validated."""

    problems: list[Problem] = field(default_factory=list)
    bad: set[int] = field(default_factory=set)


@lru_cache(maxsize=64)
def _adapter(row: type[Row]) -> TypeAdapter[Any]:
    rows: Any = GenericAlias(list, (row,))
    return TypeAdapter(rows)


def read_table(spec: TableSpec, shelf: Shelf) -> tuple[ReadTable, list[Problem]]:
    """Read and validate one table of a folder; what could not be read is named in the problems."""
    reading = shelf.read(spec.name)
    raw, problems = reading.table, reading.problems
    if raw is None:
        if not problems and not reading.unknown and spec.required:
            problems = [missing_file(shelf.folder, spec.name, shelf.prefix)]
        label = problems[0].file if problems else f"{shelf.prefix}{spec.name}.csv"
        known = not problems and not reading.unknown
        return ReadTable(spec=spec, file=label, known=known, present=False), problems
    table, found = validate(spec, raw)
    return table, [*problems, *found]


def validate(spec: TableSpec, raw: RawTable) -> tuple[ReadTable, list[Problem]]:
    """Rows of a raw table, and a problem for every cell, column or row at fault."""
    columns = {column.column: column for column in columns_of(spec.row, spec.name)}
    problems = list(_column_problems(spec, raw, columns))
    unknown = set(raw.header) - set(columns)
    records = raw.records
    if unknown:
        records = [{name: cell for name, cell in record.items() if name not in unknown} for record in records]
    if spec.required and not records:
        problems.append(
            Problem(
                code="empty-table",
                file=raw.file,
                message="has no rows",
                remedy="add at least one row below the header",
            )
        )
    rows, lines, found = _validate_rows(spec, raw, records, columns)
    return ReadTable(
        spec=spec,
        file=raw.file,
        rows=rows,
        lines=lines,
        records=records,
        record_lines=raw.lines,
        ragged=raw.ragged,
        letters=raw.letters,
        hashes=raw.hashes,
    ), [*problems, *found]


def _column_problems(spec: TableSpec, raw: RawTable, columns: dict[str, Column]) -> Iterator[Problem]:
    """Columns that are unknown, and required ones that are missing."""
    header = set(raw.header)
    for name in raw.header:
        if name not in columns:
            yield Problem(
                code="unknown-column",
                file=raw.file,
                line=raw.header_line,
                column=shown(name),
                message="is no column of this table",
                remedy=did_you_mean(
                    name,
                    set(columns) - header,
                    f"delete it; `planner columns {spec.name}` lists them",
                ),
            )
    for name, column in columns.items():
        if column.required and name not in header:
            yield Problem(
                code="missing-column",
                file=raw.file,
                line=raw.header_line,
                column=name,
                message="this column is missing",
                remedy=f"add it: {column.meaning}",
                rule="required",
            )


def _validate_rows(
    spec: TableSpec, raw: RawTable, records: Sequence[Record], columns: dict[str, Column]
) -> tuple[list[Any], list[int], list[Problem]]:
    """All sound rows with their lines; the common case, no fault at all, is a single pass."""
    keep = [i for i in range(len(records)) if i not in raw.ragged]
    try:
        chosen = records if len(keep) == len(records) else [records[i] for i in keep]
        return _adapter(spec.row).validate_python(chosen), [raw.lines[i] for i in keep], []
    except ValidationError as error:
        draft = _draft(error, raw, keep, columns)
    keep = [i for i in keep if i not in draft.bad]
    rows = _adapter(spec.row).validate_python([records[i] for i in keep])
    return rows, [raw.lines[i] for i in keep], draft.problems


def _draft(error: ValidationError, raw: RawTable, keep: Sequence[int], columns: dict[str, Column]) -> _Draft:
    draft = _Draft()
    header = set(raw.header)
    for fault in error.errors(include_url=False):
        at, name = keep[int(fault["loc"][0])], str(fault["loc"][1]) if len(fault["loc"]) > 1 else ""
        draft.bad.add(at)
        if fault["type"] == "missing" and name not in header:
            continue  # said once, as a missing column
        problem = cell_problem(fault, file=raw.file, line=raw.lines[at], column=columns.get(name), name=name)
        if problem.code == "decimal-comma" and raw.delimiter == ";":
            problem = replace(problem, remedy=f"{problem.remedy}; {EXPORT_POINTS}")
        draft.problems.append(problem)
    return draft
