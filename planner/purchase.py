"""One purchase for the whole fleet: its rules from the tables, the sites it serves, and those that wait."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from planner.designs import CatalogueArrays
from planner.errors import Refusal
from planner.fleet import FleetSolution, Market, solve_fleet
from planner.fleet.batches import Sites
from planner.fleet.buying import FloatArray, IntArray
from planner.fleet.needs import Needs
from planner.fleet.pool import Pool
from planner.fleet.pricing import Pricer, SiteOffer
from planner.fleet.relaxation import NOBODY
from planner.fleet.rules import Cap, Rules
from planner.fleet.serve import serve
from planner.fleet.start import Start
from planner.fleet.stop import Stop
from planner.scenario import Scenario
from planner.tables.catalogue import Chemistry

#: Turns the cheapest plan under rules and a budget into one nearer to an earlier plan.
Keep = Callable[[FleetSolution, Rules, float], FleetSolution]
#: Rules of the sites that wait: they have designs.
WAITS = BEYOND_STOCK, BEYOND_RULES, BEYOND_BUDGET = "beyond-stock", "beyond-rules", "beyond-budget"
CENTS = 0.01  # freight and labour of a site are rounded once each: the plan may cost so much more a site


@dataclass(frozen=True, slots=True, kw_only=True)
class Bought:
    """The fleet's plan and, for each site that waits (its place in the table), why.

    `most` is how many sites could be served at most by priority and budget, as far as it is proven: as many
    as are, or more. Budgets count to `CENTS` a site.
    """

    solution: FleetSolution
    waiting: dict[int, Refusal]
    most: int


def make_rules(scenario: Scenario, market: Market, catalogue: CatalogueArrays, place: IntArray) -> Rules:
    """Rules of a scenario for the sites at some places of its table (S,)."""
    sites = [scenario.tables.sites[i] for i in place]
    priorities = sorted({site.priority for site in sites})
    group = np.array([priorities.index(site.priority) for site in sites], dtype=np.int64)
    # Those of the catalogue alone: every kind is that of some battery.
    chemistries = [one for one in Chemistry if any(row.chemistry is one for row in catalogue.batteries)]
    kind = np.array([chemistries.index(row.chemistry) for row in catalogue.batteries], dtype=np.int64)
    alike = scenario.settings.purchase.one_chemistry_per_region
    names = [site.region or f"\0{i}" for i, site in enumerate(sites)]
    regions = {name: r for r, name in enumerate(dict.fromkeys(names))}
    return Rules(
        required=market.required,
        caps=[
            Cap(
                category=row.category,
                skus=np.flatnonzero(np.array(market.category) == row.category),
                most=most,
            )
            for row in scenario.tables.category_rules
            if (most := row.distinct_max) is not None
        ],
        kind=kind if alike else np.zeros_like(kind),
        kinds=max(1, len(chemistries)) if alike else 1,
        region=np.array([regions[name] for name in names]) if alike else np.arange(len(sites)),
        group=group,
        count=np.bincount(group),
    )


def budget_of(scenario: Scenario) -> float:
    """Most that the plan may cost: the stated budget and that of all phases, whichever is less."""
    stated = scenario.settings.purchase.budget
    phases = [float(row.budget) for row in scenario.tables.phases]
    limits = [*([stated] if stated is not None else []), *([sum(phases)] if phases else [])]
    return min(limits, default=np.inf)


def buy(
    scenario: Scenario,
    pricer: Pricer,
    catalogue: CatalogueArrays,
    offers: Sites | Iterable[SiteOffer],
    pool: Pool,
    *,
    stop: Stop,
    keep: Keep | None = None,
    start: Start | None = None,
) -> Bought:
    """Choose designs and purchase for all sites of the pool, or for as many as budget and stock allow.

    `keep` has the last word on the designs of the sites that are served. The first search begins at `start`,
    whose pool it is then.
    """
    rules, budget = make_rules(scenario, pricer.market, catalogue, pool.place), budget_of(scenario)
    settings, last = scenario.settings.solver, pool

    def solve(rules: Rules, target: float | None = None) -> FleetSolution:
        nonlocal last
        found = solve_fleet(
            pricer,
            offers,
            last,
            rules=rules,
            settings=settings,
            stop=stop,
            target=target,
            start=start if last is pool else None,
        )
        last = last.with_designs([found.pool.designs])
        return found

    sure = budget - CENTS * pool.sites
    served = serve(solve, rules, budget=sure)
    solution = served.solution
    if keep is not None and solution.choice is not None:
        solution = keep(solution, rules.serving(served.count), sure)
    waiting = _waiting(solution, pricer.market, budget)
    return Bought(solution=solution, waiting=waiting, most=int(served.most.sum()))


def _waiting(solution: FleetSolution, market: Market, budget: float) -> dict[int, Refusal]:
    """Why each site that is not served waits, and what it would add to the plan."""
    if solution.choice is None:
        return {}
    left_out = np.flatnonzero(solution.choice == NOBODY)
    if not len(left_out):
        return {}
    pool, needs = solution.pool, market.needs(solution.pool.most)
    chosen = solution.choice[solution.choice != NOBODY]
    need = np.asarray(pool.designs.usage[chosen].sum(axis=0)).ravel().round().astype(np.int64)
    ends = np.append(pool.start[1:], pool.size)
    found = {}
    for s in left_out.tolist():
        added, within = added_cost(pool, needs, need, range(int(pool.start[s]), int(ends[s])))
        found[int(pool.place[s])] = _wait(solution.cost, added, within, budget)
    return found


def added_cost(pool: Pool, needs: Needs, need: IntArray, designs: Sequence[int]) -> tuple[float, bool]:
    """What the cheapest of a site's designs adds to a fleet's need (K,), and whether stock holds it."""
    usage = pool.designs.usage[list(designs)].toarray().round().astype(np.int64)
    skus = np.arange(len(need))
    total = needs.of(skus, need[None, :] + usage) - needs.of(skus, need)[None, :]
    cost: FloatArray = total.sum(axis=1) + pool.designs.other_cost[list(designs)]
    held = (need[None, :] + usage <= needs.most[None, :]).all(axis=1)
    cost = np.where(held | ~held.any(), cost, np.inf)
    best = int(np.argmin(cost))
    return float(cost[best]), bool(held[best])


def _wait(cost: float, added: float, held: bool, budget: float) -> Refusal:
    if not held:
        return Refusal(
            rule=BEYOND_STOCK,
            subject="stock",
            message="it waits: suppliers do not hold what any of its designs takes beside the sites served",
        )
    if cost + added <= budget:
        return Refusal(
            rule=BEYOND_RULES,
            subject="rules of the purchase",
            message=f"it waits: it would add {added:,.0f}, but the purchase's rules leave no room for it",
        )
    return Refusal(
        rule=BEYOND_BUDGET,
        subject="budget",
        value=round(cost + added, 2),
        limit=budget,
        unit="currency",
        message=f"it waits: it would add {added:,.0f} to {cost:,.0f}, and the budget is {budget:,.0f}",
    )
