"""Every combination of varied settings and prices, planned; what they cost, and what stays the same."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from planner.errors import InputError, OutputError, Problem
from planner.pipeline import Progress, no_progress
from planner.runs import plan_all
from planner.scenario import Scenario, read_scenario
from planner.sweep.axes import Axis, Combination, combinations, overrides_of, read_axes, repriced
from planner.sweep.chart import draw_sweep
from planner.sweep.results import decisions, sweep_row
from planner.tables.plan_rows import by_column
from planner.tables.rerun_rows import DecisionRow, SweepRow
from planner.tables.write import write_csv_tables

__all__ = ["Axis", "Sweep", "read_axes", "sweep", "write_sweep"]

PICTURE = "sweep.svg"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """The plans of a sweep: what was varied, a row for each combination, and the decisions taken."""

    axes: Sequence[Axis]
    cases: Sequence[Combination]
    rows: Sequence[SweepRow]
    decisions: Sequence[DecisionRow]
    currency: str

    def columns(self) -> dict[str, list[Any]]:
        """The rows by column, with a column for each figure varied after the plan's number."""
        own = by_column(SweepRow, self.rows)
        varied = {axis.name: [case[at] for case in self.cases] for at, axis in enumerate(self.axes)}
        return {"plan": own["plan"], **varied, **own}

    def picture(self) -> str:
        """Cost against availability, as SVG; against the first figure varied where that is all alike."""
        return draw_sweep(self.axes, self.cases, self.rows, self.currency)


def sweep(
    folder: Path,
    axes: Sequence[Axis],
    *,
    overrides: Mapping[str, str] | None = None,
    availability: bool = True,
    workers: int | None = None,
    progress: Progress = no_progress,
) -> Sweep:
    """Plan a scenario under every combination of what is varied.

    Parameters
    ----------
    folder : Path
        The scenario.
    axes : sequence of Axis
        What is varied, from `read_axes`.
    overrides : mapping, optional
        Settings of every plan; what is varied wins over them.
    availability : bool, optional
        Simulate that of every site, also where none is asked.
    workers, progress
        Processes that plan, and who is told of it; see `planner.runs.plan_all`.

    Raises
    ------
    InputError
        With every problem of the scenario under any of the combinations.
    """
    cases = combinations(axes)
    scenarios = _scenarios(folder, axes, cases, overrides or {})
    attempts = plan_all(
        scenarios, simulate_all=availability, workers=workers, progress=progress, stage="sweep"
    )
    return Sweep(
        axes=axes,
        cases=cases,
        rows=[sweep_row(number, attempt) for number, attempt in enumerate(attempts, start=1)],
        decisions=decisions([attempt.plan for attempt in attempts if attempt.plan is not None]),
        currency=scenarios[0].settings.currency,
    )


def _scenarios(
    folder: Path, axes: Sequence[Axis], cases: Sequence[Combination], overrides: Mapping[str, str]
) -> list[Scenario]:
    """A scenario for each combination; those alike in settings are read once."""
    read: dict[tuple[tuple[str, str], ...], Scenario] = {}
    found, problems = [], list[Problem]()
    for case in cases:
        varied = overrides_of(axes, case)
        key = tuple(varied.items())
        try:
            if key not in read:
                read[key] = read_scenario(folder, overrides={**overrides, **varied})
            found.append(repriced(read[key], axes, case))
        except InputError as error:
            problems += error.problems
    if problems:
        raise InputError(dict.fromkeys(problems))
    return found


def write_sweep(found: Sweep, folder: Path) -> list[str]:
    """Write the tables as CSV and the picture into a folder; returns the file names.

    Raises
    ------
    OutputError
        They cannot be written there.
    """
    tables = {"sweep": found.columns(), "sweep_decisions": by_column(DecisionRow, found.decisions)}
    files = write_csv_tables(folder, tables)
    try:
        (folder / PICTURE).write_text(found.picture(), encoding="utf-8")
    except OSError as error:
        raise OutputError(f"{folder / PICTURE} cannot be written: {error.strerror}") from error
    return [*files, PICTURE]
