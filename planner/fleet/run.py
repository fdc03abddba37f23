"""What is known of a fleet while it is solved, and what steps share: pricing all designs, another pool.

The steps are in `planner.fleet.solve`, `complete` and `parts`.
"""

from collections.abc import Callable, Iterable, Sequence

import numpy as np

from planner.fleet.batches import Sites
from planner.fleet.bound import Bound
from planner.fleet.curves import make_curves
from planner.fleet.exact import Exact, price_out
from planner.fleet.pool import Designs, Pool
from planner.fleet.pricing import Pricer, SiteOffer
from planner.fleet.relaxation import NOBODY, BoolArray, Incumbent, Relaxation
from planner.fleet.rules import Rules
from planner.fleet.solution import FleetSolution
from planner.fleet.solver import Outcome
from planner.fleet.start import Start, make_start
from planner.fleet.stop import Ended, Stop
from planner.settings import SolverSettings

LIFTED = 0.93  # of the lowest price: so high multipliers are lifted where that costs the bound nothing
NEARLY = 1.25  # times an earlier plan's gap are near enough, where that is wider than asked: one more pass
# over all designs takes as long as all else of a rerun
FEW = 60  # sites, for which more can be tried
LOOK = 0.3  # how much dearer than the bound a first plan may be, as a share of the bound


