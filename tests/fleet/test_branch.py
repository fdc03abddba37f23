"""Plans in parts: each plan is in one part, whose bound is under it; search around a plan keeps the rules."""

from itertools import product

import numpy as np
import pytest

from planner.fleet import candidates, complete, parts, solve, solve_fleet
from planner.fleet.bound import ascend
from planner.fleet.branch import Goal, Part, cut, parted, whole
from planner.fleet.buying import IntArray
from planner.fleet.relaxation import Incumbent, Relaxation
from planner.fleet.search import _Search, improve
from planner.fleet.stop import Stop
from planner.settings import SolverSettings
from tests.fleet.test_bound import Case


def holds(relax: Relaxation, part: Part, choice: IntArray) -> bool:
    """Whether a plan is in a part, by its needs and the ranges of the modes alone."""
    need = relax.need(choice)[relax.curves.tiered]
    for mode, (sku, low, high) in enumerate(
        zip(relax.curves.mode_sku, relax.curves.low, relax.curves.high, strict=True)
    ):
        if part.closed[mode] and low <= need[sku] <= high:
            return False
    return bool((need[part.required] > 0).all())


def plans(relax: Relaxation) -> list[IntArray]:
    """Every choice of one design a site."""
    ends = np.append(relax.pool.start[1:], relax.pool.size)
    every = product(*(range(a, b) for a, b in zip(relax.pool.start.tolist(), ends.tolist(), strict=True)))
    return [np.array(choice) for choice in every]


@pytest.mark.parametrize("seed", range(8))
def test_parts_hold_every_plan_once_and_bound_it(seed: int) -> None:
    case = Case(seed, few=16)
    relax, best, stop = case.relax, Incumbent(), Stop()
    top = ascend(relax, relax.start(), best, steps=100, gap=0.0, stop=stop)
    goal = Goal(gap=0.0, target=None)
    parts = parted(relax, whole(relax, top), best, goal, parts_max=6, stop=stop)
    every = plans(relax)
    cost = np.array([relax.cost(choice) for choice in every])
    inside = np.array([[holds(relax, part, choice) for choice in every] for part in parts])
    assert (inside.sum(axis=0) == 1).all()
    for part, mine in zip(parts, inside, strict=True):
        assert part.bound.value <= cost[mine].min(initial=np.inf) + 1e-6
    assert best.cost >= cost.min() - 1e-6


def test_some_fleet_is_parted() -> None:
    # Else the test above would say nothing.
    numbers = []
    for seed in range(8):
        relax, best, stop = Case(seed, few=16).relax, Incumbent(), Stop()
        top = ascend(relax, relax.start(), best, steps=100, gap=0.0, stop=stop)
        root = whole(relax, top)
        numbers.append(len(parted(relax, root, best, Goal(gap=0.0, target=None), parts_max=6, stop=stop)))
    assert max(numbers) > 1


def test_a_cut_at_the_first_mode_parts_plans_without_the_sku() -> None:
    relax = Case(1).relax
    top = ascend(relax, relax.start(), Incumbent(), steps=5, gap=0.0, stop=Stop())
    less, more = cut(relax, whole(relax, top), 0)
    assert less.closed[relax.curves.mode_sku == 0].all()
    assert not less.required.any()
    assert not more.closed.any()
    assert more.required[0]


@pytest.mark.parametrize("ruled", [False, True])
@pytest.mark.parametrize("seed", range(6))
def test_search_around_a_plan_is_no_dearer_and_no_cheaper_than_the_best(seed: int, ruled: bool) -> None:
    case = Case(seed, few=30, ruled=ruled)
    relax, best = case.whole(), Incumbent()
    ascend(relax, relax.start(), best, steps=20, gap=0.0, stop=Stop())
    before = best.cost
    category = [name[0] for name in case.g.names]
    improve(relax, best, relax.reduced_cost(relax.start()), category, Stop())
    assert best.cost <= before
    assert best.cost == pytest.approx(relax.cost(best.choice))
    if relax.keeps_rules(best.choice):
        assert best.cost >= case.best() - 1e-6


def test_a_sku_is_tried_in_place_of_each_that_is_used() -> None:
    """Unless some site cannot do without the one whose place it takes."""
    tried = 0
    for seed in range(6):
        relax, best = Case(seed, few=30).whole(), Incumbent()
        ascend(relax, relax.start(), best, steps=20, gap=0.0, stop=Stop())
        tiered = relax.curves.tiered
        search = _Search(relax, best.choice, np.zeros(len(tiered), dtype=np.int64), Stop())
        search.almost = np.inf
        uses, used = relax.pool.designs.usage[:, tiered].toarray() > 0, search.best.need > 0
        for t in np.flatnonzero(~used).tolist():
            starts = search.by_means(t, search.looked_around())
            without = [relax.need(choice)[tiered] == 0 for choice in starts]
            able = (uses <= (used | (np.arange(len(used)) == t))).all(axis=1)
            for other in np.flatnonzero(used).tolist():
                free = np.logical_or.reduceat(able & ~uses[:, other], relax.pool.start).all()
                assert any(some[other] for some in without) or not free
                tried += bool(free)
    assert tried


@pytest.mark.parametrize("ruled", [False, True])
def test_parts_over_all_designs_are_under_the_optimum(monkeypatch: pytest.MonkeyPatch, ruled: bool) -> None:
    """Without the integer model, and with few designs and steps at first, so that parts lack some of both."""
    monkeypatch.setattr(complete, "WORTH", np.inf)
    monkeypatch.setattr(parts, "PART_DESIGNS", 12)
    monkeypatch.setattr(parts, "PARTS_MAX", 8)
    for name in ("STEPS", "FIRST_STEPS"):  # parts have more to raise, and the test takes less time
        monkeypatch.setattr(solve, name, 50)
    raised = 0
    for seed in range(22, 26):
        case, bounds = Case(seed, ruled=ruled), []
        best, pool = case.best(), candidates(case.g.pricer, case.offers, sites=2)
        assert pool is not None
        for least in (np.inf, 4):
            monkeypatch.setattr(parts, "PARTS_LEAST", least)
            found = solve_fleet(
                case.g.pricer, case.offers, pool, rules=case.rules, settings=SolverSettings(gap=0.0)
            )
            assert found.best_bound <= best + 1e-6
            assert found.cost >= best - 1e-6
            bounds.append(found.best_bound)
        raised += bounds[1] > bounds[0] + 1e-6
    assert raised > 0
