"""The only place that knows the order: tables, climate, demand, designs, fleet, procurement, plan, audit."""

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

from planner.availability import fleet_curves, prove, raise_curves, simulated
from planner.earlier import EarlierPlan, earlier_plan, keep_designs, with_kept
from planner.errors import SolverError
from planner.executors import each
from planner.fleet import Market, Outcome, candidates, make_market
from planner.fleet.pool import Pool
from planner.fleet.start import Start
from planner.fleet.stop import Ended, Stop
from planner.grounds import begin_kits, choose_tilts, kit_draws, prepare
from planner.outputs import SiteDesign, chosen_designs, make_plan, objective_of, site_upkeep
from planner.plan import Plan, check_target, write_plan
from planner.purchase import Bought, buy
from planner.referee import begin_tally
from planner.reliability import Proof
from planner.reuse import SKETCHED_MAX, Kept, kept_of, reusable
from planner.scenario import Scenario, read_scenario
from planner.sizing import Fleet, FleetSites, ready_workers
from planner.tables.plan_files import WrittenPlan
from planner.tables.price_lists import PriceLists
from planner.why_not import blocked, with_reasons

AUDIT_FAILED = "audit_failed"  # outcome of a plan that its own audit refuses

USED_AGAIN = "designs, curves and multipliers are used again"
OTHER_SKUS = "nothing is used again, as other SKUs are for sale"

EARLY = (Outcome.TIME_LIMIT, Outcome.INTERRUPTED)  # a search that ended early asks no further question

#: Called with the stage's name, the units done and their number.
Progress = Callable[[str, int, int], None]


def no_progress(stage: str, done: int, total: int) -> None:
    """Say nothing."""


