"""Files of a scenario: found without leaving their folder, each table in one place alone.

Nothing here knows what a column means. Every function returns problems beside what it could read.
"""

import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from planner.errors import Problem, Severity
from planner.tables.columns import Column, table_columns
from planner.tables.nearest import nearest
from planner.tables.parquet import read_parquet
from planner.tables.raw import Reading
from planner.tables.text import read_csv
from planner.tables.workbook import Workbook, open_workbook, read_sheet

TABLE_SUFFIXES = (".csv", ".parquet", ".xlsx")
WORKBOOK = "workbook.xlsx"  # the one file that may hold several tables, a sheet each
SLIP = 0.8  # similarity from which a sheet's name is a table's misspelt; sheets of notes are common
FOREIGN_SUFFIXES = (".xls", ".xlsm", ".ods", ".tsv", ".txt", ".csv.gz")  # named in remedies, never read
FILE_MAX_BYTES = 1 << 30  # a fleet's largest table is far below 1 GiB; more is a wrong file


def read_bytes(path: Path, folder: Path, label: str) -> tuple[bytes | None, list[Problem]]:
    """Bytes of a regular file inside `folder`; links that lead out of it are refused.

    The kind of file is tested on the open descriptor, opened without blocking, so that a pipe or a
    device named like a table cannot hold the planner up.
    """
    if not _inside(path, folder):
        return None, [
            Problem(
                code="outside-folder",
                file=label,
                message="is a link that leads out of its folder, or nowhere",
                remedy="put a copy of the file itself into the folder",
            )
        ]
    try:
        descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
        with os.fdopen(descriptor, "rb") as stream:
            status = os.fstat(stream.fileno())
            if not stat.S_ISREG(status.st_mode):
                return None, [_not_a_file(label)]
            if status.st_size > FILE_MAX_BYTES:
                return None, [
                    Problem(
                        code="file-too-large",
                        file=label,
                        message=f"is larger than {FILE_MAX_BYTES >> 20} MiB",
                        remedy="check that it is the right file",
                    )
                ]
            return stream.read(), []
    except IsADirectoryError:
        return None, [_not_a_file(label)]
    except OSError as error:
        return None, [
            Problem(
                code="unreadable-file",
                file=label,
                message=f"cannot be read: {error.strerror}",
                remedy="check the file's permissions",
            )
        ]


def _inside(path: Path, folder: Path) -> bool:
    try:
        return path.resolve().is_relative_to(folder.resolve())
    except (OSError, RuntimeError):  # a loop of links, by Python version
        return False


def _not_a_file(label: str) -> Problem:
    return Problem(
        code="not-a-file", file=label, message="is not a file", remedy="put a table of this name there"
    )


