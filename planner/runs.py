"""Many plans at once, each in a process of its own; their order is that of the scenarios given."""

import multiprocessing
import os
from collections.abc import Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from functools import partial

from planner.earlier import EarlierPlan
from planner.errors import PlannerError
from planner.pipeline import Progress, no_progress, plan_fleet
from planner.plan import Plan
from planner.scenario import Scenario


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """A plan, or why there is none."""

    plan: Plan | None
    why: str = ""


def plan_all(
    scenarios: Sequence[Scenario],
    *,
    earlier: EarlierPlan | None = None,
    simulate_all: bool = False,
    workers: int | None = None,
    progress: Progress = no_progress,
    stage: str = "plans",
) -> list[Attempt]:
    """Plan every scenario.

    Parameters
    ----------
    scenarios : sequence of Scenario
    earlier : EarlierPlan, optional
        Whose designs sites keep where leaving them saves too little.
    simulate_all : bool, optional
        Simulate the availability of every site, also where none is asked.
    workers : int, optional
        Processes; as many as the machine has cores if not given. With one, all is done in this process.
    progress : callable, optional
        Told the stage, the plans done and their number.
    stage : str, optional
        What the plans are for, as the progress names it.
    """
    make = partial(attempt, earlier=earlier, simulate_all=simulate_all)
    number = min(workers or os.cpu_count() or 1, len(scenarios))
    progress(stage, 0, len(scenarios))
    if number <= 1:
        attempts = []
        for scenario in scenarios:
            attempts.append(make(scenario))
            progress(stage, len(attempts), len(scenarios))
        return attempts
    # A fresh interpreter each: a fork would copy the solver's threads in whatever state they are.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(number, mp_context=context) as pool:
        futures: list[Future[Attempt]] = [pool.submit(make, scenario) for scenario in scenarios]
        try:
            for done, _ in enumerate(as_completed(futures), start=1):
                progress(stage, done, len(futures))
        except BaseException:  # an interrupt: what has not begun must not begin
            pool.shutdown(wait=False, cancel_futures=True)
            raise
        return [future.result() for future in futures]


def attempt(
    scenario: Scenario, *, earlier: EarlierPlan | None = None, simulate_all: bool = False
) -> Attempt:
    """A scenario's plan, or the first line of the error that stands in its way."""
    try:
        return Attempt(plan=plan_fleet(scenario, earlier=earlier, simulate_all=simulate_all))
    except PlannerError as error:
        return Attempt(plan=None, why=str(error).partition("\n")[0])
