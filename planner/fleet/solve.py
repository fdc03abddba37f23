"""From candidate designs to a fleet plan with a proof: bound, exact pricing, local search, integer model.

The steps are counted, never timed, so that a run repeats: raise the bound over the pool, price every design
at its multipliers, take in those that could matter, and again; then solve the integer model over what is
left where the asked gap is not reached.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from planner.fleet.bound import Bound, Incumbent, Relaxation, ascend
from planner.fleet.curves import make_curves
from planner.fleet.exact import Exact, price_out
from planner.fleet.market import FloatArray, IntArray
from planner.fleet.master import solve_master
from planner.fleet.pool import Designs, Pool, make_pool
from planner.fleet.pricing import Pricer, SiteOffer
from planner.fleet.search import settle
from planner.fleet.solver import Outcome
from planner.settings import SolverSettings

DESIGNS_MAX, DESIGNS_LEAST = 200_000, 60  # candidate designs over the fleet; and of a site
ADDED_MAX, ADDED_LEAST = 24_000, 10  # designs taken in on one pass; and of a site
STEPS, ROUNDS = 1_000, 4  # steps of the bound, and passes over all designs
AIM = 0.25  # share of the asked gap at which the bound stops rising
COLUMNS_MAX = 6_000  # designs given to the integer model
NODES_MAX = 400  # of the integer model


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetSolution:
    """One design for each site, exact cost and proven bound (currency), and how the run ended."""

    pool: Pool
    choice: IntArray
    cost: float
    best_bound: float
    outcome: Outcome
    notes: dict[str, float]


def candidates(pricer: Pricer, offers: Iterable[SiteOffer], *, sites: int) -> Pool | None:
    """The designs of each site to begin with; None without a site. `sites` is how many there may be."""
    return make_pool(pricer, offers, designs_max=max(DESIGNS_LEAST, DESIGNS_MAX // max(1, sites)))


def solve_fleet(
    pricer: Pricer, offers: Iterable[SiteOffer], pool: Pool, *, settings: SolverSettings
) -> FleetSolution:
    """Cheapest fleet over every feasible design of every site, from its candidates.

    `offers` is iterated anew for each pass over all designs.
    """
    run = _Run(pricer, offers, pool, settings)
    run.prove()
    if not run.within(settings.gap):
        run.complete()
    outcome = (
        Outcome.OPTIMAL
        if run.within(0.0)
        else Outcome.WITHIN_GAP
        if run.within(settings.gap)
        else Outcome.STOPPED
    )
    return FleetSolution(
        pool=run.relax.pool,
        choice=run.best.choice,
        cost=run.best.cost,
        best_bound=min(run.bound, run.best.cost),
        outcome=outcome,
        notes={"designs": float(run.relax.pool.size), "steps": float(run.steps), "passes": float(run.passes)},
    )


class _Run:
    """What is known of the fleet while it is solved: the relaxation, the best plan, the proven bound."""

    def __init__(
        self, pricer: Pricer, offers: Iterable[SiteOffer], pool: Pool, settings: SolverSettings
    ) -> None:
        self.pricer, self.offers, self.settings = pricer, offers, settings
        self.curves = make_curves(pricer.market, pool.most)
        self.relax, self.best = Relaxation(pool, pricer.market, self.curves), Incumbent()
        self.bound, self.steps, self.passes = -np.inf, 0, 0
        self.at = self.relax.start()

    def within(self, gap: float) -> bool:
        """Whether the proof is as good as asked; a millionth is rounding."""
        return self.best.cost - self.bound <= max(gap, 1e-6) * self.best.cost

    def prove(self) -> None:
        """Raise the bound over the pool, certify it over all designs, take in what was missing; repeat."""
        for _ in range(ROUNDS):
            top = ascend(self.relax, self.at, self.best, steps=STEPS, gap=AIM * self.settings.gap)
            self.steps += top.steps
            settle(self.relax, self.best)
            exact = self.price_out(top, slack=0.0, designs_max=max(ADDED_LEAST, ADDED_MAX // self.sites))
            if self.within(self.settings.gap) or not self.take_in(exact.designs):
                break

    def complete(self) -> None:
        """Integer model over the designs and modes that a better plan can have, or the likeliest of them.

        A plan that takes a design left out costs at least the bound and what that design costs more than
        its site's least.
        """
        slack, root = self.best.cost - self.bound, self.bound
        at = Bound(value=root, at=self.at, steps=0)
        exact = self.price_out(at, slack=slack + 1e-6, designs_max=max(1, COLUMNS_MAX // self.sites))
        self.take_in(exact.designs)
        reduced = self.reduced_cost()
        keep = reduced <= min(slack, exact.left_out) + 1e-6
        keep[self.best.choice] = True
        pool = self.relax.pool.take(np.flatnonzero(keep))
        relax = Relaxation(pool, self.pricer.market, self.curves)
        result = solve_master(
            relax,
            relax.modes_within(self.at, slack + 1e-6),
            gap=self.settings.gap / 2,
            time_limit_s=self.settings.time_limit_s,
            threads=self.settings.threads,
            nodes_max=NODES_MAX,
        )
        if result is None:
            return
        choice = (np.cumsum(keep) - 1)[self.best.choice]
        self.relax, self.best = relax, Incumbent(cost=self.best.cost, choice=choice)
        self.best.offer(result.cost, result.choice)
        self.bound = max(self.bound, min(result.best_bound, root + exact.left_out))

    @property
    def sites(self) -> int:
        """Number of sites."""
        return self.relax.pool.sites

    def reduced_cost(self) -> FloatArray:
        """How much dearer than its site's cheapest each design of the pool is at the multipliers (D,)."""
        cost = self.relax.design_cost(self.relax.label(self.at)[0])
        least, _ = self.relax.pool.cheapest(cost)
        return np.asarray(cost - least[self.relax.pool.designs.site])

    def price_out(self, top: Bound, *, slack: float, designs_max: int) -> Exact:
        """Price every design at a bound's multipliers; what comes out is proven."""
        exact = price_out(self.pricer, self.offers, self.curves, top.at, slack=slack, designs_max=designs_max)
        self.passes += 1
        value = float(exact.least.sum()) + self.relax.purchase(top.at).value
        if value > self.bound:
            self.bound, self.at = value, top.at
        return exact

    def take_in(self, designs: Sequence[Designs]) -> bool:
        """Add designs to the pool; whether there were new ones."""
        before = self.relax.pool
        pool = before.with_designs(designs)
        if pool.size == before.size:
            return False
        self.best.choice = self.best.choice - before.start + pool.start
        self.relax = Relaxation(pool, self.pricer.market, self.curves)
        return True
