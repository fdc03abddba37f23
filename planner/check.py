"""Every problem of a scenario's folder: of its tables, then of the weather files that these name."""

from collections.abc import Mapping
from pathlib import Path

from planner.errors import InputError, Problem
from planner.scenario import read_scenario


def check_folder(folder: Path, *, overrides: Mapping[str, str] | None = None) -> list[Problem]:
    """All problems, errors and warnings; weather files are opened once the tables are sound."""
    try:
        scenario = read_scenario(folder, overrides=overrides)
    except InputError as error:
        return list(error.problems)
    problems = list(scenario.warnings)
    if scenario.tables.climate_files:
        from planner.climate.sources import file_problems  # loads pvlib, which takes a second

        problems += file_problems(scenario)
    return problems
