"""Which sites are served where stock or a budget does not reach for all: by priority, then at least cost.

Sites of priority 1 come first: as many of them as some plan serves within the budget, then as many of
priority 2 beside that many, and so on; among the plans that serve as many, the cheapest. How many of a
priority can be served is found by solving the fleet for at least a number of them, whoever of later ones is
served, and looking at its cost: it rises with the number, as the plans for a greater one are among those for
a smaller. For just a number it need not rise: one site more may be the one that uses a required SKU well.
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
    count, most, found = np.zeros_like(sizes), sizes.copy(), _nobody(whole)
    for g in range(len(sizes)):
        found, most[g] = _most_of(solve, rules, count, g, found, budget)
        count[g] = _counted(found, rules)[g]
    best = solve(rules.serving(count)) if count.any() else found
    solution = best if _fits(best, budget) else found  # it does not where it was stopped
    count = _counted(solution, rules)
    return Served(solution=solution, count=count, most=np.maximum(most, count))


def _most_of(
    solve: Solve, rules: Rules, count: IntArray, g: int, found: FleetSolution, budget: float
) -> tuple[FleetSolution, int]:
    """A plan that serves most sites of a group beside the others', and how many are not proven impossible.

    `found` is a plan that serves the others (G,). The range between a number that is served and one that is
    not is halved.
    """
    most = int((rules.group == g).sum())
    low, high = int(_counted(found, rules)[g]), most + 1
    while high - low > 1:
        middle = (low + high) // 2
        asked = count.copy()
        asked[g] = middle
        tried = solve(rules.serving(asked), target=budget)
        if _fits(tried, budget):
            found, low = tried, int(_counted(tried, rules)[g])
        else:
            high = middle
            if tried.best_bound > budget or np.isposinf(tried.best_bound):
                most = min(most, middle - 1)
    return found, most


def _counted(solution: FleetSolution, rules: Rules) -> IntArray:
    """How many sites of each group (G,) a plan serves."""
    served = rules.group[solution.choice != NOBODY] if solution.choice is not None else rules.group[:0]
    return np.bincount(served, minlength=len(rules.count))


def _nobody(whole: FleetSolution) -> FleetSolution:
    """The plan that serves no site, unless the search ended before that was known."""
    if whole.outcome in (Outcome.TIME_LIMIT, Outcome.INTERRUPTED):
        return replace(whole, choice=None)
    choice = np.full(whole.pool.sites, NOBODY)
    return replace(whole, choice=choice, cost=0.0, best_bound=0.0, outcome=Outcome.NONE_SERVED)


def _fits(solution: FleetSolution, budget: float) -> bool:
    return solution.choice is not None and solution.cost <= budget + 1e-6
