"""From candidate designs to a fleet plan with a proof: bound, exact pricing, search, integer model, parts.

The steps are counted, never timed, so that a run repeats: raise the bound over the pool, price every design
at its multipliers, take in those that could matter, and again; search around the best plan. Where the asked
gap is not reached then: the integer model where it can hold all designs that matter, and of few sites the
bound of plans in parts. A stop ends it between two steps with the best plan so far.
"""

from collections.abc import Callable, Iterable
from functools import partial

import numpy as np

from planner.fleet.batches import Sites
from planner.fleet.bound import Bound, ascend
from planner.fleet.complete import complete
from planner.fleet.expand import make_pool
from planner.fleet.parts import bound_in_parts
from planner.fleet.pool import Pool
from planner.fleet.pricing import Pricer, SiteOffer
from planner.fleet.relaxation import NOBODY, Multipliers
from planner.fleet.rules import Rules
from planner.fleet.run import Run
from planner.fleet.search import improve, settle
from planner.fleet.solution import FleetSolution
from planner.fleet.standards import settle_standards
from planner.fleet.start import Start
from planner.fleet.stop import Stop
from planner.settings import SolverSettings

DESIGNS_MAX, DESIGNS_LEAST = 200_000, 60  # candidate designs over the fleet; and of a site
ADDED_MAX, ADDED_LEAST = 24_000, 10  # designs taken in on one pass; and of a site
SCALE = 0.25  # of the bound's steps at first, where they begin near the end
STEPS, ROUNDS, ROUNDS_FEW = 1_000, 4, 8  # steps of the bound, passes over all designs; and of few sites
FIRST_STEPS = 400  # before the first pass over more than few sites, whose pool lacks much
AGAIN_STEPS, AFTER_STEPS = 150, 400  # from a start, before passes one and two; by trial on 1,000 sites
ROUNDS_MAX, POOR = 20, 0.05  # as many while the gap is wide: the pool may lack what scarce SKUs leave over
FAR = 0.02  # of the plan's cost: where a pass loses more of the bound, few steps do; by trial on 24 sites
AIM = 0.25  # share of the asked gap at which the bound stops rising
ENOUGH = 0.8  # of an earlier plan's gap, where a search begins with that plan
NEAR = 24  # designs of a site that a later search begins with, beside those that the model was given
REPAIRS = 4  # sets of SKUs tried until each site can be served within the caps


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
    run = Run(pricer, offers, pool, rules, settings, stop or Stop(), target, start)
    if _begin(run):
        _prove(run)
        complete(run)
        if not run.done():
            bound_in_parts(run)
    return run.solution()


def _begin(run: Run) -> bool:
    """Give each site a design that can be bought, of its region's kind; whether enough sites have one."""
    cost = run.relax.cost_at(run.at)
    every = np.isfinite(run.relax.least(cost)[0].min(axis=1)).all()
    if every and np.isfinite(run.relax.sites_side(cost)[0]):
        return True
    exact = run.price_out(Bound(value=-np.inf, at=run.at, steps=0), slack=0.0, designs_max=ADDED_LEAST)
    run.take_in(exact.designs)
    return bool(np.isfinite(run.bound))


