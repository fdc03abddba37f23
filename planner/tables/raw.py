"""What readers of files give back: the cells of a table as they stand, and the problems met."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from planner.errors import Problem

COLUMNS_MAX = 1000  # no table has a tenth of this; more is not a table

Record = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class RawTable:
    """Cells of a table as they stand: text from CSV, typed values from Parquet and workbooks.

    `records` leave blank cells out; `lines` are the physical lines on which they start (CSV), row
    numbers from 1 (Parquet) or rows of the sheet (workbooks). `ragged` are positions of records
    that cannot be validated, their fault named already. `letters` are the sheet's column letters.
    """

    file: str
    header: tuple[str, ...]
    records: list[Record]
    lines: list[int]
    header_line: int = 1
    ragged: frozenset[int] = frozenset()
    delimiter: str = ""
    letters: Mapping[str, str] = field(default_factory=dict)
    hashes: Mapping[str, str] = field(default_factory=dict)


@dataclass(slots=True)
class Reading:
    """What a reader gives back: a table if there is one, and the problems met.

    `unknown` says that the table may stand in a file that could not be read, a fault named elsewhere.
    """

    table: RawTable | None = None
    problems: list[Problem] = field(default_factory=list)
    unknown: bool = False

    def fail(self, **fields: Any) -> "Reading":
        """Note a problem."""
        self.problems.append(Problem(**fields))
        return self


def header_problems(header: Sequence[str], label: str, line: int) -> list[Problem]:
    """Columns that stand twice, and far too many of them."""
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


def first_of_each(header: Sequence[str]) -> list[str]:
    """The header with every repeated name blanked, so that the first column of a name is the one read."""
    seen: dict[str, int] = {}
    for i, name in enumerate(header):
        seen.setdefault(name, i)
    return [name if seen[name] == i else "" for i, name in enumerate(header)]


def unnamed_cell(label: str, line: int, value: str) -> Problem:
    """A cell that stands under no name."""
    return Problem(
        code="unnamed-column",
        file=label,
        line=line,
        message="a cell stands in a column without a name",
        value=value,
        remedy="name the column or clear it",
    )
