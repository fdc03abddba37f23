"""Two plans: what changed in money, designs and orders, and which inputs bring each change about."""

from pathlib import Path

from planner.compare.causes import traced
from planner.compare.difference import Comparison, compare_plans
from planner.pipeline import Progress, no_progress
from planner.tables.plan_files import read_plan

__all__ = ["Comparison", "compare_folders", "compare_plans", "traced"]


def compare_folders(
    before: Path,
    after: Path,
    *,
    causes: bool = True,
    workers: int | None = None,
    progress: Progress = no_progress,
) -> Comparison:
    """What differs from one written plan to another, and why.

    Parameters
    ----------
    before, after : Path
        Folders of the plans.
    causes : bool, optional
        Trace each change to groups of inputs, by planning again with one of them changed at a time.
    workers, progress
        Processes that plan, and who is told of it; see `planner.runs.plan_all`.

    Raises
    ------
    InputError
        A folder holds no plan of this version, or one that was changed; the plans are in two currencies.
    """
    one, other = read_plan(before), read_plan(after)
    found = compare_plans(one, other)
    if not causes or found.empty:
        return found
    return traced(found, one, other, workers=workers, progress=progress)
