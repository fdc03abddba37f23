"""An earlier plan's designs: found among what its sites can be built as today, and kept where asked.

A design is its hardware: the same parts in the same numbers, joined and set alike, on the same tilt. It can
stay only where today's rules, loads, climate and parts on sale make it one of the site's designs still.
"""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

import numpy as np

from planner.errors import InputError, Problem
from planner.fleet import FleetSolution, Outcome
from planner.fleet.buying import IntArray
from planner.fleet.curves import make_curves
from planner.fleet.expand import cheapest_designs
from planner.fleet.pool import Column, Designs, Pool
from planner.fleet.relaxation import NOBODY, BoolArray, Relaxation
from planner.fleet.rules import Rules
from planner.fleet.steady import ROUNDING, Steady, steady_choice
from planner.outputs.site_rows import kit_words
from planner.plan import Plan
from planner.scenario import Scenario
from planner.settings import SolverSettings
from planner.sizing import Fleet, site_kits, site_offer
from planner.tables.plan_files import MANIFEST, WrittenPlan
from planner.tables.plan_rows import DESIGN_COUNTS, SiteDesignRow

VOLTS = 0.005 + 1e-6  # tables have setpoints of strings to two decimals
DEGREES = 1e-4  # files keep nine significant digits
ANY_COST, ANY_NUMBER = 1e300, 1 << 40  # of designs; what cannot be bought costs infinitely much


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierPlan:
    """Designs of an earlier plan by site, and the share of a design's cost that leaving it must save.

    `stamp` is the SHA-256 of the plan's manifest, which holds those of its tables.
    """

    designs: Mapping[str, SiteDesignRow]
    share: float
    stamp: str

    def worth(self, site_id: str, objective: str) -> float:
        """What leaving the design of a site must save, currency: the share of its earlier cost there."""
        row = self.designs[site_id]
        return self.share * float(row.lifetime_cost if objective == "lifetime" else row.site_cost)


def stamp_of(plan: WrittenPlan) -> str:
    """SHA-256 of a plan's manifest."""
    return hashlib.sha256(json.dumps(plan.manifest, sort_keys=True).encode()).hexdigest()


def earlier_plan(plan: WrittenPlan | None, scenario: Scenario) -> EarlierPlan | None:
    """The earlier plan whose designs a scenario asks to keep; None where it asks for none.

    Raises
    ------
    InputError
        Its money is in another currency.
    """
    settings = scenario.settings
    if plan is None or not settings.purchase.keep_share:
        return None
    if plan.manifest["currency"] != settings.currency:
        problem = Problem(
            code="two-currencies",
            file=str(plan.folder / MANIFEST),
            column="currency",
            value=str(plan.manifest["currency"]),
            message=f"differs from {settings.currency} of the scenario",
            remedy="plan the earlier scenario in this currency, with a row in fx",
        )
        raise InputError([problem])
    return _designs_of(plan, settings.purchase.keep_share)


def kept_to(plan: WrittenPlan, later: WrittenPlan) -> EarlierPlan | None:
    """A plan as the one whose designs a later plan was to keep; None where it was not."""
    said = later.manifest.get("kept_designs")
    if not isinstance(said, Mapping) or said.get("earlier_plan") != stamp_of(plan):
        return None
    return _designs_of(plan, float(said["keep_share"]))


def _designs_of(plan: WrittenPlan, share: float) -> EarlierPlan:
    rows = plan.tables["site_designs"]
    return EarlierPlan(designs={row.site_id: row for row in rows}, share=share, stamp=stamp_of(plan))


def keep_designs(
    fleet: Fleet, earlier: EarlierPlan, solution: FleetSolution, rules: Rules, budget: float
) -> FleetSolution:
    """A solution in which sites keep their earlier designs where leaving them saves too little.

    Its bound stays that of the cheapest plan.
    """
    assert solution.choice is not None
    pool, free, found = _with_earlier(fleet, earlier, solution)
    sites, objective = fleet.scenario.tables.sites, fleet.scenario.settings.objective
    ids = [sites[i].site_id for i in pool.place.tolist()]
    asked = np.array([site_id in earlier.designs for site_id in ids]) & (free != NOBODY)
    pairs = zip(ids, asked, strict=True)
    worth = np.array([earlier.worth(one, objective) if had else 0.0 for one, had in pairs])
    needs = fleet.market.needs(pool.most)
    relax = Relaxation(pool, needs, make_curves(needs, counted=rules.counted), rules)
    choice = steady_choice(relax, free, found, worth, budget=budget)
    cost = relax.cost(choice) if (choice != free).any() else solution.cost
    return replace(
        solution,
        pool=pool,
        choice=choice,
        cost=cost,
        outcome=_outcome(solution, cost, fleet.scenario.settings.solver),
        steady=Steady(free=free, earlier=found, impossible=asked & (found == NOBODY)),
    )


