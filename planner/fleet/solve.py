"""From candidate designs to a fleet plan with a proof: bound, tier branching, integer model.

The steps are counted, never timed, so that a run repeats: price everything, raise the bound, fix what
cannot be in a better plan, solve the integer model over the rest, branch on tiers where a gap is left.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from planner.fleet.bound import Bound, Incumbent, Relaxation, prove
from planner.fleet.market import FloatArray, IntArray
from planner.fleet.master import solve_master
from planner.fleet.pool import Pool, make_pool
from planner.fleet.pricing import Pricer, SiteOffer
from planner.fleet.relief import relieved_costs
from planner.fleet.search import search
from planner.fleet.solver import Outcome
from planner.settings import SolverSettings

DESIGNS_MAX, DESIGNS_LEAST = 1_200_000, 20  # candidate designs kept over the fleet; and at a site
COLUMNS_MAX = 1_000  # designs given to the integer model
REFINE_MAX = 400_000  # designs below which the proof is repeated on every design left after fixing
ROOT_STEPS, NODE_STEPS = 250, 40
RELIEFS = (0.3, 0.9)  # shares of a price by which it is lowered to bound the units bought
TIGHTEN_LEAST = 0.001  # share of the cost that a round must gain for another one
TIGHTENINGS, TIGHTEN_SITES = 4, 400  # rounds, and the fleet size above which there is one only
NODES_MAX, NODE_WORK = 400, 2_000_000_000  # nodes of the tier branching; designs priced in all of them


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetSolution:
    """One design for each site, exact cost and proven bound (currency), and how the run ended."""

    pool: Pool
    choice: IntArray
    cost: float
    best_bound: float
    outcome: Outcome
    notes: dict[str, float]

    @property
    def mip_gap(self) -> float:
        """`(cost - bound) / cost`."""
        return max(0.0, (self.cost - self.best_bound) / self.cost) if self.cost > 0 else 0.0


def candidates(pricer: Pricer, offers: Iterable[SiteOffer], *, sites: int) -> Pool | None:
    """Every design that can be cheapest at its site at some prices between the lowest and the list's.

    None without a site. A fleet of `sites` keeps at most `DESIGNS_MAX` designs.
    """
    return make_pool(
        pricer,
        offers,
        low=pricer.market.low_price,
        high=pricer.market.list_price,
        designs_max=max(DESIGNS_LEAST, DESIGNS_MAX // max(1, sites)),
    )


def solve_fleet(
    pricer: Pricer, offers: Iterable[SiteOffer], pool: Pool, *, settings: SolverSettings
) -> FleetSolution:
    """Cheapest fleet over every feasible design of every site, from its candidates.

    `offers` is iterated anew for each pass over all designs.
    """
    market, sites = pricer.market, pool.sites
    relax, best = Relaxation(pool, market), Incumbent()
    bound = prove(relax, best, gap=1.0, root_steps=ROOT_STEPS, node_steps=NODE_STEPS, nodes=1)
    search(relax, best)
    for _ in range(TIGHTENINGS if sites <= TIGHTEN_SITES else 1):
        if _within(best.cost, bound.value, settings.gap):
            break
        before = bound.value
        relax = Relaxation(replace(relax.pool, most=tighten(pricer, offers, relax, best, bound)), market)
        bound = prove(relax, best, gap=1.0, root_steps=ROOT_STEPS, node_steps=NODE_STEPS, nodes=1)
        if bound.value - before < TIGHTEN_LEAST * best.cost:
            break
    value = max(bound.value, polish(relax, best, bound, settings))
    if not _within(best.cost, value, settings.gap):
        relax, best = fix(relax, best, bound)
        bound = prove(
            relax, best, gap=settings.gap, root_steps=ROOT_STEPS, node_steps=NODE_STEPS, nodes=_nodes(pool)
        )
        value = max(value, bound.value)
    pool = relax.pool
    if not _within(best.cost, value, settings.gap):
        refined = refine(pricer, offers, relax, best, bound, settings)
        if refined is not None:
            pool, best, value = refined.pool, refined.best, max(value, refined.bound)
    value = min(value, best.cost)
    outcome = (
        Outcome.OPTIMAL
        if _within(best.cost, value, 1e-6)
        else Outcome.WITHIN_GAP
        if _within(best.cost, value, settings.gap)
        else Outcome.STOPPED
    )
    notes = {"designs": float(pool.usage.shape[0]), "nodes": float(bound.nodes), "root_bound": bound.root}
    return FleetSolution(
        pool=pool, choice=best.choice, cost=best.cost, best_bound=value, outcome=outcome, notes=notes
    )


def _within(cost: float, bound: float, gap: float) -> bool:
    return cost - bound <= max(gap, 1e-6) * cost


def _nodes(pool: Pool) -> int:
    """Nodes of the tier branching: fewer where each step weighs more."""
    return int(np.clip(NODE_WORK / (NODE_STEPS * pool.usage.shape[0]), 20, NODES_MAX))


def reduced_cost(relax: Relaxation, mu: FloatArray) -> tuple[FloatArray, float]:
    """How much dearer than its site's cheapest each design is at the multipliers (D,), and the least of
    what any design outside the pool is.
    """
    cost = relax.base + relax.units @ mu
    least, _ = relax.pool.cheapest(cost)
    return cost - least[relax.pool.site], max(0.0, float((relax.pool.floor - least).min()))


def tighten(
    pricer: Pricer,
    offers: Iterable[SiteOffer],
    relax: Relaxation,
    best: Incumbent,
    bound: Bound,
) -> FloatArray:
    """Most units of each SKU (K,) that a plan cheaper than the incumbent can need.

    Lower the multiplier of SKU k by `r`: every plan that needs `u` units costs at least
    `sum_s V_s(mu - r e_k) + sum_j h_j(mu_j) + r u`, with `V_s` the site's least cost and `h_j` the purchase
    terms of the bound. So `u <= (incumbent - sum_s V_s(mu - r e_k) - sum_j h_j) / r`. The site costs are
    exact over every design, in the pool or not.
    """
    mu = relax.market.list_price.copy()
    mu[relax.tiered] = bound.multipliers
    purchase = float(relax.purchase(bound.multipliers, relax.root())[0].sum())
    tiered = np.zeros(len(mu))
    tiered[relax.tiered] = 1.0
    reliefs = [share * mu * tiered for share in RELIEFS]
    most = relax.pool.most.copy()
    for relief, total in zip(reliefs, relieved_costs(pricer, offers, mu, reliefs), strict=True):
        room = best.cost - total - purchase
        units = np.divide(room, relief, out=np.full(len(mu), np.inf), where=relief > 0)
        most = np.minimum(most, np.floor(units + 1e-6))
    return np.maximum(most, relax.need(best.choice))


def fix(relax: Relaxation, best: Incumbent, bound: Bound) -> tuple[Relaxation, Incumbent]:
    """Drop the designs whose reduced cost exceeds the gap: they are in no better plan."""
    reduced, _ = reduced_cost(relax, bound.multipliers)
    keep = reduced <= best.cost - bound.root + 1e-6
    keep[best.choice] = True
    place = np.cumsum(keep) - 1
    pool = relax.pool.take(keep)
    return Relaxation(pool, relax.market), Incumbent(cost=best.cost, choice=place[best.choice])


def polish(relax: Relaxation, best: Incumbent, bound: Bound, settings: SolverSettings) -> float:
    """Integer model over the designs with the least reduced costs; returns its bound over all plans.

    A plan that uses a design left out costs at least the root bound plus the least reduced cost left out.
    """
    reduced, left_out = reduced_cost(relax, bound.multipliers)
    alive = np.flatnonzero(reduced <= max(0.0, best.cost - bound.root) + 1e-6)
    designs = alive
    if len(alive) > COLUMNS_MAX:
        limit = float(np.partition(reduced[alive], COLUMNS_MAX)[COLUMNS_MAX])
        designs, left_out = alive[reduced[alive] < limit], min(limit, left_out)
    designs = np.unique(np.concatenate([designs, best.choice, relax.pool.cheapest(reduced)[1]]))
    result = solve_master(
        relax,
        designs,
        relax.pool.most,
        gap=settings.gap / 2,
        time_limit_s=settings.time_limit_s,
        threads=settings.threads,
    )
    if result is None:
        return -np.inf
    best.offer(result.cost, result.choice)
    return min(result.best_bound, bound.root + left_out)


@dataclass(frozen=True, slots=True, kw_only=True)
class Refined:
    """What the second proof found."""

    pool: Pool
    best: Incumbent
    bound: float


def refine(
    pricer: Pricer,
    offers: Iterable[SiteOffer],
    relax: Relaxation,
    best: Incumbent,
    bound: Bound,
    settings: SolverSettings,
) -> Refined | None:
    """Repeat the proof on every design that could be in a plan cheaper than the incumbent.

    Those are the designs whose reduced cost at the root's multipliers is at most the gap; the incumbent's
    are among them. None when there are too many to keep.
    """
    mu = relax.market.list_price.copy()
    mu[relax.tiered] = bound.multipliers
    sites = relax.pool.sites
    pool = make_pool(
        pricer, offers, low=mu, slack=best.cost - bound.root + 1e-6, designs_max=REFINE_MAX // sites
    )
    if pool is None or not pool.complete:
        return None
    pool = replace(pool, floor=np.full(sites, np.inf))  # what is outside is in no better plan
    again, found = Relaxation(pool, relax.market), Incumbent()
    better = prove(
        again, found, gap=settings.gap, root_steps=ROOT_STEPS, node_steps=NODE_STEPS, nodes=_nodes(pool)
    )
    value = max(better.value, polish(again, found, better, settings))
    return Refined(pool=pool, best=found, bound=value)