def _prove(run: Run) -> None:
    """Raise the bound over the pool, certify it over all designs, take in what was missing; repeat."""
    far = run.few
    for passes in range(ROUNDS_MAX):
        if passes >= (ROUNDS_FEW if run.few else ROUNDS) and run.within(POOR):
            break
        steps = _steps_of(run, passes, far=far)
        top = ascend(
            run.relax,
            run.at,
            run.best,
            steps=steps,
            gap=max(AIM * run.settings.gap, ENOUGH * run.enough if run.known else 0.0),
            stop=run.stop,
            target=run.target,
            scale=SCALE if run.known else 1.0,
        )
        run.steps += top.steps
        _standardise(run, top)
        settle(run.relax, run.best, run.stop)
        # What a run that ends at once has is proven too.
        if np.isfinite(run.bound) and (run.stop.due() or run.done()):
            break
        exact = run.price_out(
            top,
            slack=0.0,
            designs_max=max(ADDED_LEAST, ADDED_MAX // run.sites),
            meanwhile=_search(run, top),
        )
        new = run.take_in(exact.designs) or _widen(run)
        if run.done() or not (new or top.steps == steps < STEPS):  # of few steps more may raise the bound
            break
        if passes and not far and _settled(run, top):
            break
        far = run.few and top.value - run.bound > FAR * run.best.cost
    if (run.few or not run.searched) and run.within(POOR) and not run.done():
        _improve(run, run.at)  # over what the last pass took in too; plans in parts take longer
    pool = run.relax.pool
    run.near = pool.designs.take(pool.nearest(run.relax.reduced_cost(run.at), NEAR))


def _steps_of(run: Run, passes: int, *, far: bool) -> int:
    """Steps of the bound before a pass over all designs: few while passes lose much of it.

    That is the case of few sites where the last pass lost much (`far`), of many before their first one, and
    of a search from a start, which is near already.
    """
    if run.few or (run.known and run.target is not None):
        return FIRST_STEPS if far else STEPS
    own = (AGAIN_STEPS, AFTER_STEPS) if run.known else (FIRST_STEPS,)
    return own[passes] if passes < len(own) else STEPS


def _search(run: Run, top: Bound) -> Callable[[], None] | None:
    """A search for a better plan while sites are priced, unless that may prove this one good enough."""
    hoped = run.best.cost - top.value <= run.enough * run.best.cost
    if hoped or run.done() or not run.within(POOR):
        return None
    return partial(_improve, run, top.at)


def _improve(run: Run, at: Multipliers) -> None:
    """Search for a better plan over the designs that are near the least at some multipliers."""
    run.searched = True
    improve(run.relax, run.best, run.relax.reduced_cost(at), run.pricer.market.category, run.stop)


def _settled(run: Run, top: Bound) -> bool:
    """Whether the proof is nearly as high as the pool's bound, and not even that is as good as asked."""
    near = top.value - run.bound <= AIM * run.settings.gap * run.best.cost
    return near and run.best.cost - top.value > run.enough * run.best.cost


def _standardise(run: Run, top: Bound) -> None:
    """Where categories have caps: find SKUs to keep to, and take in the best designs with them."""
    if not run.relax.caps or run.stop.due():
        return
    protected = np.zeros(len(run.relax.curves.tiered), dtype=bool)
    for _ in range(REPAIRS):
        choice = run.relax.sites_side(run.relax.cost_at(top.at))[1]
        barred = settle_standards(run.relax, choice, run.best, protected, run.stop)
        exact = run.price_out(top, slack=0.0, designs_max=ADDED_LEAST, barred=barred)
        unserved = ~np.isfinite(exact.least).any(axis=1)
        # Keep what the cheapest designs of such sites use.
        for d in choice[unserved & (choice != NOBODY)]:
            used = run.relax.pool.designs.usage[int(d)].indices
            protected |= np.isin(run.relax.curves.tiered, used)
        run.take_in(exact.designs)
        if not unserved.any() or run.stop.due():
            break
    choice = run.relax.sites_side(run.relax.cost_at(top.at))[1]
    settle_standards(run.relax, choice, run.best, protected, run.stop)


def _widen(run: Run) -> bool:
    """Take in designs that are cheap at the start's multipliers, where the pool's own lead astray."""
    if run.widened or run.within(POOR):
        return False
    run.widened = True
    at = Bound(value=-np.inf, at=run.relax.start(), steps=0)
    slack, most = run.slack(run.bound), max(ADDED_LEAST, ADDED_MAX // run.sites)
    return run.take_in(run.price_out(at, slack=slack, designs_max=most).designs)
