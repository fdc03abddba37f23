"""A fleet planned again: under new price lists, and told apart from an earlier plan."""

from collections.abc import Mapping
from pathlib import Path

from planner.compare import Comparison, compare_plans
from planner.fleet.stop import Stop
from planner.pipeline import THIS_MACHINE, Machines, Progress, no_progress, plan_folder
from planner.plan import Plan
from planner.sizing import ready_workers
from planner.tables.plan_files import read_manifest, read_plan
from planner.tables.price_lists import PriceLists


def plan_again(
    scenario: Path,
    out: Path,
    *,
    earlier: Path | None = None,
    overrides: Mapping[str, str] | None = None,
    price_lists: PriceLists | None = None,
    progress: Progress = no_progress,
    stop: Stop | None = None,
    machines: Machines = THIS_MACHINE,
) -> tuple[Plan, list[str], Comparison | None]:
    """Plan a scenario as `planner.pipeline.plan_folder` does, and compare with an earlier plan.

    Sites keep designs of the earlier plan as `purchase.keep_share` asks.

    The earlier plan is read whole before anything is planned, so that the new one may take its place. Where
    only prices, stock and rules of the purchase differ from it, the search begins where its search ended.

    Returns
    -------
    tuple
        The plan, the files written, and what differs from the earlier plan; None without one.

    Raises
    ------
    InputError
        With every problem of the scenario and the price lists, or of the earlier plan.
    OutputError, SolverError
        As `plan_folder` does.
    """
    before = None
    if earlier is not None:
        # Its sites are likely today's: workers load while the plan and the scenario are read.
        sites = read_manifest(earlier).get("sites_planned")
        if isinstance(sites, int):
            ready_workers(sites, workers=machines.workers, cluster=machines.cluster)
        before = read_plan(earlier)
    plan, files = plan_folder(
        scenario,
        out,
        overrides=overrides,
        price_lists=price_lists,
        earlier=before,
        progress=progress,
        stop=stop,
        machines=machines,
    )
    return plan, files, compare_plans(before, read_plan(out)) if before is not None else None