def with_kept(plan: Plan, earlier: EarlierPlan, solution: FleetSolution, cheapest: Decimal) -> Plan:
    """A plan that says which sites keep their earlier design, and what that costs over the cheapest plan.

    Parameters
    ----------
    plan : Plan
        Of the solution.
    earlier : EarlierPlan
    solution : FleetSolution
        As `keep_designs` gave it.
    cheapest : Decimal
        Objective of the cheapest plan found, without the earlier one.
    """
    steady, choice, places = solution.steady, solution.choice, solution.pool.place
    assert steady is not None
    assert choice is not None

    def sites(which: BoolArray) -> list[str]:
        return sorted(plan.scenario.tables.sites[i].site_id for i in places[which])

    had, stays = steady.earlier != NOBODY, choice == steady.earlier
    said = {
        "earlier_plan": earlier.stamp,
        "keep_share": earlier.share,
        "sites_alike": int((had & stays & (choice == steady.free)).sum()),
        "kept": sites(had & stays & (choice != steady.free)),
        "changed": sites(had & ~stays),
        "cannot_stay": sites(steady.impossible),
        "cost_over_cheapest": str(Decimal(plan.manifest["objective"]) - cheapest),
    }
    return replace(plan, manifest={**plan.manifest, "kept_designs": said})


def _outcome(solution: FleetSolution, cost: float, solver: SolverSettings) -> Outcome:
    """How far the plan is proven as it is now."""
    if solution.outcome not in (Outcome.OPTIMAL, Outcome.WITHIN_GAP):
        return solution.outcome
    gap = (cost - solution.best_bound) / cost if cost else 0.0
    if gap <= ROUNDING:
        return Outcome.OPTIMAL
    return Outcome.WITHIN_GAP if gap <= max(solver.gap, ROUNDING) else Outcome.DESIGNS_KEPT


def _with_earlier(
    fleet: Fleet, earlier: EarlierPlan, solution: FleetSolution
) -> tuple[Pool, IntArray, IntArray]:
    """The pool with earlier designs, and places in it of the solution's choice and of these (S,)."""
    pool, choice = solution.pool, solution.choice
    assert choice is not None
    sites = fleet.scenario.tables.sites
    rows = {
        s: row
        for s, i in enumerate(pool.place.tolist())
        if choice[s] != NOBODY and (row := earlier.designs.get(sites[i].site_id)) is not None
    }
    column = pool.designs.column
    same = {s for s, row in rows.items() if matching(fleet, int(pool.place[s]), column, row, choice[[s]])[0]}
    sized = {s: sized_as(fleet, int(pool.place[s]), s, row) for s, row in rows.items() if s not in same}
    more = {s: one for s, one in sized.items() if one is not None}
    wider = pool.with_designs(list(more.values()))
    free = np.where(choice == NOBODY, NOBODY, choice - pool.start + wider.start)
    ends = np.append(wider.start[1:], wider.size)
    found = np.full(len(choice), NOBODY)
    found[sorted(same)] = free[sorted(same)]
    for s in more:
        own = np.arange(wider.start[s], ends[s])
        found[s] = own[matching(fleet, int(pool.place[s]), wider.designs.column, rows[s], own)][0]
    return wider, free, found


def sized_as(fleet: Fleet, i: int, s: int, row: SiteDesignRow) -> Designs | None:
    """The i-th site's design of today, site s of the pool, that is an earlier design; None without.

    The site is sized with the earlier design's parts alone, so that this costs little.
    """
    only = {row.module_sku, row.controller_sku, row.battery_sku}
    offer, pricer = site_offer(fleet, i, fleet.gear[i], only), fleet.pricer
    if not offer.options:
        return None
    table = pricer.landed(pricer.market.low_price, offer)
    priced = [pricer.price(option, table, offer) for option in offer.options]
    designs, _ = cheapest_designs(pricer, offer, s, priced, table, ANY_COST, ANY_NUMBER)
    hits = np.flatnonzero(matching(fleet, i, designs.column, row, np.arange(len(designs.site))))
    return designs.take(hits[:1]) if len(hits) else None


def matching(fleet: Fleet, i: int, column: Column, row: SiteDesignRow, some: IntArray) -> BoolArray:
    """Which of some designs (n,) of the i-th site are an earlier design."""
    same = _alike(fleet, i, column.take(some), row)
    if not same.any():
        return same
    kits = site_kits(fleet, i, row.system_voltage_v, fleet.gear[i]).kits
    wanted = {name: getattr(row, name) for name in kit_words(kits[0])}
    kit = np.where(same, column.kit[some], 0)  # places of kits count at one voltage alone
    return np.asarray(same & np.array([kit_words(one) == wanted for one in kits])[kit], dtype=bool)


def _alike(fleet: Fleet, i: int, c: Column, row: SiteDesignRow) -> BoolArray:
    """Which designs (n,) of the i-th site are an earlier one but for the kit."""
    f, cat = fleet.pricer.fittings, fleet.catalogue
    same = np.asarray(c.system_voltage_v == row.system_voltage_v, dtype=bool)
    for name in DESIGN_COUNTS:
        same &= getattr(c, name) == getattr(row, name)
    same &= _named(cat.module_sku, row.module_sku)[c.module]
    same &= _named(cat.controller_sku, row.controller_sku)[c.controller]
    same &= _named(cat.battery_sku, row.battery_sku)[c.battery]
    skus = fleet.market.skus
    same &= _named([skus[k] for k in f.mount_sku], row.mount_sku)[c.mount]
    same &= _named([skus[k] for k in f.enclosure_sku], row.enclosure_sku)[c.enclosure]
    same &= np.abs(fleet.plane.surface_tilt_deg[i][c.tilt] - row.surface_tilt_deg) < DEGREES
    same &= np.abs(c.charge_setpoint_v * c.batteries_series - row.charge_setpoint_v) < VOLTS
    return same


def _named(skus: Sequence[str], sku: str) -> BoolArray:
    """Which SKUs are this one."""
    return np.array([one == sku for one in skus], dtype=bool)
