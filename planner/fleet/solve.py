"""From candidate designs to a fleet plan with a proof: bound, exact pricing, search, integer model, parts.

The steps are counted, never timed, so that a run repeats: raise the bound over the pool, price every design
at its multipliers, take in those that could matter, and again; search around the best plan. Where the asked
gap is not reached then: the integer model where it can hold all designs that matter, and of few sites the
bound of plans in parts. A stop ends it between two steps with the best plan so far.
"""

from collections.abc import Callable, Iterable, Sequence
from functools import partial

import numpy as np

from planner.fleet.batches import Sites
from planner.fleet.bound import Bound, ascend
from planner.fleet.branch import STEPS as PART_STEPS
from planner.fleet.branch import Goal, Part, parted, raised, reopened, whole
from planner.fleet.buying import IntArray
from planner.fleet.curves import Curves, make_curves, refined
from planner.fleet.exact import Exact, price_out
from planner.fleet.expand import make_pool
from planner.fleet.master import solve_master
from planner.fleet.pool import Designs, Pool
from planner.fleet.pricing import Pricer, SiteOffer
from planner.fleet.relaxation import NOBODY, BoolArray, Incumbent, Multipliers, Relaxation
from planner.fleet.rules import Rules
from planner.fleet.search import improve, settle
from planner.fleet.solution import FleetSolution
from planner.fleet.solver import MipLimits, Outcome
from planner.fleet.standards import settle_standards
from planner.fleet.start import Start, make_start
from planner.fleet.stop import Ended, Stop
from planner.settings import SolverSettings

DESIGNS_MAX, DESIGNS_LEAST = 200_000, 60  # candidate designs over the fleet; and of a site
ADDED_MAX, ADDED_LEAST = 24_000, 10  # designs taken in on one pass; and of a site
SCALE = 0.25  # of the bound's steps at first, where they begin near the end
LIFTED = 0.93  # of the lowest price: so high multipliers are lifted where that costs the bound nothing
STEPS, ROUNDS, ROUNDS_FEW = 1_000, 4, 8  # steps of the bound, passes over all designs; and of few sites
FIRST_STEPS, AGAIN_STEPS = 400, 150  # before the first pass over more than few sites; and from a start
ROUNDS_MAX, POOR = 20, 0.05  # as many while the gap is wide: the pool may lack what scarce SKUs leave over
AIM = 0.25  # share of the asked gap at which the bound stops rising
NEARLY = 1.1  # times an earlier plan's gap are as good, where that is wider than asked
ENOUGH = 0.8  # of an earlier plan's gap, where a search begins with that plan
NEAR = 24  # designs of a site that a later search begins with, beside those that the model was given
COLUMNS_MAX = 6_000  # designs given to the integer model
NODES, NODES_MAX, NODES_LEAST = 7_200, 400, 10  # of the integer model: times sites; most and least
COMPLETIONS, FEW = 4, 60  # times that it is made anew while the gap shrinks, for so many sites; once for more
WORTH = 0.1  # share of its slack that a run must be able to gain by the integer model
PARTS, PARTS_MAX, PARTS_LEAST = 600, 25, 4  # parts of the plans: times sites; most; fewer are not worth it
PART_DESIGNS, PART_PASSES = 6_000, 3  # designs that bound them at first; passes over all designs for each
SURE = 0.9  # of the gap asked for: where parts are bounded over some designs, as all of them come to less
GAIN = 0.9  # share of its slack that a run must fall to for the integer model to be made anew
REPAIRS = 4  # sets of SKUs tried until each site can be served within the caps
LOOK, FURTHER = 0.3, 2.0  # how much dearer than the bound a first plan may be: its share; times that, again
CUTS, CUTS_MAX, CUTS_LEAST = 480, 12, 2  # times sites that its modes are cut anew where they are not exact


