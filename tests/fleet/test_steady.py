"""Earlier designs that stay, against every way to give sites their earlier or their cheapest design."""

from itertools import product
from math import inf

import numpy as np
import pytest

from planner.fleet import candidates
from planner.fleet.bound import ascend
from planner.fleet.curves import make_curves
from planner.fleet.relaxation import NOBODY, Incumbent, Relaxation
from planner.fleet.steady import steady_choice
from planner.fleet.stop import Stop
from tests.fleet.brute import designs, plans
from tests.fleet.instances import Goods, goods, site
from tests.fleet.policies import Policy, random_policy, rules_of, under

SEEDS = range(12)
SITES = 3


class Case:
    """A fleet with its cheapest plan, random earlier designs, and what plans cost by enumeration."""

    def __init__(self, seed: int) -> None:
        rng = np.random.default_rng(9_000 + seed)
        g: Goods = goods(rng, (1, 3, 7), 1 + seed % 2, terms=seed % 3 == 0)
        self.policy = random_policy(rng, SITES) if seed % 2 else Policy()
        g = under(g, self.policy)
        offers = [site(rng, g, s) for s in range(SITES)]
        pool = candidates(g.pricer, offers, sites=SITES)
        assert pool is not None
        rules, needs = rules_of(g, self.policy, SITES), g.pricer.market.needs(pool.most)
        self.relax = Relaxation(pool, needs, make_curves(needs, counted=rules.counted), rules)
        self.rng, self.choice = rng, self.plan()
        self.every = plans(g, offers, self.policy)
        self.known = [[(units, battery) for _, units, battery in designs(g, offer)] for offer in offers]

    def plan(self) -> np.ndarray | None:
        """A good plan, which stands for the cheapest; None where the rules leave none so simple."""
        relax, best = self.relax, Incumbent()
        ascend(relax, relax.start(), best, steps=60, gap=0.0, stop=Stop())
        return best.choice if relax.keeps_rules(best.choice) else None

    def drawn(self) -> np.ndarray:
        """A design of each site, or none."""
        pool = self.relax.pool
        ends = np.append(pool.start[1:], pool.size)
        picks = self.rng.integers(pool.start, ends)
        return np.where(self.rng.random(SITES) < 0.15, NOBODY, picks)

    def cost(self, choice: np.ndarray) -> float:
        """Of a plan, by enumeration; infinite where a rule is broken."""
        places = []
        for s, d in enumerate(choice.tolist()):
            if d == NOBODY:
                places.append(len(self.known[s]))  # behind the designs
                continue
            units = tuple(self.relax.pool.designs.usage[d].toarray()[0].round().astype(int).tolist())
            battery = int(self.relax.pool.designs.column.battery[d])
            places.append(self.known[s].index((units, battery)))
        cost = float(self.every.cost[tuple(places)])
        for group, number in enumerate(self.policy.count):
            members = [s for s in range(SITES) if self.policy.group[s] == group]
            if sum(choice[s] != NOBODY for s in members) != number:
                return inf
        return cost


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("share", [0.02, 0.2])
def test_no_site_alone_would_go_back_or_leave(seed: int, share: float) -> None:
    case = Case(seed)
    if case.choice is None:  # its rules leave no plan
        return
    free, earlier = case.choice, case.drawn()
    worth = share * case.cost(free) / SITES * np.ones(SITES)
    choice = steady_choice(case.relax, free, earlier, worth)

    def value(one: np.ndarray) -> float:
        return case.cost(one) + float(worth[(one != earlier) & (earlier != NOBODY) & (free != NOBODY)].sum())

    assert all(choice[s] in (free[s], earlier[s]) for s in range(SITES))
    assert ((choice == NOBODY) == (free == NOBODY)).all()
    assert value(choice) <= value(free) + 1e-6
    for s in range(SITES):
        for other in {int(free[s]), int(earlier[s])} - {int(choice[s]), NOBODY}:
            if free[s] == NOBODY:
                continue
            turned = choice.copy()
            turned[s] = other
            added = case.cost(turned) - case.cost(choice)
            if other == earlier[s]:
                assert added > worth[s]  # it would stay, were it so cheap
            else:
                assert added >= -worth[s] - 1e-6  # it would leave, did it save so much


@pytest.mark.parametrize("seed", SEEDS)
def test_a_budget_and_a_share_of_everything(seed: int) -> None:
    """Where leaving must save more than anything costs, the most sites stay that rules and budget allow."""
    case = Case(seed)
    if case.choice is None:
        return
    free, earlier = case.choice, case.drawn()
    earlier[free == NOBODY] = NOBODY
    cheapest = case.cost(free)
    worth = np.full(SITES, 100.0 * cheapest)
    whole = np.where(earlier == NOBODY, free, earlier)
    mixes = product(*({int(f), int(e)} for f, e in zip(free, whole, strict=True)))
    costs = sorted(cost for mix in mixes if (cost := case.cost(np.array(mix))) < inf)
    for budget in (cheapest, costs[len(costs) // 2] + 0.01, inf):
        choice = steady_choice(case.relax, free, earlier, worth, budget=budget)
        assert case.cost(choice) <= budget + 1e-6
        for s in np.flatnonzero((choice != earlier) & (earlier != NOBODY)).tolist():
            turned = choice.copy()
            turned[s] = earlier[s]
            assert case.cost(turned) == inf or case.cost(turned) > budget - 1e-6
    if case.cost(whole) < inf:
        assert (choice == whole).all()
