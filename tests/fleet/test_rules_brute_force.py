"""Every purchase rule at once against enumeration of every combination of designs, at a gap of nothing.

`PLANNER_SEEDS` says how many fleets are drawn for each test.
"""

import os
from dataclasses import replace
from math import inf, isfinite

import numpy as np
import pytest

from planner.fleet import Outcome, candidates, solve_fleet
from planner.fleet.pricing import SiteOffer
from planner.fleet.rules import Rules
from planner.fleet.serve import Solve, serve
from planner.fleet.solution import FleetSolution
from planner.settings import SolverSettings
from tests.fleet.brute import best_served, cheapest
from tests.fleet.instances import Goods, choosy, equipped, goods, site, unsold
from tests.fleet.policies import Policy, random_policy, rules_of, under

SEEDS = int(os.environ.get("PLANNER_SEEDS", "16"))
FAR = 126  # here the only plans are far above the first bound
FIRST = 258  # here the first plan is found by the integer model, further above the bound than it looked
BESIDE = 6  # here the first group's site is served only beside one of the second that uses what is required
BOTH = 79  # here two sites of the first group fit the budget, and either alone breaks a rule
SCARCE = (182, 427)  # here the first choices that are met break rules, and a plan is not found at once


def fleet(seed: int) -> tuple[Goods, list[SiteOffer], np.random.Generator]:
    """Two sites to four, up to three suppliers; in a third of the fleets parts stand at sites."""
    rng = np.random.default_rng(seed)
    sites = 4 if seed % 12 == 11 else 2 + (seed % 4 == 0)
    tiers = (1,) if seed % 5 == 2 else (1, 3, 7)
    g = goods(rng, tiers, 1 + seed % 3, terms=True)
    offers = [site(rng, g, s) for s in range(sites)]
    if seed % 3 == 1:
        offers = [equipped(rng, g, offer) for offer in offers]
        if seed % 2:
            g = unsold(g, f"{rng.choice(list('bme'))}{rng.integers(2)}")
            offers = [offer for offer in offers if g.pricer.buildable(offer)] or offers
    return g, offers, rng


def solver(g: Goods, offers: list[SiteOffer]) -> Solve:
    """The planner under rules."""
    pool = candidates(g.pricer, offers, sites=len(offers))

    assert pool is not None
    settings = SolverSettings(gap=0.0)

    def solve(rules: Rules, target: float | None = None) -> FleetSolution:
        return solve_fleet(g.pricer, offers, pool, rules=rules, settings=settings, target=target)

    return solve


@pytest.mark.parametrize("seed", sorted({*range(SEEDS), FAR, FIRST}))
def test_optimum_with_every_rule_equals_enumeration(seed: int) -> None:
    g, offers, rng = fleet(7_000 + seed)
    policy = random_policy(rng, len(offers))
    solve = solver(under(g, policy), offers)
    best, found = cheapest(g, offers, policy), solve(rules_of(g, policy, len(offers)))
    assert found.best_bound <= best + 1e-6
    if isfinite(best):
        assert found.choice is not None
        assert found.cost == pytest.approx(best, abs=1e-6)
        assert found.outcome is Outcome.OPTIMAL
    else:
        assert found.choice is None


@pytest.mark.parametrize("seed", range(SEEDS // 4))
def test_a_budget_serves_by_priority_then_at_least_cost(seed: int) -> None:
    """As many of the first group as it allows, then of the second beside them, then the least cost."""
    g, offers, rng = fleet(9_000 + seed)
    sites = len(offers)
    policy = replace(random_policy(rng, sites), group=tuple(rng.integers(0, 2, sites).tolist()), count=())
    policy = replace(policy, group=(0, *policy.group[1:-1], 1))
    check_served(rng, g, offers, policy)


@pytest.mark.parametrize("seed", sorted({*range(SEEDS // 4), BESIDE, BOTH}))
def test_a_budget_where_few_sites_can_use_what_is_required(seed: int) -> None:
    """A plan that serves more sites, or some of the second group, may cost less, or be the only one."""
    rng = np.random.default_rng(11_000 + seed)
    g = goods(rng, (1, 3, 7), 1 + seed % 3, terms=True)
    offers = [choosy(rng, site(rng, g, s)) for s in range(3 + seed % 3)]
    policy = replace(
        random_policy(rng, len(offers)),
        required=tuple(name for name in ("b0", "b1", "m0", "m1") if rng.random() < 0.5),
        group=tuple(rng.integers(0, 2, len(offers)).tolist()),
        count=(),
    )
    check_served(rng, g, offers, policy)


def check_served(rng: np.random.Generator, g: Goods, offers: list[SiteOffer], policy: Policy) -> None:
    """A budget that may reach for all serves the sites that enumeration does, at the same cost."""
    whole, sites = cheapest(g, offers, replace(policy, group=())), len(offers)
    budget = float(rng.uniform(0.2, 1.05)) * (whole if isfinite(whole) else 3_000.0)
    solve = solver(under(g, policy), offers)
    count, best = best_served(g, offers, policy, budget)
    served = serve(solve, rules_of(g, policy, sites), budget=budget)
    if not isfinite(best):
        assert not served.count.any()  # what is required cannot be had, or nothing can be paid
        return
    assert served.count.tolist() == list(count)
    assert served.most.tolist() == list(count)
    if sum(count):
        assert served.solution.cost == pytest.approx(best, abs=1e-6)
        assert served.solution.choice is not None
        assert int((served.solution.choice >= 0).sum()) == sum(count)


def test_a_budget_beyond_all_plans_serves_all() -> None:
    g, offers, _ = fleet(9_000)
    policy = Policy(group=(0,) * len(offers))
    solve = solver(g, offers)
    served = serve(solve, rules_of(g, policy, len(offers)), budget=inf)
    assert served.count.tolist() == [len(offers)]
    assert served.solution.cost == pytest.approx(cheapest(g, offers), abs=1e-6)


@pytest.mark.parametrize("seed", SCARCE)
def test_a_target_beyond_what_broken_rules_cost_is_met_by_a_plan(seed: int) -> None:
    g, offers, rng = fleet(7_000 + seed)
    policy = random_policy(rng, len(offers))
    found = solver(under(g, policy), offers)(rules_of(g, policy, len(offers)), target=1e9)
    assert isfinite(cheapest(g, offers, policy))
    assert found.choice is not None
