"""What a search over a fleet found and proved."""

from dataclasses import dataclass

from planner.fleet.buying import IntArray
from planner.fleet.pool import Pool
from planner.fleet.solver import Outcome
from planner.fleet.start import Start
from planner.fleet.steady import Steady


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetSolution:
    """One design for each site that is served, exact cost and proven bound (currency), and how the run ended.

    `choice` (S,) are places in the pool, `NOBODY` for sites left out; None where no plan keeps the rules or
    none was found. A bound of infinity proves that there is none. `start` is where another search over the
    same sites may begin. `steady` says what became of earlier designs, where these were to stay.
    """

    pool: Pool
    choice: IntArray | None
    cost: float
    best_bound: float
    outcome: Outcome
    notes: dict[str, float]
    start: Start | None = None
    steady: Steady | None = None
