"""The integer model over the designs and modes that a better plan can have, as long as it gains."""

import numpy as np

from planner.fleet.bound import Bound
from planner.fleet.buying import IntArray
from planner.fleet.curves import Curves, refined
from planner.fleet.master import solve_master
from planner.fleet.relaxation import Relaxation
from planner.fleet.run import Run
from planner.fleet.solver import MipLimits

COLUMNS_MAX = 6_000  # designs given to the integer model
NODES, NODES_MAX, NODES_LEAST = 7_200, 400, 10  # of the integer model: times sites; most and least
COMPLETIONS = 4  # times that it is made anew while the gap shrinks, of few sites
WORTH = 0.1  # share of its slack that a run must be able to gain by the integer model
GAIN = 0.9  # share of its slack that a run must fall to for the integer model to be made anew
FURTHER = 2.0  # how much further a first plan is looked for each time
CUTS, CUTS_MAX, CUTS_LEAST = 480, 12, 2  # times sites that its modes are cut anew where they are not exact


def complete(run: Run) -> None:
    """Solve the integer model, and of few sites make it anew while the gap shrinks."""
    for _ in range(COMPLETIONS if run.few else 1):
        found, slack = run.found, run.slack(run.bound)
        if run.done() or run.stop.due() or not _completed(run):
            break
        if not run.found:
            run.look *= FURTHER
        elif found and run.slack(run.bound) > GAIN * slack:  # a first plan may be further than was looked
            break


def _completed(run: Run) -> bool:
    """Solve the model over the designs and modes that a better plan can have, or the likeliest of them.

    A plan that takes a design left out costs at least the bound and what that design costs more than
    its site's least. Where that is little, the model would prove little, and is not solved: False.
    """
    slack, root = run.slack(run.root), run.root
    at, columns = Bound(value=root, at=run.at, steps=0), max(1, COLUMNS_MAX // run.sites)
    near = run.relax.pool.designs.site[run.relax.reduced_cost(run.at) < WORTH * slack]
    if np.bincount(near).max(initial=0) > columns:
        return False
    exact = run.price_out(at, slack=slack + 1e-6, designs_max=columns)
    run.take_in(exact.designs)
    if exact.left_out < WORTH * slack:
        return False
    reduced = run.relax.reduced_cost(run.at)
    keep = reduced <= min(slack, exact.left_out) + 1e-6
    keep[run.relax.pool.start] = True  # no site is without a design
    run.narrow(keep)
    _solve_model(run, slack, beyond=root + exact.left_out)
    return True


def _solve_model(run: Run, slack: float, *, beyond: float) -> None:
    """Solve the model over the pool, and again with modes cut at its plan's needs where they are not exact.

    Modes are those that `slack` can pay for; a plan with a design beyond the pool costs `beyond` at least.
    """
    nodes = min(max(NODES // run.sites, NODES_LEAST), NODES_MAX)
    for _ in range(min(max(CUTS // run.sites, CUTS_LEAST), CUTS_MAX)):
        modes = run.relax.modes_within(run.at, slack + 1e-6)
        limits = MipLimits(
            gap=run.settings.gap / 2, nodes_max=nodes, threads=run.settings.threads, stop=run.stop
        )
        result = solve_master(run.relax, modes, limits)
        run.bound = max(run.bound, min(result.best_bound, beyond))
        if result.choice is None:
            break
        run.best.offer(run.relax.cost(result.choice), result.choice)
        finer, parts = _cut(run, run.relax.need(result.choice))
        solved = run.best.cost - result.best_bound <= run.settings.gap / 2 * run.best.cost
        if solved or run.done() or run.stop.due() or finer.modes == run.relax.curves.modes:
            break
        run.at = run.at.of_parts(parts)
        run.relax = Relaxation(run.relax.pool, run.needs, finer, run.rules)


def _cut(run: Run, need: IntArray) -> tuple[Curves, IntArray]:
    """Modes cut at the needs of a plan, and which mode each is part of."""
    curves = run.relax.curves
    return refined(curves, run.needs, {t: int(need[k]) for t, k in enumerate(curves.tiered.tolist())})