@dataclass(slots=True)
class Clock:
    """Seconds by stage."""

    seconds: dict[str, float] = field(default_factory=dict)

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Add the time spent inside to a stage."""
        start = time.perf_counter()
        try:
            yield
        finally:
            self.seconds[name] = self.seconds.get(name, 0.0) + time.perf_counter() - start


@dataclass(frozen=True, slots=True, kw_only=True)
class Machines:
    """Where the work on sites is done; it changes nothing in a plan.

    `workers` are processes of this machine, 1 for this one alone, None for as many as the fleet deserves;
    `cluster` is the address of a Dask scheduler, whose workers then do it.
    """

    workers: int | None = None
    cluster: str | None = None

    @property
    def here(self) -> int | None:
        """Processes of this machine for what never goes to a cluster."""
        return self.workers if self.cluster is None else 1


THIS_MACHINE = Machines()


def plan_folder(
    scenario: Path,
    out: Path,
    *,
    overrides: Mapping[str, str] | None = None,
    price_lists: PriceLists | None = None,
    earlier: WrittenPlan | None = None,
    progress: Progress = no_progress,
    stop: Stop | None = None,
    machines: Machines = THIS_MACHINE,
) -> tuple[Plan, list[str]]:
    """Read a scenario, plan its fleet, write the plan and have it audited; returns it and the files written.

    The audit rechecks what was written, before it takes its place. A plan that does not pass is written
    all the same, for a look at it, with the outcome `audit_failed`.

    `price_lists` are laid over the scenario's prices. Designs of an `earlier` plan stay as
    `purchase.keep_share` asks. `stop` may be asked from outside to end the search with the best plan so far.

    Raises
    ------
    InputError
        With every problem of the scenario; or the earlier plan, to be kept to, is in another currency.
    OutputError
        The plan may not be written to `out`.
    SolverError
        No plan was found.
    WorkerError
        Workers died again and again, or no cluster answers.
    """
    check_target(out, inputs=[scenario])
    clock, stop = Clock(), stop or Stop()
    with clock.stage("read"):
        checked = read_scenario(scenario, overrides=overrides or {}, price_lists=price_lists)
    sites = len(checked.tables.sites)
    known, why_none = reusable(earlier, checked) if earlier is not None else (None, "")
    plan = plan_fleet(
        checked,
        earlier=earlier_plan(earlier, checked),
        known=known,
        progress=progress,
        clock=clock,
        stop=stop,
        machines=machines,
    )
    if why_none:
        plan = replace(plan, reuse=why_none)
    if plan.unserved and plan.manifest["outcome"] not in EARLY:
        with clock.stage("why not"):
            progress("why not", 0, 1)
            again = partial(plan_fleet, progress=partial(unless_asked, stop), stop=stop, machines=machines)
            plan = with_reasons(plan, list(blocked(checked, plan, again, stop)), clock.seconds)

    def seal(folder: Path) -> Callable[[], dict[str, Any]]:
        with clock.stage("audit"):
            progress("audit", 0, 1)
            wait = begin_tally(folder, checked, partial(each, sites=sites, workers=machines.here))

        def found() -> dict[str, Any]:
            with clock.stage("audit"):
                audit = wait()
            failed = {} if audit.passed else {"outcome": AUDIT_FAILED}
            return {"audit": audit.summary(), **failed}

        return found

    manifest, files = write_plan(plan, out, scenario=scenario, price_lists=price_lists, seal=seal)
    return replace(plan, manifest=manifest), files


def unless_asked(stop: Stop, stage: str, done: int, total: int) -> None:
    """Progress of a plan that only explains another one: it ends between two stages or batches.

    Raises
    ------
    SolverError
        Somebody asked for the end.
    """
    if stop.asked:
        raise SolverError("it was interrupted first")


def plan_fleet(
    scenario: Scenario,
    *,
    earlier: EarlierPlan | None = None,
    known: Kept | None = None,
    simulate_all: bool = False,
    progress: Progress = no_progress,
    clock: Clock | None = None,
    stop: Stop | None = None,
    machines: Machines = THIS_MACHINE,
) -> Plan:
    """Plan a scenario's fleet.

    A site without a feasible design, or for which budget or stock does not reach, does not stop the others:
    it comes back in `Plan.unserved` with the rule that blocks it. Sites keep designs of an `earlier` plan
    where leaving them saves too little. The search begins with what is `known`, where it fits. With
    `simulate_all`, `Plan.availability` tells what every site has, also where none is asked.

    Raises
    ------
    SolverError
        No plan was found for the sites that have designs.
    WorkerError
        Workers died again and again, or no cluster answers.
    """
    clock, stop = clock or Clock(), stop or Stop()
    ready_workers(len(scenario.tables.sites), workers=machines.workers, cluster=machines.cluster)
    market, asked_known = make_market(scenario), known is not None
    known = known if known is not None and known.fits(market) else None
    fleet = ground_fleet(scenario, market, known, progress, clock, machines)
    with clock.stage("availability"):
        progress("availability", 0, 1)
        draws = kit_draws(fleet)
        curves = list(known.curves) if known is not None else fleet_curves(fleet, draws)
        fleet.curves[:] = curves
        fleet.upkeep[:] = [site_upkeep(fleet, i, some) for i, some in enumerate(draws)]
    bought, designs, proofs, sketches = proven_fleet(
        fleet, progress, clock, stop, machines, earlier, known
    )
    solution, most = (bought.solution, bought.most) if bought else (None, 0)
    with clock.stage("tables"):
        progress("tables", 0, 1)
        plan = make_plan(fleet, designs, solution, clock.seconds, served_most=most, proofs=proofs)
        if earlier is not None and solution is not None and solution.steady is not None:
            cheapest = chosen_designs(fleet, replace(solution, choice=solution.steady.free))
            plan = with_kept(plan, earlier, solution, objective_of(fleet, cheapest))
        if solution is not None and solution.start is not None:
            plan = replace(plan, kept=kept_of(fleet, solution.start, curves, sketches))
        if asked_known:
            plan = replace(plan, reuse=USED_AGAIN if known is not None else OTHER_SKUS)
    if not simulate_all:
        return plan
    with clock.stage("availability"):
        reached = simulated(fleet, designs, proofs)
        sites = scenario.tables.sites
        return replace(plan, availability={sites[i].site_id: one for i, one in reached.items()})


def ground_fleet(
    scenario: Scenario,
    market: Market,
    known: Kept | None,
    progress: Progress,
    clock: Clock,
    machines: Machines,
) -> Fleet:
    """The fleet with its climate, kits and tilts, known or made; kits are made beside the climate."""
    ground = known.ground if known is not None else None
    with clock.stage("climate"):
        progress("climate", 0, len(scenario.tables.sites))
        kits_known = ground.kits if ground is not None else ()
        kits = begin_kits(scenario, market, known=kits_known, workers=machines.here)
        fleet = prepare(scenario, market=market, ground=ground)
    with clock.stage("demand"):
        progress("demand", 0, 1)
        fleet.kits.update(kits)
        if not fleet.tilts:
            fleet.tilts[:] = choose_tilts(fleet)
    return fleet


def proven_fleet(
    fleet: Fleet,
    progress: Progress,
    clock: Clock,
    stop: Stop,
    machines: Machines,
    earlier: EarlierPlan | None = None,
    known: Kept | None = None,
) -> tuple[Bought | None, list[SiteDesign], list[Proof], Sequence[bytes]]:
    """The fleet designed, and again with raised curves where fresh years find a design wanting.

    The sketches of its sites, last, are those at the curves before any was raised.

    Raises
    ------
    SolverError
        No plan was found for the sites that have designs.
    """
    bought, designs, sketches = design_fleet(fleet, progress, clock, stop, machines, earlier, known)
    with clock.stage("availability"):
        proofs = prove(fleet, designs)
    for _ in range(fleet.scenario.settings.reliability.replans_max):
        missed = [proof for proof in proofs if proof.missed]
        if not missed or stop.why is not None:
            break
        before = list(fleet.curves), dict(fleet.refusals)
        raise_curves(fleet, missed)
        try:
            bought, designs, _ = design_fleet(fleet, progress, clock, stop, machines, earlier)
        except SolverError:  # ended before it had a plan: the one before stands, as it is
            fleet.curves[:] = before[0]
            fleet.refusals.clear()
            fleet.refusals.update(before[1])
            break
        with clock.stage("availability"):
            proofs = prove(fleet, designs)
    return bought, designs, proofs, sketches


def design_fleet(
    fleet: Fleet,
    progress: Progress,
    clock: Clock,
    stop: Stop,
    machines: Machines,
    earlier: EarlierPlan | None = None,
    known: Kept | None = None,
) -> tuple[Bought | None, list[SiteDesign], Sequence[bytes]]:
    """Designs of every site, the choice among them, and the sites' sketches to keep, packed.

    Sites without a design are noted in `fleet.refusals`.

    Raises
    ------
    SolverError
        No plan was found for the sites that have designs.
    """
    fleet.refusals.clear()
    number = len(fleet.scenario.tables.sites)
    with clock.stage("designs"):
        sites = FleetSites(
            fleet,
            progress=progress,
            workers=machines.workers,
            cluster=machines.cluster,
            known=known.known if known is not None else None,
        )
    with sites:
        with clock.stage("candidates"):
            if known is not None:
                pool: Pool | None = known.start.pool
            else:
                pool = candidates(fleet.pricer, sites, sites=number)
            sketches = sites.sketches() if number <= SKETCHED_MAX else iter(())
        with clock.stage("fleet"):
            progress("fleet", 0, 1)
            stop.begin(fleet.scenario.settings.solver.time_limit_s)
            start = known.start if known is not None else None
            bought = choose(fleet, sites, pool, stop, earlier, start) if pool is not None else None
            packed = tuple(sketches)
    return bought, chosen_designs(fleet, bought.solution) if bought else [], packed


def choose(
    fleet: Fleet,
    sites: FleetSites,
    pool: Pool,
    stop: Stop,
    earlier: EarlierPlan | None = None,
    start: Start | None = None,
) -> Bought:
    """The fleet's plan; the sites that wait are noted in `fleet.refusals`.

    Raises
    ------
    SolverError
        No plan was found.
    """
    keep = partial(keep_designs, fleet, earlier) if earlier is not None else None
    bought = buy(
        fleet.scenario, fleet.pricer, fleet.catalogue, sites, pool, stop=stop, keep=keep, start=start
    )
    if bought.solution.choice is None:
        raise SolverError(f"no plan was found for the {pool.sites} sites that have designs: {_why(stop)}")
    for i, refusal in bought.waiting.items():
        fleet.refusals[fleet.scenario.tables.sites[i].site_id] = refusal
    return bought


def _why(stop: Stop) -> str:
    if stop.why is Ended.TIME_LIMIT:
        return "the time limit came first; raise solver.time_limit_s"
    if stop.why is Ended.INTERRUPT:
        return "it was interrupted first"
    return "the rules of the purchase leave none; see stock, category_rules and sku_rules"