class Run:
    """The relaxation over a pool, the best plan and the proven bound, while the fleet is solved.

    Attributes
    ----------
    relax : Relaxation
        Over the pool of the moment, which steps widen and narrow.
    best : Incumbent
        The best choice so far; where it breaks a rule, there is no plan yet.
    bound : float
        Proven over every design of every site, currency.
    at, root : Multipliers, float
        The best multipliers so far, and the bound that they prove.
    enough : float
        The gap at which the search ends, 0..1.
    look : float
        How far over the bound a first plan is looked for, as a share of it.
    near : Designs or None
        Designs that a later search may begin with.
    """

    def __init__(
        self,
        pricer: Pricer,
        offers: Sites | Iterable[SiteOffer],
        pool: Pool,
        rules: Rules,
        settings: SolverSettings,
        stop: Stop,
        target: float | None,
        start: Start | None = None,
    ) -> None:
        self.target, self.start, self.known = target, start, start is not None
        self.enough = settings.gap if start is None else max(settings.gap, NEARLY * start.gap)
        self.pricer, self.offers, self.settings, self.rules, self.stop = pricer, offers, settings, rules, stop
        self.needs = pricer.market.needs(pool.most)
        curves = make_curves(self.needs, counted=rules.counted)
        self.relax, self.best = Relaxation(pool, self.needs, curves, rules), Incumbent()
        self.bound, self.steps, self.passes, self.widened = -np.inf, 0, 0, False
        self.at, self.root = self.relax.start(), -np.inf  # multipliers, and the bound that they prove
        self.near: Designs | None = None
        self.searched = False
        self.look = LOOK
        if start is not None:
            self.at = start.multipliers(curves)
            self.best.offer(self.relax.cost(start.choice), start.choice)

    def within(self, gap: float) -> bool:
        """Whether the proof is as good as asked; a millionth is rounding."""
        return np.isfinite(self.best.cost) and self.best.cost - self.bound <= max(gap, 1e-6) * self.best.cost

    def done(self) -> bool:
        """Whether the asked gap is reached, or the target is known to be met or not."""
        if self.target is None:
            return self.within(self.enough)
        met = self.best.cost <= self.target and self.found
        return met or self.bound > self.target

    @property
    def found(self) -> bool:
        """Whether there is a plan."""
        return self.relax.keeps_rules(self.best.choice)

    @property
    def sites(self) -> int:
        """Number of sites."""
        return self.relax.pool.sites

    @property
    def few(self) -> bool:
        """Whether there are few sites."""
        return self.sites <= FEW

    def slack(self, bound: float) -> float:
        """How much dearer than a bound a better plan can be; without a plan, how far to look for one."""
        return self.best.cost - bound if self.found else self.look * abs(bound)

    def outcome(self, found: bool) -> Outcome:
        """How the run ended."""
        if found and self.within(0.0):
            return Outcome.OPTIMAL
        if found and self.within(self.settings.gap):
            return Outcome.WITHIN_GAP
        early = {Ended.TIME_LIMIT: Outcome.TIME_LIMIT, Ended.INTERRUPT: Outcome.INTERRUPTED}
        return early[self.stop.why] if self.stop.why else Outcome.STOPPED

    def solution(self) -> FleetSolution:
        """What was found and proven."""
        found = self.found
        cost = self.relax.cost(self.best.choice) if found else np.inf
        notes = {"designs": self.relax.pool.size, "steps": self.steps, "passes": self.passes}
        if self.known:
            notes["reused"] = 1
        return FleetSolution(
            pool=self.relax.pool,
            choice=self.best.choice if found else None,
            cost=cost,
            best_bound=min(self.bound, cost),
            outcome=self.outcome(found),
            notes={name: float(number) for name, number in notes.items()},
            start=self.end() if found else None,
        )

    def end(self) -> Start:
        """Where a search after this one may begin."""
        pool, choice = self.relax.pool, self.best.choice
        if self.near is not None:
            wider = pool.with_designs([self.near])
            choice = np.where(choice == NOBODY, NOBODY, choice - pool.start + wider.start)
            pool = wider
        gap = max(0.0, (self.best.cost - self.bound) / self.best.cost) if self.best.cost else 0.0
        if self.start is not None:
            gap = min(gap, self.start.gap)  # else each plan from another one might end a little further
        return make_start(self.pricer.market.skus, pool, choice, self.relax.curves, self.at, gap)

    def price_out(
        self,
        top: Bound,
        *,
        slack: float,
        designs_max: int,
        barred: BoolArray | None = None,
        meanwhile: Callable[[], None] | None = None,
    ) -> Exact:
        """Price every design at a bound's multipliers; what comes out is proven, unless some are barred."""
        exact, proven = self.priced(
            self.relax, top, slack=slack, designs_max=designs_max, barred=barred, meanwhile=meanwhile
        )
        if barred is None and proven.value > self.root:
            self.root, self.at = proven.value, proven.at
        self.bound = max(self.bound, self.root)
        return exact

    def priced(
        self,
        relax: Relaxation,
        top: Bound,
        *,
        slack: float = 0.0,
        designs_max: int,
        barred: BoolArray | None = None,
        meanwhile: Callable[[], None] | None = None,
    ) -> tuple[Exact, Bound]:
        """Every design priced at a bound's multipliers, and the bound over all of them."""
        lowest = LIFTED * self.pricer.market.low_price[relax.curves.tiered]
        at = relax.lifted(top.at, lowest)  # far under them, many more designs would have to be sized
        exact = price_out(
            self.pricer,
            self.offers,
            relax.curves,
            at,
            slack=slack,
            designs_max=designs_max,
            kind=self.rules.kind,
            barred=barred,
            known=relax.least(relax.cost_at(at))[0],
            meanwhile=meanwhile,
        )
        self.passes += 1
        value = self.rules.select(exact.least)[0] + relax.purchase(at.mu, at.borne).value
        return exact, Bound(value=value, at=at, steps=0)

    def take_in(self, designs: Sequence[Designs]) -> bool:
        """Add designs to the pool; whether there were new ones."""
        before = self.relax.pool
        pool = before.with_designs(designs)
        if pool.size == before.size:
            return False
        if len(self.best.choice):
            moved = self.best.choice - before.start + pool.start
            self.best.choice = np.where(self.best.choice == NOBODY, NOBODY, moved)
        self.relax = Relaxation(pool, self.needs, self.relax.curves, self.rules)
        return True

    def narrow(self, keep: BoolArray) -> None:
        """Go on with some designs of the pool alone, and those of the best choice."""
        keep = keep.copy()
        keep[self.best.choice[self.best.choice != NOBODY]] = True
        pool = self.relax.pool.take(np.flatnonzero(keep))
        moved = np.cumsum(keep) - 1
        choice = np.where(self.best.choice == NOBODY, NOBODY, moved[self.best.choice])
        self.relax = Relaxation(pool, self.needs, self.relax.curves, self.rules)
        self.best = Incumbent(cost=self.relax.cost(choice), choice=choice)