@dataclass(slots=True, kw_only=True, eq=False)
class Shelf:
    """A folder of tables: files named like them, and the sheets of its `workbook.xlsx`.

    `prefix` stands before the names of its files in problems and hashes.
    """

    folder: Path
    prefix: str = ""
    problems: list[Problem] = field(default_factory=list)
    _workbooks: dict[str, Workbook | None] = field(default_factory=dict)

    def places(self, table: str) -> list[str]:
        """Where a table stands in this folder, as problems name it: none, one, or an ambiguity."""
        files = [
            self.prefix + table + suffix
            for suffix in TABLE_SUFFIXES
            if os.path.lexists(self.folder / (table + suffix))
        ]
        book = self._workbook(WORKBOOK)
        return files + [self._sheet_label(WORKBOOK, sheet) for sheet in (book.named(table) if book else ())]

    def unsure(self) -> bool:
        """Whether the workbook is there but cannot be read, so that it may hold any table."""
        return os.path.lexists(self.folder / WORKBOOK) and self._workbook(WORKBOOK) is None

    def read(self, table: str) -> Reading:
        """Read a table; an absent one gives no table."""
        present = self.places(table)
        if len(present) > 1:
            return Reading(problems=[two_places(present)])
        if not present:
            return Reading(unknown=self.unsure())
        file = present[0].removeprefix(self.prefix)
        columns = {column.column: column for column in table_columns(table)}
        if file.endswith("]"):
            return self._read_sheet(WORKBOOK, table, columns)
        if file.endswith(".xlsx"):
            return self._read_sheet(file, table, columns)
        data, problems = read_bytes(self.folder / file, self.folder, present[0])
        if data is None:
            return Reading(problems=problems)
        if file.endswith(".csv"):
            return read_csv(data, present[0], table, columns)
        return read_parquet(data, present[0])

    def _read_sheet(self, file: str, table: str, columns: dict[str, Column]) -> Reading:
        """A table's sheet: the one of its name; in a file of its own name, else the first visible one."""
        book = self._workbook(file)
        if book is None:
            return Reading(unknown=True)
        named = book.named(table) or list(book.visible[:1])
        if not named:
            return Reading().fail(
                code="empty-file",
                file=book.label,
                message="has no visible sheet",
                remedy="unhide the sheet that holds the table",
            )
        return read_sheet(book, named[0], self._sheet_label(file, named[0]), columns)

    def _workbook(self, file: str) -> Workbook | None:
        """An open workbook of the folder, opened once; None where it is absent or at fault."""
        if file in self._workbooks:
            return self._workbooks[file]
        self._workbooks[file] = None
        if os.path.lexists(self.folder / file):
            label = self.prefix + file
            data, problems = read_bytes(self.folder / file, self.folder, label)
            self.problems += problems
            if data is not None:
                opened = open_workbook(data, label)
                if isinstance(opened, Workbook):
                    self._workbooks[file] = opened
                else:
                    self.problems.append(opened)
        return self._workbooks[file]

    def _sheet_label(self, file: str, sheet: str) -> str:
        return f"{self.prefix}{file}[{sheet.strip()}]"

    def stray(self, expected: set[str], elsewhere: set[str]) -> list[Problem]:
        """Warnings for files and sheets that look like tables but are not read: a slip would be silent."""
        return [*self._stray_files(expected, elsewhere), *self._stray_sheets(expected, elsewhere)]

    def _stray_files(self, expected: set[str], elsewhere: set[str]) -> Iterator[Problem]:
        for entry in sorted(self.folder.iterdir()):
            # A spreadsheet leaves a lock file beside an open workbook.
            if entry.suffix not in TABLE_SUFFIXES or entry.name.startswith("~$"):
                continue
            if entry.stem in expected or entry.name == WORKBOOK:
                continue
            yield _not_read(
                self.prefix + entry.name,
                "file-not-read",
                "no table has this name here, so it is not read",
                entry.stem,
                expected,
                elsewhere,
            )

    def _stray_sheets(self, expected: set[str], elsewhere: set[str]) -> Iterator[Problem]:
        for file, book in self._workbooks.items():
            own = {file.removesuffix(".xlsx")} if file != WORKBOOK else expected
            for sheet in book.hidden if book else ():
                if sheet.strip().casefold() in own:
                    yield _not_read(
                        self._sheet_label(file, sheet),
                        "sheet-not-read",
                        "is hidden, and hidden sheets are not read",
                        remedy="unhide it, or rename it if it is no table",
                    )
            for sheet in book.visible if book else ():
                name = sheet.strip().casefold()
                slip = file == WORKBOOK and nearest(name, own, SLIP)
                if name in own or not (name in expected | elsewhere or slip):
                    continue  # read, or a sheet of notes
                if file != WORKBOOK and len(book.visible if book else ()) == 1:
                    continue  # the only sheet of a file named like the table is the table
                yield _not_read(
                    self._sheet_label(file, sheet),
                    "sheet-not-read",
                    "is not read here",
                    name,
                    own,
                    elsewhere,
                    remedy=f"put it into {WORKBOOK}, or into a file of its own" if name in expected else "",
                )


def two_places(places: list[str]) -> Problem:
    """The same table in two places."""
    return Problem(
        code="two-files",
        file=places[1],
        message=f"holds the same table as {places[0]}",
        remedy="keep one of the two: the planner does not guess which one is meant",
    )


def _not_read(
    label: str,
    code: str,
    message: str,
    name: str = "",
    expected: set[str] | None = None,
    elsewhere: set[str] | None = None,
    remedy: str = "",
) -> Problem:
    near = nearest(name, expected or set())
    if name in (elsewhere or ()):
        remedy = "this table is read from the other of the two folders, scenario and catalogue"
    elif not remedy:
        remedy = f"did you mean {near!r}?" if near else "move it out of the folder if it is no table"
    return Problem(code=code, severity=Severity.WARNING, file=label, message=message, remedy=remedy)


def missing_file(folder: Path, name: str, prefix: str) -> Problem:
    """A required table that is not there, with the file that may have been meant."""
    names = {entry.name for entry in folder.iterdir() if not entry.name.startswith((".", "~$"))}
    foreign = next((name + suffix for suffix in FOREIGN_SUFFIXES if name + suffix in names), None)
    near = nearest(name, {Path(n).stem for n in names if n.endswith(TABLE_SUFFIXES)} - {Path(WORKBOOK).stem})
    remedy = f"add {name}.csv; `planner columns {name}` lists its columns"
    if foreign:
        remedy = f"save {foreign} as {name}.csv (UTF-8), {name}.xlsx or {name}.parquet"
    elif near:
        remedy = f"did you mean {near!r}? Rename it to {name}"
    elif WORKBOOK in names:
        remedy = f"add a sheet named {name} to {WORKBOOK}, or {name}.csv"
    return Problem(code="missing-file", file=f"{prefix}{name}.csv", message="is missing", remedy=remedy)
