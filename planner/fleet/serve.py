"""Which sites are served where stock or a budget does not reach for all: by priority, then at least cost.

Sites of priority 1 come first: as many of them as can be served within the budget, then as many of priority 2
beside that many, and so on; among the plans that serve as many, the cheapest. How many of a priority can be
served is found by solving the fleet for a number of sites and looking at its cost: it rises with the number.
"""

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from planner.fleet.buying import IntArray
from planner.fleet.relaxation import NOBODY
from planner.fleet.rules import Rules
from planner.fleet.solution import FleetSolution
from planner.fleet.solver import Outcome


class Solve(Protocol):
    """Solves the fleet under rules; with a target only until it is known whether a plan costs no more."""

    def __call__(self, rules: Rules, target: float | None = None) -> FleetSolution:
        """The solution."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Served:
    """The fleet's plan, and how many sites of each group it serves (G,) of those that could be at most (G,).

    `most` is above `count` where it is not proven that no more can be served.
    """

    solution: FleetSolution
    count: IntArray
    most: IntArray


def serve(solve: Solve, rules: Rules, *, budget: float) -> Served:
    """Serve all sites, or by group in order as many as stock and budget allow.

    Parameters
    ----------
    solve : callable
        Solves the fleet under rules.
    rules : Rules
        Their groups are priorities, the first served first.
    budget : float
        Currency; infinite without one.
    """
    sizes = np.bincount(rules.group, minlength=len(rules.count))
    whole = solve(rules.serving(sizes), target=budget if np.isfinite(budget) else None)
    if _fits(whole, budget):
        best = solve(rules.serving(sizes)) if np.isfinite(budget) else whole
        return Served(solution=best if _fits(best, budget) else whole, count=sizes, most=sizes)
    count, most, found = np.zeros_like(sizes), np.zeros_like(sizes), _nobody(whole)
    for g in range(len(sizes)):
        count[g], most[g], better = _most_of(solve, rules, count, g, int(sizes[g]), budget)
        found = better or found
    best = solve(rules.serving(count)) if count.any() else found
    fits = _fits(best, budget)  # not where it was stopped
    return Served(solution=best if fits else found, count=count, most=most)


def _most_of(
    solve: Solve, rules: Rules, count: IntArray, g: int, size: int, budget: float
) -> tuple[int, int, FleetSolution | None]:
    """Most sites of a group that are served beside the others', what is not proven impossible, and a plan.

    The range between a number that is served and one that is not is halved.
    """
    low, high, most, plan = 0, size + 1, size, None
    while high - low > 1:
        middle = (low + high) // 2
        asked = count.copy()
        asked[g] = middle
        found = solve(rules.serving(asked), target=budget)
        if _fits(found, budget):
            low, plan = middle, found
        else:
            high = middle
            if found.best_bound > budget or np.isinf(found.best_bound):
                most = min(most, middle - 1)
    return low, max(low, most), plan


def _nobody(whole: FleetSolution) -> FleetSolution:
    """The plan that serves no site, unless the search ended before that was known."""
    if whole.outcome in (Outcome.TIME_LIMIT, Outcome.INTERRUPTED):
        return replace(whole, choice=None)
    choice = np.full(whole.pool.sites, NOBODY)
    return replace(whole, choice=choice, cost=0.0, best_bound=0.0, outcome=Outcome.NONE_SERVED)


def _fits(solution: FleetSolution, budget: float) -> bool:
    return solution.choice is not None and solution.cost <= budget + 1e-6
