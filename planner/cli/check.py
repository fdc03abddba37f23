"""`planner check`: every problem of a scenario in one go."""

from pathlib import Path
from typing import Annotated

import typer

from planner.cli.app import ExitCode
from planner.cli.output import (
    JsonOption,
    QuietOption,
    SetOption,
    counted,
    note,
    parse_overrides,
    show_problems,
)
from planner.errors import Severity


def check(
    scenario: Annotated[
        Path, typer.Argument(help="Folder with scenario.toml, or the name of a bundled scenario.")
    ],
    settings: SetOption = None,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Check the settings, tables and weather files of a scenario and name every problem.

    Errors give exit code 3; warnings alone give 0.

    \b
    Example:
      planner check scenarios/my-fleet --set policy.autonomy_days=7
    """
    from planner.check import check_folder
    from planner.units import bundled_scenario

    problems = check_folder(bundled_scenario(scenario), overrides=parse_overrides(settings))
    errors = [problem for problem in problems if problem.severity is Severity.ERROR]
    show_problems(errors if quiet else problems, as_json=as_json)
    note(f"{scenario}: {counted(problems)}", quiet=quiet)
    if errors:
        raise typer.Exit(ExitCode.BAD_INPUT)
