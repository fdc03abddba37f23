"""Searches that begin where an earlier one ended: what a start says leads them, and proves nothing."""

from dataclasses import replace

import numpy as np
import pytest

from planner.fleet import candidates, solve_fleet
from planner.fleet.curves import make_curves
from planner.fleet.pool import Pool
from planner.fleet.solution import FleetSolution
from planner.fleet.start import Start
from planner.settings import SolverSettings
from tests.fleet.test_bound import Case


def solved(case: Case, pool: Pool, *, gap: float, start: Start | None = None) -> FleetSolution:
    """The case's fleet, from nothing or from a start."""
    settings = SolverSettings(gap=gap)
    return solve_fleet(case.g.pricer, case.offers, pool, rules=case.rules, settings=settings, start=start)


@pytest.mark.parametrize("seed", range(30, 33))
@pytest.mark.parametrize("spoilt", [-1.0, np.nan, np.inf])
def test_no_multipliers_of_a_start_prove_what_is_not_so(seed: int, spoilt: float) -> None:
    """From multipliers below nothing, or that are no numbers, the same optimum is proven (brute force)."""
    case = Case(seed, ruled=True)
    pool = candidates(case.g.pricer, case.offers, sites=2)
    assert pool is not None
    start = solved(case, pool, gap=0.0).start
    assert start is not None
    curves = make_curves(case.g.pricer.market.needs(pool.most), counted=case.rules.counted)
    for changed in (
        replace(start, mu=np.full_like(start.mu, spoilt)),
        replace(start, w=np.full_like(start.w, 1e6 * spoilt)),
    ):
        at = changed.multipliers(curves)
        assert (at.mu >= 0).all()
        assert (at.w >= 0).all()
        found = solved(case, changed.pool, gap=0.0, start=changed)
        assert found.best_bound <= case.best() + 1e-6
        assert found.cost == pytest.approx(case.best(), abs=1e-6)


def test_plans_one_from_another_stay_as_near_to_the_bound_as_the_first() -> None:
    """A later one may end a little further from it; what that one allows the next is still the first's."""
    further = 0
    for seed in range(30, 42):
        case = Case(seed, ruled=True)
        pool = candidates(case.g.pricer, case.offers, sites=2)
        assert pool is not None
        first = solved(case, pool, gap=0.02).start
        assert first is not None
        worse = replace(first, mu=np.zeros_like(first.mu), w=np.zeros_like(first.w), gap=0.5 * first.gap)
        again = solved(case, worse.pool, gap=0.3, start=worse)
        assert again.start is not None
        further += again.cost - again.best_bound > worse.gap * again.cost + 1e-6
        assert again.start.gap <= worse.gap
    assert further > 0
