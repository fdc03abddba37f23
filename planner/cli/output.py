"""Output of all commands: data on standard output, everything else on standard error.

A table is drawn on a terminal, tab-separated in a pipe, and JSON where `--json` asks for it.
"""

import json
import re
import sys
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, TextIO

import typer

from planner.errors import Problem, Severity

JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON on standard output.")]
QuietOption = Annotated[bool, typer.Option("--quiet", "-q", help="Print errors only.")]
SetOption = Annotated[
    list[str] | None,
    typer.Option(
        "--set", metavar="NAME=VALUE", help="Override a setting, as policy.autonomy_days=7; repeatable."
    ),
]
PricesOption = Annotated[
    list[Path] | None,
    typer.Option("--prices", help="Supplier's price list (CSV, XLSX, Parquet) to lay over; repeatable."),
]
MappingOption = Annotated[
    str | None, typer.Option("--mapping", help="Rows of price_columns that explain the lists' columns.")
]
PartialOption = Annotated[
    bool, typer.Option("--partial", help="What a list does not name keeps its price, and is sold on.")
]
WorkersOption = Annotated[
    int | None,
    typer.Option("--workers", min=1, max=64, help="Processes that plan at once; one a core if not given."),
]

#: A cell that is a number.
FIGURE = re.compile(r"[+-]?[0-9]+(\.[0-9]+)?([eE][+-]?[0-9]+)?")
WORD_MAX = 14  # characters of a word that a drawn table keeps whole
PROBLEM_COLUMNS = ("severity", "file", "line", "column", "value", "code", "message", "rule", "remedy")


def parse_overrides(texts: Sequence[str] | None) -> dict[str, str]:
    """Settings of `--set name=value`, the last of a name winning."""
    overrides = {}
    for text in texts or ():
        name, equals, value = text.partition("=")
        if not equals or not name.strip():
            raise typer.BadParameter(
                f"{text!r} is not NAME=VALUE, as policy.autonomy_days=7", param_hint="--set"
            )
        overrides[name.strip()] = value.strip()
    return overrides


def show_json(value: Any, *, stream: TextIO | None = None) -> None:
    """Print a value as JSON, in ASCII so that any terminal and any locale can take it."""
    print(json.dumps(value, indent=2, default=str), file=stream or sys.stdout)


def show_table(
    columns: Sequence[str],
    rows: Iterable[Sequence[object]],
    *,
    as_json: bool = False,
    stream: TextIO | None = None,
) -> None:
    """Print rows: JSON objects, a drawn table on a terminal, or tab-separated text."""
    stream = stream or sys.stdout
    if as_json:
        show_json([dict(zip(columns, row, strict=True)) for row in rows], stream=stream)
        return
    texts = [[printable(cell) for cell in row] for row in rows]
    if stream.isatty():
        _draw(columns, texts, stream)
        return
    for row in (list(columns), *texts):
        print("\t".join(row), file=stream)


def _draw(columns: Sequence[str], rows: Sequence[Sequence[str]], stream: TextIO) -> None:
    """Columns with something in them; figures stand under each other and are never cut."""
    from rich.box import SIMPLE
    from rich.console import Console
    from rich.measure import Measurement
    from rich.table import Table
    from rich.text import Text

    shown = [i for i in range(len(columns)) if any(row[i] for row in rows)] or list(range(len(columns)))
    table = Table(box=SIMPLE, pad_edge=False, padding=(0, 1, 0, 0))
    for i in shown:
        cells = [row[i] for row in rows if row[i]]
        figures = bool(cells) and all(FIGURE.fullmatch(cell) for cell in cells)
        name = columns[i].replace("_", " ")  # may part at spaces
        words = (word for cell in cells for word in cell.split() if len(word) <= WORD_MAX)
        whole = [*name.split(), *(cells if figures else words)]
        table.add_column(
            name,
            justify="right" if figures else "left",
            min_width=max(map(len, whole), default=1),
            overflow="fold",
        )
    for row in rows:
        table.add_row(*(Text(row[i]) for i in shown))  # Text, as a cell may look like markup
    console = Console(file=stream)
    least = Measurement.get(console, console.options, table).minimum  # a terminal wraps; nothing is left out
    console.print(table, width=max(console.width, least), crop=False)


