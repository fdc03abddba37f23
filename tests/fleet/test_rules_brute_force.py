"""Every purchase rule at once against enumeration of every combination of designs, at a gap of nothing."""

import os
from dataclasses import replace
from math import isfinite

import numpy as np
import pytest

from planner.fleet import Outcome, candidates, solve_fleet
from planner.fleet.pricing import SiteOffer
from planner.fleet.rules import Cap, Rules
from planner.fleet.solve import FleetSolution
from planner.settings import SolverSettings
from tests.fleet.brute import Policy, cheapest
from tests.fleet.instances import Goods, goods, site

SEEDS = int(os.environ.get("PLANNER_SEEDS", "60"))


def rules_of(g: Goods, policy: Policy, sites: int) -> Rules:
    """The same policy as the fleet knows it."""
    kinds = max(policy.battery_kind) + 1
    return Rules(
        required=np.array([name in policy.required for name in g.names]),
        caps=[
            Cap(category=c, skus=np.array([k for k, n in enumerate(g.names) if n[0] == c]), most=most)
            for c, most in policy.caps
        ],
        kind=np.array(policy.battery_kind),
        kinds=kinds,
        region=np.array(policy.region or range(sites)),
        group=np.array(policy.group or [0] * sites),
        count=np.array(policy.count or [sites]),
    )


def random_policy(rng: np.random.Generator, sites: int) -> Policy:
    """Some of the rules."""
    caps = [(c, 1) for c in "bcmse" if rng.random() < 0.3]
    kinds = (0, 1) if rng.random() < 0.4 else (0, 0)
    required = tuple(n for n in ("b1", "m0", "c1") if rng.random() < 0.15)
    group, count = (), ()
    if rng.random() < 0.3:
        group = tuple(int(x) for x in rng.integers(0, 2, sites))
        count = tuple(int(rng.integers(0, group.count(g) + 1)) for g in range(2))
    return Policy(
        required=required,
        caps=tuple(caps),
        battery_kind=kinds,
        region=tuple(int(x) for x in rng.integers(0, 2, sites)) if kinds[1] else (),
        group=group,
        count=count,
    )


def plan(g: Goods, offers: list[SiteOffer], policy: Policy) -> FleetSolution:
    pool = candidates(g.pricer, offers, sites=len(offers))
    assert pool is not None
    g_market = replace(g.pricer.market, required=np.array([name in policy.required for name in g.names]))
    pricer = replace(g.pricer, market=g_market)
    rules = rules_of(g, policy, len(offers))
    return solve_fleet(pricer, offers, pool, rules=rules, settings=SolverSettings(gap=0.0))


@pytest.mark.parametrize("seed", range(SEEDS))
def test_optimum_with_every_rule_equals_enumeration(seed: int) -> None:
    rng = np.random.default_rng(7_000 + seed)
    sites = 2 + (seed % 4 == 0)
    g = goods(rng, (1, 3, 7), 1 + seed % 3, terms=True)
    offers = [site(rng, g, s) for s in range(sites)]
    policy = random_policy(rng, sites)
    best, found = cheapest(g, offers, policy), plan(g, offers, policy)
    assert found.best_bound <= best + 1e-6
    if isfinite(best):
        assert found.choice is not None
        assert found.cost == pytest.approx(best, abs=1e-6)
        assert found.outcome is Outcome.OPTIMAL
    else:
        assert found.choice is None
