"""XLSX workbooks: a sheet is a table whose cells keep their kind, and whose rows keep their numbers.

Hidden sheets are not read. Formulas count by the value that the spreadsheet saved with them.
"""

import datetime
import hashlib
import io
import zipfile
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from planner.errors import Problem, Severity
from planner.tables.archive import ArchiveError, unpack
from planner.tables.columns import Column
from planner.tables.raw import RawTable, Reading, Record, first_of_each, header_problems, unnamed_cell
from planner.tables.sheet_xml import Oddities, check_extent, column_letters, oddities, sheet_parts

if TYPE_CHECKING:
    from python_calamine import CalamineSheet, CalamineWorkbook

HEADER_ROWS_MAX = 20  # rows, titles and blank ones, among which the header is looked for
DIGITS_MAX = 15  # a spreadsheet keeps no more digits of a number
TEXTUAL = frozenset({"text", "choice"})  # types of columns whose cells are texts, whatever they look like


@dataclass(frozen=True, slots=True, kw_only=True)
class Workbook:
    """An open workbook: its visible and hidden sheets by name, in order, and what each is read from."""

    label: str
    sha256: str
    visible: tuple[str, ...]
    hidden: tuple[str, ...]
    book: "CalamineWorkbook"
    members: Mapping[str, bytes]
    parts: Mapping[str, str]

    def named(self, table: str) -> list[str]:
        """Visible sheets named like a table; capitals and blanks around do not matter."""
        return [sheet for sheet in self.visible if sheet.strip().casefold() == table]


def open_workbook(data: bytes, label: str) -> Workbook | Problem:
    """Open a workbook from its bytes, or say why it cannot be."""
    from python_calamine import CalamineError, CalamineWorkbook, SheetTypeEnum, SheetVisibleEnum

    if data.startswith(b"\xd0\xcf\x11\xe0"):  # the container of encrypted workbooks and of .xls
        return _broken(label, "has a password, or is of an older kind")
    try:
        members = unpack(data)
        parts = sheet_parts(members)
        book = CalamineWorkbook.from_filelike(io.BytesIO(_packed(members)))
    except (ArchiveError, CalamineError) as error:
        return _broken(label, str(error))
    sheets = [sheet for sheet in book.sheets_metadata if sheet.typ == SheetTypeEnum.WorkSheet]
    shown = {sheet.name for sheet in sheets if sheet.visible == SheetVisibleEnum.Visible}
    return Workbook(
        label=label,
        sha256=hashlib.sha256(data).hexdigest(),
        visible=tuple(sheet.name for sheet in sheets if sheet.name in shown),
        hidden=tuple(sheet.name for sheet in sheets if sheet.name not in shown),
        book=book,
        members=members,
        parts=parts,
    )


