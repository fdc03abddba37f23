"""Text files: decoded, and CSV split into records by the one delimiter that its header tells."""

import csv
import hashlib
import io
from collections.abc import Collection, Sequence

from planner.errors import Problem
from planner.tables.raw import RawTable, Reading, Record, first_of_each, header_problems, unnamed_cell

DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs"}


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


def read_csv(data: bytes, label: str, name: str, columns: Collection[str]) -> Reading:
    """Records of a CSV file in UTF-8, a header first; quoted cells may hold newlines.

    Parameters
    ----------
    data, label
        The file's bytes, and its name in problems.
    name : str
        The table it holds.
    columns : collection of str
        Columns the table may have; they tell the delimiter of the header, and so of the file.
    """
    text, problems = decode(data, label)
    if problems:
        return Reading(problems=problems)
    delimiter = delimiter_of(text, columns)
    lines, rows, broken = _split(text, label, delimiter)
    if broken:
        return Reading(problems=[broken])
    if not rows:
        return Reading().fail(
            code="empty-file",
            file=label,
            message="is empty",
            remedy=f"start it with a header; `planner columns {name}` lists the columns",
        )
    header = [cell.strip() for cell in rows[0]]
    if mixed := _mixed_header(header, delimiter, columns, label, lines[0]):
        return Reading(problems=[mixed])
    reading = Reading(problems=header_problems(header, label, lines[0]))
    records, ragged = _records(header, rows, lines, label, delimiter, reading)
    reading.table = RawTable(
        file=label,
        header=tuple(dict.fromkeys(cell for cell in header if cell)),
        records=records,
        lines=list(lines[1:]),
        header_line=lines[0],
        ragged=frozenset(ragged),
        delimiter=delimiter,
        hashes={label: hashlib.sha256(data).hexdigest()},
    )
    return reading


def delimiter_of(text: str, columns: Collection[str]) -> str:
    """The delimiter under which the header names most columns; the cells below it are not asked.

    Where no name is known, the one that splits the header at all; else the comma.
    """
    known, width = {}, {}
    for mark in DELIMITERS:
        cells = _first_row(text, mark)
        known[mark] = len(set(columns).intersection(cell.strip() for cell in cells))
        width[mark] = len(cells)
    if any(known.values()):
        return max(DELIMITERS, key=lambda mark: (known[mark], width[mark]))
    return "," if width[","] > 1 else max(DELIMITERS, key=lambda mark: width[mark])


def _first_row(text: str, delimiter: str) -> list[str]:
    """The first row that holds something; an empty one where quotes do not close."""
    try:
        rows = csv.reader(io.StringIO(text, newline=""), strict=True, delimiter=delimiter)
        return next((row for row in rows if any(cell.strip() for cell in row)), [])
    except csv.Error:
        return []


def _mixed_header(
    header: Sequence[str], delimiter: str, columns: Collection[str], label: str, line: int
) -> Problem | None:
    """A cell of the header that another delimiter would split into a known column."""
    names = set(columns)
    for mark, word in DELIMITERS.items():
        for cell in header:
            if mark != delimiter and mark in cell and names.intersection(map(str.strip, cell.split(mark))):
                return Problem(
                    code="mixed-delimiters",
                    file=label,
                    line=line,
                    value=cell[:80],
                    message=f"the header is separated by {DELIMITERS[delimiter]} and by {word}",
                    remedy="separate the whole file by one of commas, semicolons or tabs",
                )
    return None


def _split(text: str, label: str, delimiter: str) -> tuple[list[int], list[list[str]], Problem | None]:
    """Rows that hold something, with the physical line on which each starts."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True, delimiter=delimiter)
    lines, rows, start = [], [], 1
    try:
        for row in reader:
            if any(row) and (row[0].strip() or any(cell.strip() for cell in row)):
                lines.append(start)
                rows.append(row)
            start = reader.line_num + 1
    except csv.Error as error:
        problem = Problem(
            code="broken-quotes",
            file=label,
            line=start,
            message=f"cannot be split into cells: {error}",
            remedy='close every quote; a quote inside a quoted cell is written twice ("")',
        )
        return [], [], problem
    return lines, rows, None


def _records(
    header: Sequence[str],
    rows: Sequence[Sequence[str]],
    lines: Sequence[int],
    label: str,
    delimiter: str,
    reading: Reading,
) -> tuple[list[Record], set[int]]:
    """Records by column name without blank cells; rows of a wrong length are noted as ragged."""
    width = len(header)
    named = first_of_each(header)
    unnamed = [i for i, name in enumerate(header) if not name]
    records: list[Record] = []
    ragged: set[int] = set()
    for i in range(1, len(rows)):
        row = rows[i]
        if len(row) != width and not (len(row) > width and not any(cell.strip() for cell in row[width:])):
            ragged.add(len(records))
            reading.problems.append(_ragged(row, width, label, lines[i], delimiter))
        elif unnamed and any(row[j].strip() for j in unnamed):
            value = next(row[j].strip() for j in unnamed if row[j].strip())
            reading.problems.append(unnamed_cell(label, lines[i], value))
        records.append(
            {name: text for name, cell in zip(named, row, strict=False) if name and (text := cell.strip())}
        )
    return records, ragged


def _ragged(row: Sequence[str], width: int, label: str, line: int, delimiter: str) -> Problem:
    whole = delimiter.join(row)
    for mark, word in DELIMITERS.items():
        if mark != delimiter and whole.count(mark) == width - 1 > 0:
            return Problem(
                code="mixed-delimiters",
                file=label,
                line=line,
                value=whole[:80],
                message=f"the row is separated by {word}, the header by {DELIMITERS[delimiter]}",
                remedy="separate the whole file by one of commas, semicolons or tabs",
            )
    many, word = len(row) > width, {",": "comma", ";": "semicolon", "\t": "tab"}[delimiter]
    remedy = (
        f"put cells that hold a {word} in quotes"
        if many
        else f"write every {word} of the row, also for blank cells"
    )
    if many and delimiter == ",":
        remedy = "write a decimal point, not a comma, and put cells that hold commas in quotes"
    return Problem(
        code="too-many-cells" if many else "too-few-cells",
        file=label,
        line=line,
        value=str(len(row)),
        rule=f"{width} cells",
        message=f"the row has {len(row)} cells, the header {width}",
        remedy=remedy,
    )
