"""The only place that knows the order: tables, climate, demand, designs, fleet, procurement, plan."""

import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from planner import climate_step, outputs
from planner.designs import SiteOptions, blocking_rule, make_catalogue_arrays, site_options
from planner.errors import Refusal
from planner.fleet import make_market, solve_fleet
from planner.fleet.candidates import Pricer, SiteOffer, make_fittings, make_part_index
from planner.plan import Plan, check_target, write_plan
from planner.scenario import Scenario, read_scenario

CACHE_SITES = 400  # fleets up to this size keep every site's priced designs in memory

#: Called with the stage's name, the units done and their number.
Progress = Callable[[str, int, int], None]


def no_progress(stage: str, done: int, total: int) -> None:
    """Say nothing."""


@dataclass(slots=True)
class Clock:
    """Seconds by stage."""

    seconds: dict[str, float] = field(default_factory=dict)

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Add the time spent inside to a stage."""
        start = time.perf_counter()
        try:
            yield
        finally:
            self.seconds[name] = self.seconds.get(name, 0.0) + time.perf_counter() - start


def plan_folder(
    scenario: Path, out: Path, *, overrides: Mapping[str, str] | None = None, progress: Progress = no_progress
) -> tuple[Plan, list[str]]:
    """Read a scenario, plan its fleet, write the plan; returns the plan and the files written.

    Raises
    ------
    InputError
        With every problem of the scenario.
    OutputError
        The plan may not be written to `out`.
    SolverError
        No plan was found.
    """
    check_target(out)
    clock = Clock()
    with clock.stage("read"):
        checked = read_scenario(scenario, overrides=overrides or {})
    plan = plan_fleet(checked, progress=progress, clock=clock)
    return plan, write_plan(plan, out)