def candidates(pricer: Pricer, offers: Sites | Iterable[SiteOffer], *, sites: int) -> Pool | None:
    """The designs of each site to begin with; None without a site. `sites` is how many there may be."""
    return make_pool(pricer, offers, designs_max=max(DESIGNS_LEAST, DESIGNS_MAX // max(1, sites)))


def solve_fleet(
    pricer: Pricer,
    offers: Sites | Iterable[SiteOffer],
    pool: Pool,
    *,
    rules: Rules,
    settings: SolverSettings,
    stop: Stop | None = None,
    target: float | None = None,
    start: Start | None = None,
) -> FleetSolution:
    """Cheapest fleet over every feasible design of every site, from its candidates.

    `offers` is run through for each pass over all designs. With a `target` (currency) the question is only
    whether a plan costs as much at most: the search ends as soon as a plan or the bound answers it. From a
    `start`, whose pool it is, the search goes on until it is proven as far as the plan there was, if that is
    not as far as asked.
    """
    run = _Run(pricer, offers, pool, rules, settings, stop or Stop(), target, start)
    if run.begin():
        run.prove()
        for _ in range(COMPLETIONS if pool.sites <= FEW else 1):
            slack = run.slack(run.bound)
            if run.done() or run.stop.due():
                break
            if not run.complete():
                break
            if not run.found:
                run.look *= FURTHER
            elif run.slack(run.bound) > GAIN * slack:
                break
        if not run.done():
            run.part()
    return run.solution()


class _Run:
    """What is known of the fleet while it is solved: the relaxation, the best plan, the proven bound."""

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
        self.target, self.known = target, start is not None
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
        return make_start(self.pricer.market.skus, pool, choice, self.relax.curves, self.at, gap)

    def outcome(self, found: bool) -> Outcome:
        """How the run ended."""
        if found and self.within(0.0):
            return Outcome.OPTIMAL
        if found and self.within(self.settings.gap):
            return Outcome.WITHIN_GAP
        early = {Ended.TIME_LIMIT: Outcome.TIME_LIMIT, Ended.INTERRUPT: Outcome.INTERRUPTED}
        return early[self.stop.why] if self.stop.why else Outcome.STOPPED

    def begin(self) -> bool:
        """Give each site a design that can be bought, of its region's kind; whether enough sites have one."""
        cost = self.relax.cost_at(self.at)
        every = np.isfinite(self.relax.least(cost)[0].min(axis=1)).all()
        if every and np.isfinite(self.relax.sites_side(cost)[0]):
            return True
        exact = self.price_out(Bound(value=-np.inf, at=self.at, steps=0), slack=0.0, designs_max=ADDED_LEAST)
        self.take_in(exact.designs)
        return bool(np.isfinite(self.bound))

    def prove(self) -> None:
        """Raise the bound over the pool, certify it over all designs, take in what was missing; repeat."""
        for passes in range(ROUNDS_MAX):
            if passes >= (ROUNDS if self.sites > FEW else ROUNDS_FEW) and self.within(POOR):
                break
            top = ascend(
                self.relax,
                self.at,
                self.best,
                steps=self.steps_of(passes),
                gap=max(AIM * self.settings.gap, ENOUGH * self.enough if self.known else 0.0),
                stop=self.stop,
                target=self.target,
                scale=SCALE if self.known else 1.0,
            )
            self.steps += top.steps
            self.standardise(top)
            settle(self.relax, self.best, self.stop)
            # What a run that ends at once has is proven too.
            if np.isfinite(self.bound) and (self.stop.due() or self.done()):
                break
            exact = self.price_out(
                top,
                slack=0.0,
                designs_max=max(ADDED_LEAST, ADDED_MAX // self.sites),
                meanwhile=self.search(top),
            )
            if self.done() or not (self.take_in(exact.designs) or self.widen()):
                break
            if passes and self.settled(top):
                break
        if (self.sites <= FEW or not self.searched) and self.within(POOR) and not self.done():
            self.improve(self.at)  # over what the last pass took in too; plans in parts take longer
        pool = self.relax.pool
        self.near = pool.designs.take(pool.nearest(self.relax.reduced_cost(self.at), NEAR))

    def steps_of(self, passes: int) -> int:
        """Steps of the bound before a pass: few before the first over many sites, as the pool lacks much."""
        if passes or self.sites <= FEW or (self.known and self.target is not None):
            return STEPS
        return AGAIN_STEPS if self.known else FIRST_STEPS

    def search(self, top: Bound) -> Callable[[], None] | None:
        """A search for a better plan while sites are priced, unless that may prove this one good enough."""
        hoped = self.best.cost - top.value <= self.enough * self.best.cost
        if hoped or self.done() or not self.within(POOR):
            return None
        return partial(self.improve, top.at)

    def improve(self, at: Multipliers) -> None:
        """Search for a better plan over the designs that are near the least at some multipliers."""
        self.searched = True
        improve(self.relax, self.best, self.relax.reduced_cost(at), self.pricer.market.category, self.stop)

    def settled(self, top: Bound) -> bool:
        """Whether the proof is nearly as high as the pool's bound, and not even that is as good as asked."""
        near = top.value - self.bound <= AIM * self.settings.gap * self.best.cost
        return near and self.best.cost - top.value > self.enough * self.best.cost

    def standardise(self, top: Bound) -> None:
        """Where categories have caps: find SKUs to keep to, and take in the best designs with them."""
        if not self.relax.caps or self.stop.due():
            return
        protected = np.zeros(len(self.relax.curves.tiered), dtype=bool)
        for _ in range(REPAIRS):
            choice = self.relax.sites_side(self.relax.cost_at(top.at))[1]
            barred = settle_standards(self.relax, choice, self.best, protected, self.stop)
            exact = self.price_out(top, slack=0.0, designs_max=ADDED_LEAST, barred=barred)
            unserved = ~np.isfinite(exact.least).any(axis=1)
            # Keep what the cheapest designs of such sites use.
            for d in choice[unserved & (choice != NOBODY)]:
                used = self.relax.pool.designs.usage[int(d)].indices
                protected |= np.isin(self.relax.curves.tiered, used)
            self.take_in(exact.designs)
            if not unserved.any() or self.stop.due():
                break
        choice = self.relax.sites_side(self.relax.cost_at(top.at))[1]
        settle_standards(self.relax, choice, self.best, protected, self.stop)

    def widen(self) -> bool:
        """Take in designs that are cheap at the start's multipliers, where the pool's own lead astray."""
        if self.widened or self.within(POOR):
            return False
        self.widened = True
        at = Bound(value=-np.inf, at=self.relax.start(), steps=0)
        slack, most = self.slack(self.bound), max(ADDED_LEAST, ADDED_MAX // self.sites)
        return self.take_in(self.price_out(at, slack=slack, designs_max=most).designs)

    def complete(self) -> bool:
        """Integer model over the designs and modes that a better plan can have, or the likeliest of them.

        A plan that takes a design left out costs at least the bound and what that design costs more than
        its site's least. Where that is little, the model would prove little, and is not solved.
        """
        slack, root = self.slack(self.root), self.root
        at, columns = Bound(value=root, at=self.at, steps=0), max(1, COLUMNS_MAX // self.sites)
        near = self.relax.pool.designs.site[self.relax.reduced_cost(self.at) < WORTH * slack]
        if np.bincount(near).max(initial=0) > columns:
            return False
        exact = self.price_out(at, slack=slack + 1e-6, designs_max=columns)
        self.take_in(exact.designs)
        if exact.left_out < WORTH * slack:
            return False
        reduced = self.relax.reduced_cost(self.at)
        keep = reduced <= min(slack, exact.left_out) + 1e-6
        keep[self.relax.pool.start] = True  # no site is without a design
        keep[self.best.choice[self.best.choice != NOBODY]] = True
        self.narrow(keep)
        beyond = root + exact.left_out
        nodes = min(max(NODES // self.sites, NODES_LEAST), NODES_MAX)
        for _ in range(min(max(CUTS // self.sites, CUTS_LEAST), CUTS_MAX)):
            modes = self.relax.modes_within(self.at, slack + 1e-6)
            limits = MipLimits(
                gap=self.settings.gap / 2, nodes_max=nodes, threads=self.settings.threads, stop=self.stop
            )
            result = solve_master(self.relax, modes, limits)
            self.bound = max(self.bound, min(result.best_bound, beyond))
            if result.choice is None:
                break
            self.best.offer(self.relax.cost(result.choice), result.choice)
            need = self.relax.need(result.choice)
            finer, parts = self.cut(need)
            solved = self.best.cost - result.best_bound <= self.settings.gap / 2 * self.best.cost
            if solved or self.done() or self.stop.due() or finer.modes == self.relax.curves.modes:
                break
            self.at = self.at.of_parts(parts)
            self.relax = Relaxation(self.relax.pool, self.needs, finer, self.rules)
        return True

    def part(self) -> None:
        """Bound the plans in parts, each over all designs: the least of their bounds holds for every plan."""
        parts_max = min(PARTS // self.sites, PARTS_MAX)
        if parts_max < PARTS_LEAST or not self.found:
            return
        keep = np.zeros(self.relax.pool.size, dtype=bool)
        keep[self.relax.pool.nearest(self.relax.reduced_cost(self.at), PART_DESIGNS // self.sites)] = True
        keep[self.best.choice[self.best.choice != NOBODY]] = True
        self.narrow(keep)
        goal = Goal(gap=SURE * self.enough, target=self.target)
        at = Bound(value=self.bound, at=self.at, steps=0, often=np.zeros(self.relax.curves.modes))
        root = raised(self.relax, whole(self.relax, at), self.best, goal, PART_STEPS, self.stop)
        parts = parted(self.relax, root, self.best, goal, parts_max=parts_max, stop=self.stop)
        parts.sort(key=lambda part: part.bound.value)
        sure = (1 - SURE) * self.enough * self.best.cost if self.target is None else 0.0
        low = min(goal.value(self.best), parts[0].bound.value) - sure
        proven: list[float] = []
        for part in parts if low > self.bound else []:
            proven.append(self.proven(part, min([low, *proven]), goal))
        self.bound = max(self.bound, min(proven, default=-np.inf))
        settle(self.relax, self.best, self.stop)

    def proven(self, part: Part, enough: float, goal: Goal) -> float:
        """The bound of a part over all designs, once that is enough."""
        value = self.bound
        for _ in range(PART_PASSES):
            if self.stop.due():
                break
            # What other parts lacked is in the pool by now.
            part = raised(self.relax, reopened(part), self.best, goal, PART_STEPS, self.stop)
            exact, top = self.priced(part.of(self.relax), part.bound, designs_max=PART_DESIGNS // self.sites)
            value = max(value, top.value)
            if value >= enough:
                break
            self.take_in(exact.designs)
        return value

    def slack(self, bound: float) -> float:
        """How much dearer than a bound a better plan can be; without a plan, how far to look for one."""
        return self.best.cost - bound if self.found else self.look * abs(bound)

    @property
    def found(self) -> bool:
        """Whether there is a plan."""
        return self.relax.keeps_rules(self.best.choice)

    def cut(self, need: IntArray) -> tuple[Curves, IntArray]:
        """Modes cut at the needs of a plan."""
        curves = self.relax.curves
        return refined(curves, self.needs, {t: int(need[k]) for t, k in enumerate(curves.tiered.tolist())})

    def narrow(self, keep: BoolArray) -> None:
        """Go on with some designs of the pool alone."""
        pool = self.relax.pool.take(np.flatnonzero(keep))
        moved = np.cumsum(keep) - 1
        choice = np.where(self.best.choice == NOBODY, NOBODY, moved[self.best.choice])
        self.relax = Relaxation(pool, self.needs, self.relax.curves, self.rules)
        self.best = Incumbent(cost=self.relax.cost(choice), choice=choice)

    @property
    def sites(self) -> int:
        """Number of sites."""
        return self.relax.pool.sites

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
