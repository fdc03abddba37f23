"""`planner new`: a starter scenario."""

import shlex
from pathlib import Path
from typing import Annotated

import typer

from planner.cli.output import JsonOption, QuietOption, note, show_json


def new(
    folder: Annotated[Path, typer.Argument(help="A folder that is empty or not there yet.")],
    xlsx: Annotated[
        bool, typer.Option("--xlsx", help="Write the tables as sheets of one workbook, workbook.xlsx.")
    ] = False,
    catalogue: Annotated[
        bool, typer.Option("--catalogue", help="Copy the bundled catalogue too, to edit parts and prices.")
    ] = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Write a starter scenario: every setting explained, every table with an example to replace.

    It can be checked and planned as it stands.

    \b
    Example:
      planner new my-fleet
    """
    from planner.starter import write_starter

    files = write_starter(folder, workbook=xlsx, catalogue=catalogue)
    names = [file.relative_to(folder).as_posix() for file in files]
    if as_json:
        show_json({"folder": str(folder), "files": names})
    elif not quiet:
        print("\n".join(names))
    note(
        f"written to {folder}; next: replace the examples, then `planner check {shlex.quote(str(folder))}`",
        quiet=quiet,
    )
