"""Files of a scenario as raw cells: found without leaving their folder, decoded, split into records.

Nothing here knows what a column means. Every function returns problems beside what it could read.
"""

import csv
import hashlib
import io
import os
import stat
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from planner.errors import Problem, Severity
from planner.tables.nearest import nearest

TABLE_SUFFIXES = (".csv", ".parquet")
FOREIGN_SUFFIXES = (".xlsx", ".xls", ".ods", ".tsv", ".txt", ".csv.gz")  # named in remedies, never read
FILE_MAX_BYTES = 1 << 30  # a fleet's largest table is far below 1 GiB; more is a wrong file
COLUMNS_MAX = 1000  # no table has a tenth of this; more is not a table

Record = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class RawTable:
    """Cells of a table as they stand: text from CSV, typed values from Parquet.

    `records` leave blank cells out; `lines` are the physical lines on which they start (CSV) or row
    numbers from 1 (Parquet). `ragged` are positions of records whose cells do not match the header.
    """

    file: str
    header: tuple[str, ...]
    records: list[Record]
    lines: list[int]
    ragged: frozenset[int] = frozenset()
    sha256: str = ""


@dataclass(slots=True)
class Reading:
    """What a reader gives back: a table if there is one, and the problems met."""

    table: RawTable | None = None
    problems: list[Problem] = field(default_factory=list)

    def fail(self, **fields: Any) -> "Reading":
        """Note a problem."""
        self.problems.append(Problem(**fields))
        return self


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


def read_table_file(folder: Path, name: str, prefix: str) -> Reading:
    """Read table `name` (`name.csv` or `name.parquet`) of a folder; an absent one gives no table."""
    present = [name + suffix for suffix in TABLE_SUFFIXES if os.path.lexists(folder / (name + suffix))]
    if not present:
        return Reading()
    if len(present) > 1:
        return Reading().fail(
            code="two-files",
            file=prefix + present[1],
            message=f"stands beside {present[0]}",
            remedy="keep one of the two: the planner does not guess which one is meant",
        )
    label = prefix + present[0]
    data, problems = read_bytes(folder / present[0], folder, label)
    if data is None:
        return Reading(problems=problems)
    return read_csv(data, label) if label.endswith(".csv") else read_parquet(data, label)


def missing_file(folder: Path, name: str, prefix: str) -> Problem:
    """A required table that is not there, with the file that may have been meant."""
    names = {entry.name for entry in folder.iterdir() if not entry.name.startswith(".")}
    foreign = next((name + suffix for suffix in FOREIGN_SUFFIXES if name + suffix in names), None)
    near = nearest(name, {Path(n).stem for n in names if n.endswith(TABLE_SUFFIXES)})
    remedy = f"add {name}.csv; `planner columns {name}` lists its columns"
    if foreign:
        remedy = f"save {foreign} as {name}.csv (comma-separated, UTF-8) or {name}.parquet"
    elif near:
        remedy = f"did you mean {near!r}? Rename it to {name}"
    return Problem(code="missing-file", file=f"{prefix}{name}.csv", message="is missing", remedy=remedy)


def decode(data: bytes, label: str) -> tuple[str, list[Problem]]:
    """Text of a UTF-8 file, a byte order mark aside; other encodings are refused with their line."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "", [_encoding(label, "is UTF-16, not UTF-8", None)]
    if (at := data.find(b"\0")) >= 0:
        return "", [
            Problem(
                code="nul-byte",
                file=label,
                line=data.count(b"\n", 0, at) + 1,
                message="holds a NUL byte",
                remedy="save it again as comma-separated UTF-8 text; it may be damaged, or no text file",
            )
        ]
    try:
        return data.decode("utf-8-sig"), []
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        return "", [_encoding(label, "is not UTF-8", line, f"0x{data[error.start]:02x}")]


def _encoding(label: str, message: str, line: int | None, value: str = "") -> Problem:
    return Problem(
        code="wrong-encoding",
        file=label,
        line=line,
        value=value,
        message=message,
        remedy="save it as UTF-8 (in a spreadsheet: `CSV UTF-8`)",
    )


def read_csv(data: bytes, label: str) -> Reading:
    """Records of a CSV file: comma-separated, UTF-8, a header first; quoted cells may hold newlines."""
    text, problems = decode(data, label)
    if problems:
        return Reading(problems=problems)
    lines, rows, broken = _split(text, label)
    if broken:
        return Reading(problems=[broken])
    if not rows:
        return Reading().fail(
            code="empty-file",
            file=label,
            message="is empty",
            remedy=f"start it with a header; `planner columns {Path(label).stem}` lists the columns",
        )
    header = [name.strip() for name in rows[0]]
    if wrong := _wrong_separator(header, label):
        return Reading(problems=[wrong])
    reading = Reading(problems=_header_problems(header, label, lines[0]))
    records, at, ragged = _records(header, rows, lines, label, reading)
    names = tuple(dict.fromkeys(name for name in header if name))
    reading.table = RawTable(
        file=label,
        header=names,
        records=records,
        lines=at,
        ragged=frozenset(ragged),
        sha256=hashlib.sha256(data).hexdigest(),
    )
    return reading


def _split(text: str, label: str) -> tuple[list[int], list[list[str]], Problem | None]:
    """Rows that hold something, with the physical line on which each starts."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    lines, rows, start = [], [], 1
    try:
        for row in reader:
            if any(row) and (row[0].strip() or any(cell.strip() for cell in row)):
                lines.append(start)
                rows.append(row)
            start = reader.line_num + 1
    except csv.Error as error:
        return (
            [],
            [],
            Problem(
                code="broken-quotes",
                file=label,
                line=start,
                message=f"cannot be split into cells: {error}",
                remedy='close every quote; a quote inside a quoted cell is written twice ("")',
            ),
        )
    return lines, rows, None


