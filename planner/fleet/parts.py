"""The bound of plans in parts, each proven over all designs: the least holds for every plan.

The parts (`planner.fleet.branch`) are bounded over few designs at first. What a part's multipliers then find
among all designs is taken in, and its bound is raised again.
"""

import numpy as np

from planner.fleet.bound import Bound
from planner.fleet.branch import STEPS, Goal, Part, parted, raised, reopened, whole
from planner.fleet.run import Run
from planner.fleet.search import settle

PARTS, PARTS_MAX, PARTS_LEAST = 600, 25, 4  # parts of the plans: times sites; most; fewer are not worth it
PART_DESIGNS, PART_PASSES = 6_000, 3  # designs that bound them at first; passes over all designs for each
SURE = 0.9  # of the gap asked for: where parts are bounded over some designs, as all of them come to less


def bound_in_parts(run: Run) -> None:
    """Bound the plans in parts, each over all designs: the least of their bounds holds for every plan."""
    parts_max = min(PARTS // run.sites, PARTS_MAX)
    if parts_max < PARTS_LEAST or not run.found:
        return
    keep = np.zeros(run.relax.pool.size, dtype=bool)
    keep[run.relax.pool.nearest(run.relax.reduced_cost(run.at), PART_DESIGNS // run.sites)] = True
    run.narrow(keep)
    goal = Goal(gap=SURE * run.enough, target=run.target)
    at = Bound(value=run.bound, at=run.at, steps=0, often=np.zeros(run.relax.curves.modes))
    root = raised(run.relax, whole(run.relax, at), run.best, goal, STEPS, run.stop)
    parts = parted(run.relax, root, run.best, goal, parts_max=parts_max, stop=run.stop)
    parts.sort(key=lambda part: part.bound.value)
    sure = (1 - SURE) * run.enough * run.best.cost if run.target is None else 0.0
    low = min(goal.value(run.best), parts[0].bound.value) - sure
    proven: list[float] = []
    for part in parts if low > run.bound else []:
        proven.append(_proven(run, part, min([low, *proven]), goal))
    run.bound = max(run.bound, min(proven, default=-np.inf))
    settle(run.relax, run.best, run.stop)


def _proven(run: Run, part: Part, enough: float, goal: Goal) -> float:
    """The bound of a part over all designs, once that is enough."""
    value = run.bound
    for _ in range(PART_PASSES):
        if run.stop.due():
            break
        # What other parts lacked is in the pool by now.
        part = raised(run.relax, reopened(part), run.best, goal, STEPS, run.stop)
        exact, top = run.priced(part.of(run.relax), part.bound, designs_max=PART_DESIGNS // run.sites)
        value = max(value, top.value)
        if value >= enough:
            break
        run.take_in(exact.designs)
    return value