def _packed(members: Mapping[str, bytes]) -> bytes:
    """The members just checked as an archive of their own, so that nothing else is read."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_STORED) as archive:
        for name, content in members.items():
            archive.writestr(zipfile.ZipInfo(name), content)
    return stream.getvalue()


def _broken(label: str, why: str) -> Problem:
    return Problem(
        code="broken-workbook",
        file=label,
        message=f"cannot be read as a workbook: {why[:200]}",
        remedy="save it again as .xlsx without a password",
    )


def read_sheet(workbook: Workbook, sheet: str, label: str, columns: Mapping[str, Column]) -> Reading:
    """Records of a sheet; `label` names file and sheet in problems.

    The header is the first row, among the first twenty that hold something, with two names of known
    columns; what stands above it is a title. Lines are the sheet's own row numbers.
    """
    from python_calamine import CalamineError

    try:
        xml = workbook.members.get(workbook.parts.get(sheet, ""), b"")
        check_extent(xml)
        odd = oddities(xml)
        found = workbook.book.get_sheet_by_name(sheet)
    except (ArchiveError, CalamineError) as error:
        return Reading().fail(
            code="broken-sheet",
            file=label,
            message=f"cannot be read: {str(error)[:200]}",
            remedy="delete the empty rows and columns beyond the table, and save it again",
        )
    rows, numbers, left = _rows(found)
    at = _header_at(rows, columns)
    if at is None:
        return Reading().fail(
            code="empty-file", file=label, message="is empty", remedy="write a header and the rows below it"
        )
    header = [_heading(cell) for cell in rows[at]]
    grid = _Grid(label=label, header=header, left=left, odd=odd, columns=columns)
    grid.problems += header_problems(header, label, numbers[at])
    grid.problems += _merged(found, label, numbers[at], left, len(header))
    lines = numbers[at + 1 :]
    records = [grid.record(row, number) for row, number in zip(rows[at + 1 :], lines, strict=True)]
    raw = RawTable(
        file=label,
        header=tuple(dict.fromkeys(name for name in header if name)),
        records=records,
        lines=lines,
        header_line=numbers[at],
        ragged=frozenset(i for i, number in enumerate(lines) if number in grid.faulty),
        letters={name: column_letters(left + i) for i, name in reversed([*enumerate(header)]) if name},
        hashes={workbook.label: workbook.sha256},
    )
    return Reading(table=raw, problems=grid.problems)


def _rows(sheet: "CalamineSheet") -> tuple[list[list[Any]], list[int], int]:
    """Rows that hold something, their numbers, and the number of the first column."""
    top, left = sheet.start or (0, 0)
    rows = sheet.to_python(skip_empty_area=True)
    keep = [i for i, row in enumerate(rows) if any(not _blank(cell) for cell in row)]
    return [rows[i] for i in keep], [top + i + 1 for i in keep], left + 1


def _blank(cell: object) -> bool:
    return isinstance(cell, str) and not cell.strip()


def _heading(cell: object) -> str:
    return str(cell).strip()


def _header_at(rows: Sequence[Sequence[object]], columns: Collection[str]) -> int | None:
    known = [sum(_heading(cell) in columns for cell in row) for row in rows[:HEADER_ROWS_MAX]]
    for least in (2, 1):
        for at, count in enumerate(known):
            if count >= least:
                return at
    return 0 if rows else None


def _merged(sheet: "CalamineSheet", label: str, header: int, left: int, width: int) -> list[Problem]:
    """Warnings for merged cells below the header: only their first cell holds the value."""
    problems = []
    for (top, first), (bottom, last) in sheet.merged_cell_ranges or ():
        if bottom + 1 > header and last + 1 >= left and first + 1 < left + width and top + 1 != header:
            cells = f"{column_letters(first + 1)}{top + 1}:{column_letters(last + 1)}{bottom + 1}"
            problems.append(
                Problem(
                    code="merged-cells",
                    severity=Severity.WARNING,
                    file=label,
                    line=top + 1,
                    value=cells,
                    message="are merged: the value counts for the first of them, the others are blank",
                    remedy="unmerge them and write the value into each cell",
                )
            )
    return problems


@dataclass(slots=True, kw_only=True)
class _Grid:
    """Rows of a sheet on their way to records, with the faults met."""

    label: str
    header: Sequence[str]
    left: int
    odd: Oddities
    columns: Mapping[str, Column]
    problems: list[Problem] = field(default_factory=list)
    faulty: set[int] = field(default_factory=set)
    names: list[str] = field(init=False)

    def __post_init__(self) -> None:
        self.names = first_of_each(self.header)

    def record(self, row: Sequence[object], number: int) -> Record:
        """Cells of a row by column name, blank ones left out."""
        record: Record = {}
        odd = bool(self.odd.errors or self.odd.uncalculated)
        for i, name in enumerate(self.names):
            if odd and self._odd(name, number, self.left + i):
                continue
            cell = row[i]
            if isinstance(cell, str):
                cell = cell.strip()
            if cell == "" or (not name and self.header[i]):
                continue
            if not name:
                self.problems.append(unnamed_cell(self.label, number, str(cell)[:80]))
            elif (value := self._value(cell, name, number)) is not None:
                record[name] = value
        return record

    def _odd(self, name: str, number: int, column: int) -> bool:
        """Name an error value or a formula without a value."""
        place = (number, column)
        if place in self.odd.errors:
            self._fault(
                number,
                name,
                code="error-cell",
                value=self.odd.errors[place],
                message="is a spreadsheet's error",
                remedy="correct the formula, or clear the cell",
            )
        elif place in self.odd.uncalculated:
            self._fault(
                number,
                name,
                code="formula-without-value",
                message="is a formula that was saved without its value",
                remedy="open the file in a spreadsheet, let it calculate, and save it; or write the value",
            )
        else:
            return False
        return True

    def _value(self, cell: object, name: str, number: int) -> Any:
        """A cell as the row model takes it: texts where the column holds texts, never 12.0 for 12."""
        column = self.columns.get(name)
        textual = column is None or column.type in TEXTUAL
        if isinstance(cell, bool):
            return str(cell).upper()  # as the spreadsheet shows it; no number column takes it for 1
        if isinstance(cell, int | float):
            return self._number(cell, name, number, textual)
        if isinstance(cell, datetime.datetime) and cell.time() == datetime.time():
            return cell.date()
        if isinstance(cell, str) and "\0" in cell:
            return self._fault(
                number, name, code="nul-byte", message="holds a NUL character", remedy="write the cell again"
            )
        return cell

    def _number(self, cell: int | float, name: str, number: int, textual: bool) -> Any:
        if not textual:
            rounded = float(f"{cell:.{DIGITS_MAX}g}")  # 72.5, not the 72.50000000000001 of a formula
            return int(rounded) if rounded.is_integer() else rounded
        if abs(cell) >= 10**DIGITS_MAX:
            return self._fault(
                number,
                name,
                code="digits-lost",
                value=f"{cell:.{DIGITS_MAX}g}",
                message=f"is a number of more than {DIGITS_MAX} digits, and a spreadsheet keeps no more",
                remedy="format the column as text and write the value again",
            )
        return f"{cell:.{DIGITS_MAX}g}"

    def _fault(
        self, number: int, name: str, *, code: str, message: str, remedy: str, value: str = ""
    ) -> None:
        self.faulty.add(number)
        self.problems.append(
            Problem(
                code=code,
                file=self.label,
                line=number,
                column=name,
                value=value,
                message=message,
                remedy=remedy,
            )
        )
