"""The only place that talks to the solver: PuLP hands the model to HiGHS, whose own word is read back."""

import math
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import highspy
import pulp

from planner.fleet.stop import Stop

SEED = 1
INTERRUPTS = (
    highspy.cb.HighsCallbackType.kCallbackMipInterrupt,
    highspy.cb.HighsCallbackType.kCallbackSimplexInterrupt,
)


class Outcome(StrEnum):
    """How a run ended. A stopped run is never called optimal."""

    OPTIMAL = "optimal"
    WITHIN_GAP = "within_gap"
    DESIGNS_KEPT = "designs_kept"  # proven within the gap, then dearer for earlier designs that stay
    STOPPED = "stopped"
    TIME_LIMIT = "time_limit"
    INTERRUPTED = "interrupted"
    NONE_SERVED = "none_served"


@dataclass(frozen=True, slots=True, kw_only=True)
class MipLimits:
    """When the solver may end: relative gap, nodes (counted, so that a run repeats), or a stop."""

    gap: float
    nodes_max: int
    threads: int
    stop: Stop


@dataclass(frozen=True, slots=True, kw_only=True)
class MipResult:
    """A feasible point of an integer model by variable name, if there is one, and the solver's proven bound.

    Without a point the bound is infinite where the model is proven to have none.
    """

    values: dict[str, float] | None
    best_bound: float


def minimise(model: pulp.LpProblem, limits: MipLimits) -> MipResult:
    """Solve a minimisation and return what was proven.

    PuLP's own status is not used: it reads "Optimal" for a run that its time limit stopped.
    """
    highspy.Highs.resetGlobalScheduler(True)  # or a change of `threads` within a process is refused
    solver = pulp.HiGHS(
        msg=False,
        gapRel=limits.gap,
        timeLimit=min(max(limits.stop.left_s, 0.0), 1e7),
        threads=limits.threads,
        callbackTuple=(_interrupt, limits.stop),
        callbacksToActivate=list(INTERRUPTS),
        random_seed=SEED,
        mip_max_nodes=limits.nodes_max,
    )
    with quiet_stdout(), suppress(KeyError):  # PuLP 3 has no word for the node limit; HiGHS's is read below
        model.solve(solver)
    highs = model.solverModel
    info = highs.getInfo()
    if info.primal_solution_status != int(highspy.SolutionStatus.kSolutionStatusFeasible):
        none = highs.getModelStatus() == highspy.HighsModelStatus.kInfeasible
        return MipResult(values=None, best_bound=math.inf if none else -math.inf)
    bound = float(info.mip_dual_bound)
    values = highs.getSolution().col_value
    return MipResult(
        values={variable.name: values[i] for i, variable in enumerate(model.variables())},
        best_bound=bound if math.isfinite(bound) else -math.inf,
    )


def _interrupt(kind: int, message: str, data_out: Any, data_in: Any, stop: Stop) -> None:
    """Tell HiGHS to end when the stop is due."""
    if data_in is not None and stop.due():
        data_in.user_interrupt = True


@contextmanager
def quiet_stdout() -> Iterator[None]:
    """HiGHS greets on file descriptor 1 even when told to be silent; send that to nowhere."""
    sys.stdout.flush()
    keep = os.dup(1)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 1)
        yield
    finally:
        sys.stdout.flush()
        os.dup2(keep, 1)
        os.close(keep)
        os.close(nowhere)
