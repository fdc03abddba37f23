"""The only place that talks to the solver: PuLP hands the model to HiGHS, whose own word is read back."""

import math
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from enum import StrEnum

import highspy
import pulp

SEED = 1


class Outcome(StrEnum):
    """How a run ended. A stopped run is never called optimal."""

    OPTIMAL = "optimal"
    WITHIN_GAP = "within_gap"
    STOPPED = "stopped"
    NONE_SERVED = "none_served"


@dataclass(frozen=True, slots=True, kw_only=True)
class MipResult:
    """A feasible point of an integer model by variable name, and the solver's proven bound."""

    values: dict[str, float]
    best_bound: float


def minimise(
    model: pulp.LpProblem, *, gap: float, time_limit_s: float, threads: int, nodes_max: int
) -> MipResult | None:
    """Solve a minimisation and return what was proven, or None without a feasible point.

    The limit of nodes is counted, so a run that meets it repeats; one that meets the time limit need not.
    PuLP's own status is not used: it reads "Optimal" for a run that its time limit stopped.
    """
    highspy.Highs.resetGlobalScheduler(True)  # or a change of `threads` within a process is refused
    solver = pulp.HiGHS(
        msg=False,
        gapRel=gap,
        timeLimit=time_limit_s,
        threads=threads,
        random_seed=SEED,
        mip_max_nodes=nodes_max,
    )
    with quiet_stdout(), suppress(KeyError):  # PuLP 3 has no word for the node limit; HiGHS's is read below
        model.solve(solver)
    highs = model.solverModel
    info = highs.getInfo()
    if info.primal_solution_status != int(highspy.SolutionStatus.kSolutionStatusFeasible):
        return None
    bound = float(info.mip_dual_bound)
    values = highs.getSolution().col_value
    return MipResult(
        values={variable.name: values[i] for i, variable in enumerate(model.variables())},
        best_bound=bound if math.isfinite(bound) else -math.inf,
    )


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