def printable(value: object) -> str:
    """Text of a cell on one line; control characters from a file must not steer a terminal."""
    text = "" if value is None else str(value)
    return text if text.isprintable() else "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)


def problem_row(problem: Problem) -> tuple[object, ...]:
    """A problem in the order of `PROBLEM_COLUMNS`."""
    return tuple(getattr(problem, name) for name in PROBLEM_COLUMNS)


def show_problems(
    problems: Sequence[Problem], *, as_json: bool = False, stream: TextIO | None = None
) -> None:
    """Print problems: sentences on a terminal, else a table; nothing where there is none, unless as JSON."""
    stream = stream or sys.stdout
    if problems and stream.isatty() and not as_json:
        _tell(problems, stream)
    elif problems or as_json:
        show_table(PROBLEM_COLUMNS, map(problem_row, problems), as_json=as_json, stream=stream)


def _tell(problems: Sequence[Problem], stream: TextIO) -> None:
    """Two paragraphs a problem: where it is and what is wrong; what to do, set in."""
    from rich.console import Console
    from rich.padding import Padding
    from rich.text import Text

    console = Console(file=stream, highlight=False)
    for problem in problems:
        place = ":".join(str(part) for part in (problem.file, problem.line) if part not in ("", None))
        value = f" '{problem.value}'" if problem.value else ""
        subject = ", ".join(part for part in (place, problem.column) if part) or "scenario"
        rule = f" ({problem.rule})" if problem.rule else ""
        said = f"{subject}{value}: {problem.message}{rule} [{problem.code}]"
        colour = "bold red" if problem.severity is Severity.ERROR else "bold yellow"
        # Text, as a cell may look like markup
        console.print(Text.assemble((f"{problem.severity.value} ", colour), printable(said)))
        console.print(Padding(Text(printable(problem.remedy)), (0, 0, 0, 4), expand=False))


def counted(problems: Sequence[Problem]) -> str:
    """`2 errors, 1 warning`."""
    errors = sum(problem.severity is Severity.ERROR for problem in problems)
    return f"{number(errors, 'error')}, {number(len(problems) - errors, 'warning')}"


def number(count: int, word: str) -> str:
    """`1 site`, `2 sites`."""
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def note(text: str, *, quiet: bool = False) -> None:
    """A line for the person at the terminal, on standard error."""
    if not quiet:
        print(text, file=sys.stderr)


def show_fields(fields: Mapping[str, object], *, as_json: bool = False) -> None:
    """Print named values: a JSON object, columns on a terminal, or one `name<tab>value` a line."""
    if as_json:
        show_json(dict(fields))
        return
    wide = max(map(len, fields), default=0) if sys.stdout.isatty() else 0
    for name, value in fields.items():
        print(f"{name:<{wide}}  {printable(value)}" if wide else f"{name}\t{printable(value)}")


def show_tables(
    tables: Mapping[str, Sequence[Any]],
    models: Mapping[str, Any],
    *,
    out: Path | None = None,
    as_json: bool = False,
    quiet: bool = False,
) -> None:
    """Print tables of rows, each under its name, empty ones left out; write them as CSV where asked."""
    from planner.tables.plan_rows import by_column
    from planner.tables.write import write_csv_tables

    columns = {name: by_column(models[name], rows) for name, rows in tables.items()}
    if out is not None:
        files = write_csv_tables(out, columns)
        note(f"written to {out}: {', '.join(files)}", quiet=quiet)
    if as_json:
        show_json({name: [row.model_dump(mode="json") for row in rows] for name, rows in tables.items()})
        return
    for name, cells in columns.items() if not quiet else ():
        if tables[name]:
            print(f"{name}:")
            show_table(list(cells), list(zip(*cells.values(), strict=True)))


def show_rows(
    name: str, rows: Sequence[Any], model: Any, *, out: Path | None, as_json: bool, quiet: bool
) -> None:
    """Print one table of rows; write it as CSV where asked."""
    from planner.tables.plan_rows import by_column
    from planner.tables.write import write_csv_tables

    columns = by_column(model, rows)
    if out is not None:
        files = write_csv_tables(out, {name: columns})
        note(f"written to {out}: {', '.join(files)}", quiet=quiet)
    if as_json:
        show_json([row.model_dump(mode="json") for row in rows])
    elif not quiet:
        show_table(list(columns), list(zip(*columns.values(), strict=True)))
