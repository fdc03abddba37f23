"""Which sites are served where stock or a budget does not reach for all: by priority, then at least cost.

Sites of priority 1 come first: as many of them as can be served within the budget, then as many of priority 2
beside that many, and so on; among the plans that serve as many, the cheapest. How many of a priority can be
served is found by solving the fleet for a number of sites and looking at its cost: it rises with the number.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from planner.fleet.buying import IntArray
from planner.fleet.relaxation import NOBODY
from planner.fleet.rules import Rules
from planner.fleet.solve import FleetSolution
from planner.fleet.solver import Outcome

#: Solves the fleet under rules.
Solve = Callable[[Rules], FleetSolution]


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
    whole = solve(rules.serving(sizes))
    if _fits(whole, budget):
        return Served(solution=whole, count=sizes, most=sizes)
    count, most, best = np.zeros_like(sizes), np.zeros_like(sizes), None
    for g in range(len(sizes)):
        found = _most_of(solve, rules, count, g, int(sizes[g]), budget)
        count[g], most[g] = found.number, found.most
        best = found.solution or best
    return Served(solution=best or _nobody(whole), count=count, most=most)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Number:
    """Sites of a group that are served, the plan that serves them, and what is not proven impossible."""

    number: int
    most: int
    solution: FleetSolution | None


def _most_of(solve: Solve, rules: Rules, count: IntArray, g: int, size: int, budget: float) -> _Number:
    """Halve the range between a number that is served and one that is not."""
    low, high, most, best = 0, size + 1, size, None
    while high - low > 1:
        middle = (low + high) // 2
        asked = count.copy()
        asked[g] = middle
        found = solve(rules.serving(asked))
        if _fits(found, budget):
            low, best = middle, found
        else:
            high = middle
            if found.best_bound > budget or np.isinf(found.best_bound):
                most = min(most, middle - 1)
    return _Number(number=low, most=max(low, most), solution=best)


def _nobody(whole: FleetSolution) -> FleetSolution:
    """The plan that serves no site, unless the search ended before that was known."""
    if whole.outcome in (Outcome.TIME_LIMIT, Outcome.INTERRUPTED):
        return replace(whole, choice=None)
    choice = np.full(whole.pool.sites, NOBODY)
    return replace(whole, choice=choice, cost=0.0, best_bound=0.0, outcome=Outcome.NONE_SERVED)


def _fits(solution: FleetSolution, budget: float) -> bool:
    return solution.choice is not None and solution.cost <= budget + 1e-6