def _wrong_separator(header: Sequence[str], label: str) -> Problem | None:
    for mark, code, word in ((";", "semicolon-separated", "semicolons"), ("\t", "tab-separated", "tabs")):
        if len(header) == 1 and mark in header[0]:
            return Problem(
                code=code,
                file=label,
                line=1,
                value=header[0][:80],
                message=f"is separated by {word}",
                remedy="save it separated by commas, with a point as decimal mark",
            )
    return None


def _header_problems(header: Sequence[str], label: str, line: int) -> list[Problem]:
    problems = []
    for name in dict.fromkeys(name for name in header if name and header.count(name) > 1):
        problems.append(
            Problem(
                code="duplicate-column",
                file=label,
                line=line,
                column=name,
                message="this column stands twice",
                remedy="delete or rename one of them; the first was read",
            )
        )
    if len(header) > COLUMNS_MAX:
        problems.append(
            Problem(
                code="too-many-columns",
                file=label,
                line=line,
                value=str(len(header)),
                message="has too many columns",
                remedy="check that it is the right file",
            )
        )
    return problems


def _records(
    header: Sequence[str], rows: Sequence[Sequence[str]], lines: Sequence[int], label: str, reading: Reading
) -> tuple[list[Record], list[int], set[int]]:
    """Records by column name without blank cells; rows of a wrong length are noted as ragged."""
    width = len(header)
    seen: dict[str, int] = {}
    for i, name in enumerate(header):
        seen.setdefault(name, i)
    # An unnamed column is kept under a name that says where it stands, if it holds anything.
    named = [name if seen[name] == i else "" for i, name in enumerate(header)]
    unnamed = [i for i, name in enumerate(header) if not name]
    records: list[Record] = []
    ragged: set[int] = set()
    for i in range(1, len(rows)):
        row = rows[i]
        if len(row) != width and not (len(row) > width and not any(cell.strip() for cell in row[width:])):
            ragged.add(len(records))
            reading.problems.append(_ragged(row, width, label, lines[i]))
        elif unnamed and any(row[j].strip() for j in unnamed):
            reading.problems.append(
                Problem(
                    code="unnamed-column",
                    file=label,
                    line=lines[i],
                    message="a cell stands in a column without a name",
                    value=next(row[j].strip() for j in unnamed if row[j].strip()),
                    remedy="name the column or clear it",
                )
            )
        records.append(
            {name: text for name, cell in zip(named, row, strict=False) if name and (text := cell.strip())}
        )
    return records, list(lines[1:]), ragged


def _ragged(row: Sequence[str], width: int, label: str, line: int) -> Problem:
    many = len(row) > width
    remedy = (
        "write a decimal point, not a comma, and put cells that hold commas in quotes"
        if many
        else "write every comma of the row, also for blank cells"
    )
    return Problem(
        code="too-many-cells" if many else "too-few-cells",
        file=label,
        line=line,
        value=str(len(row)),
        rule=f"{width} cells",
        message=f"the row has {len(row)} cells, the header {width}",
        remedy=remedy,
    )


def read_parquet(data: bytes, label: str) -> Reading:
    """Records of a Parquet file; null and NaN are blank."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        table = pq.read_table(io.BytesIO(data))
        names = [str(name) for name in table.column_names]
        columns = [column.to_pylist() for column in table.columns]
    # A damaged file surfaces as any of these, depending on where it breaks.
    except (pa.ArrowException, OSError, ValueError, KeyError, TypeError, OverflowError) as error:
        return Reading().fail(
            code="broken-parquet",
            file=label,
            message=f"cannot be read as Parquet: {str(error)[:200]}",
            remedy="write it again",
        )
    reading = Reading(problems=_header_problems(names, label, 1))
    records: list[Record] = [{} for _ in range(table.num_rows)]
    for name, values in reversed(list(zip(names, columns, strict=True))):
        for record, value in zip(records, values, strict=True):
            cell = value.strip() if isinstance(value, str) else value
            if cell is not None and cell != "" and cell == cell:  # NaN is unlike itself
                record[name] = cell
    reading.table = RawTable(
        file=label,
        header=tuple(dict.fromkeys(names)),
        records=records,
        lines=list(range(1, table.num_rows + 1)),
        sha256=hashlib.sha256(data).hexdigest(),
    )
    return reading


def stray_files(folder: Path, expected: set[str], elsewhere: set[str], prefix: str) -> list[Problem]:
    """Warnings for files that look like tables but are not read: a typing slip would be silent."""
    problems = []
    for entry in sorted(folder.iterdir()):
        if entry.suffix not in TABLE_SUFFIXES or entry.stem in expected:
            continue
        near = nearest(entry.stem, expected)
        remedy = f"did you mean {near!r}?" if near else "move it out of the folder if it is no table"
        if entry.stem in elsewhere:
            remedy = "this table is read from the other of the two folders, scenario and catalogue"
        problems.append(
            Problem(
                code="file-not-read",
                severity=Severity.WARNING,
                file=prefix + entry.name,
                message="no table has this name here, so it is not read",
                remedy=remedy,
            )
        )
    return problems
