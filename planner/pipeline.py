"""The only place that knows the order: tables, climate, demand, designs, fleet, procurement, plan."""

import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from itertools import product
from pathlib import Path

import numpy as np

from planner.climate import best_tilt, day_hours, lit_fraction
from planner.demand import KitResult, enumerate_kits, schedule_hours, site_load_wh
from planner.designs import Choice, SiteInputs, blocking_rule, make_catalogue_arrays, site_options
from planner.errors import Refusal, SolverError
from planner.existing import (
    Gear,
    available,
    blocking_parts,
    in_whole,
    kept_refusal,
    kit_key,
    power_parts,
    site_gear,
)
from planner.fleet import FleetSolution, Outcome, candidates, make_market
from planner.fleet.buying import IntArray
from planner.fleet.fitting_misses import no_fitting
from planner.fleet.not_for_sale import not_for_sale
from planner.fleet.pool import Pool
from planner.fleet.pricing import Option, Pricer, SiteOffer, make_fittings, make_part_index
from planner.fleet.relaxation import NOBODY
from planner.fleet.stop import Ended, Stop
from planner.outputs import Fleet, SiteDesign, make_plan
from planner.plan import Plan, check_target, write_plan
from planner.purchase import buy
from planner.scenario import Scenario, read_scenario
from planner.site_climates import site_conditions, site_planes
from planner.sites import (
    FloatArray,
    enclosure_damping_k,
    month_values,
    recovery_days_max,
    wind_design_m_s,
)
from planner.tables.price_lists import PriceLists
from planner.tables.rows import MonthQuantity
from planner.why_not import blocked, with_reasons

CACHE_SITES = 400  # fleets up to this size keep every site's feasible designs in memory

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


def plan_folder(
    scenario: Path,
    out: Path,
    *,
    overrides: Mapping[str, str] | None = None,
    price_lists: PriceLists | None = None,
    progress: Progress = no_progress,
    stop: Stop | None = None,
) -> tuple[Plan, list[str]]:
    """Read a scenario, plan its fleet, write the plan; returns the plan and the files written.

    `price_lists` are laid over the scenario's prices. `stop` may be asked from outside to end the search with
    the best plan so far.

    Raises
    ------
    InputError
        With every problem of the scenario.
    OutputError
        The plan may not be written to `out`.
    SolverError
        No plan was found.
    """
    check_target(out, inputs=[scenario])
    clock = Clock()
    with clock.stage("read"):
        checked = read_scenario(scenario, overrides=overrides or {}, price_lists=price_lists)
    plan = plan_fleet(checked, progress=progress, clock=clock, stop=stop)
    if plan.unserved and plan.manifest["outcome"] not in EARLY:
        with clock.stage("why not"):
            progress("why not", 0, 1)
            plan = with_reasons(plan, list(blocked(checked, plan, plan_fleet)), clock.seconds)
    with clock.stage("write"):
        return plan, write_plan(plan, out)


def plan_fleet(
    scenario: Scenario,
    *,
    progress: Progress = no_progress,
    clock: Clock | None = None,
    stop: Stop | None = None,
) -> Plan:
    """Plan a scenario's fleet.

    A site without a feasible design, or for which budget or stock does not reach, does not stop the others:
    it comes back in `Plan.unserved` with the rule that blocks it.

    Raises
    ------
    SolverError
        No plan was found for the sites that have designs.
    """
    clock, stop = clock or Clock(), stop or Stop()
    with clock.stage("climate"):
        progress("climate", 0, len(scenario.tables.sites))
        fleet = prepare(scenario)
    with clock.stage("demand"):
        progress("demand", 0, 1)
        fleet_kits(fleet)
        fleet.tilts[:] = choose_tilts(fleet)
    with clock.stage("designs"):
        offers = SiteOffers(fleet, progress)
        pool = candidates(fleet.pricer, offers, sites=len(scenario.tables.sites))
    with clock.stage("fleet"):
        progress("fleet", 0, 1)
        stop.begin(scenario.settings.solver.time_limit_s)
        solution = choose(fleet, offers, pool, stop) if pool is not None else None
    with clock.stage("tables"):
        progress("tables", 0, 1)
        designs = chosen_designs(fleet, solution) if solution else []
        return make_plan(fleet, designs, solution, clock.seconds)


def choose(fleet: Fleet, offers: "SiteOffers", pool: Pool, stop: Stop) -> FleetSolution:
    """The fleet's plan; the sites that wait are noted in `fleet.refusals`.

    Raises
    ------
    SolverError
        No plan was found.
    """
    bought = buy(fleet.scenario, fleet.pricer, fleet.catalogue, offers, pool, stop=stop)
    if bought.solution.choice is None:
        raise SolverError(f"no plan was found for the {pool.sites} sites that have designs: {_why(stop)}")
    for i, refusal in bought.waiting.items():
        fleet.refusals[fleet.scenario.tables.sites[i].site_id] = refusal
    return bought.solution


def _why(stop: Stop) -> str:
    if stop.why is Ended.TIME_LIMIT:
        return "the time limit came first; raise solver.time_limit_s"
    if stop.why is Ended.INTERRUPT:
        return "it was interrupted first"
    return "the rules of the purchase leave none; see stock, category_rules and sku_rules"


def prepare(scenario: Scenario) -> Fleet:
    """Market, catalogue and climate of the scenario's sites.

    Raises
    ------
    InputError
        With every problem of the weather files.
    """
    tables, settings = scenario.tables, scenario.settings
    market = make_market(scenario)
    catalogue = make_catalogue_arrays(tables, frozenset(market.skus))
    pricer = Pricer(
        market=market,
        fittings=make_fittings(tables.balance, market, enclosures_max=settings.policy.enclosures_max),
        parts=make_part_index(catalogue, market),
    )
    found = site_conditions(scenario)
    arrays = found.arrays
    plane = site_planes(found, pricer.fittings.tilts_allowed(settings.climate.tilts_deg))
    hours = schedule_hours(
        day_hours(arrays.latitude_deg), lit_fraction(arrays.latitude_deg), tables.schedules
    )
    return Fleet(
        scenario=found.scenario,
        market=market,
        catalogue=catalogue,
        arrays=arrays,
        climate=found.climate,
        plane=plane,
        hours=hours,
        day_hours=day_hours(arrays.latitude_deg),
        kits={},
        other_supply_wh_day=np.nan_to_num(month_values(scenario, MonthQuantity.OTHER_SUPPLY)),
        tilts=[],
        refusals={},
        pricer=pricer,
        gear=site_gear(found.scenario),
    )


def fleet_kits(fleet: Fleet) -> None:
    """Enumerate the kits of every site at every system voltage that it may have."""
    for i, site in enumerate(fleet.scenario.tables.sites):
        for voltage in site_voltages(site.system_voltage_v, fleet.scenario):
            site_kits(fleet, i, voltage, fleet.gear[i])


def site_kits(fleet: Fleet, i: int, voltage: int, gear: Gear) -> KitResult:
    """Kits of the i-th site at a system voltage; sites that are alike in what decides them share them."""
    tables, sold = fleet.scenario.tables, fleet.market.sold
    key = kit_key(tables.sites[i].load_profile, voltage, gear, tables, sold)
    if key not in fleet.kits:
        fleet.kits[key] = enumerate_kits(
            tables,
            load_profile=key.load_profile,
            system_voltage_v=voltage,
            settings=fleet.scenario.settings,
            sold=sold | key.unsold,
            limits=key.limits,
        )
    return fleet.kits[key]


def site_voltages(stated: int | None, scenario: Scenario) -> tuple[int, ...]:
    """System voltages to try at a site."""
    return (stated,) if stated is not None else tuple(sorted(set(scenario.settings.policy.system_voltages_v)))


def choose_tilts(fleet: Fleet) -> list[tuple[int, ...]]:
    """Tilts to design for at each site, the best first: the best of all, and the best that each mount takes.

    The best is judged by the course of the site's load over the year, from its first kit. A mount that is
    cheap but does not reach the best tilt is so weighed against a dearer one that does.
    """
    shape, plane = load_shape(fleet), fleet.plane
    policy, sites = fleet.scenario.settings.policy, fleet.scenario.tables.sites
    wind = np.array([wind_design_m_s(site, policy) or 0.0 for site in sites])
    fits = fleet.pricer.fittings.mounts_fit(plane.surface_tilt_deg, wind[:, None])  # (S, T, mounts)
    mounts = [fleet.market.skus[k] for k in fleet.pricer.fittings.mount_sku]
    there = [available(mounts, gear, fleet.market.sold) for gear in fleet.gear]
    fits &= np.array(there, dtype=bool).reshape(len(sites), 1, len(mounts))
    masks = [fits.any(axis=2), *np.moveaxis(fits, 2, 0)]
    none = ~masks[0].any(axis=1)
    tilts: list[list[int]] = [[] for _ in sites]
    for mask in masks:
        poa = np.where(mask[:, None, :] | none[:, None, None], plane.poa_wh_m2_day, -1.0)
        best = best_tilt(replace(plane, poa_wh_m2_day=poa), shape)
        for i in np.flatnonzero(mask.any(axis=1) | none).tolist():
            if int(best[i]) not in tilts[i]:
                tilts[i].append(int(best[i]))
    return [tuple(some) for some in tilts]


def load_shape(fleet: Fleet) -> FloatArray:
    """Course of each site's net load over the year (S, 12), from its first kit; even without one."""
    sites = fleet.scenario.tables.sites
    shape = np.ones((len(sites), 12))
    for i, site in enumerate(sites):
        voltages = site_voltages(site.system_voltage_v, fleet.scenario)
        results = (site_kits(fleet, i, v, fleet.gear[i]) for v in voltages)
        kit = next((result.kits[0] for result in results if result.kits), None)
        if kit is not None:
            day, night = site_load_wh([kit], fleet.site_hours(i), 0.0)
            shape[i] = np.maximum((day + night)[0, 0] - fleet.other_supply_wh_day[i], 0.0)
    return shape


class SiteOffers:
    """Every site with its feasible designs; iterated anew for each pass over them.

    The first pass notes the sites without any, with the rule that blocks them, in `fleet.refusals`. A fleet
    of up to `CACHE_SITES` keeps its designs; a larger one makes them anew, to hold one site's at a time.
    """

    def __init__(self, fleet: Fleet, progress: Progress = no_progress) -> None:
        self.fleet, self.progress = fleet, progress
        self.kept: list[SiteOffer] | None = None
        self.places: list[int] | None = None

    def __iter__(self) -> Iterator[SiteOffer]:
        if self.kept is not None:
            yield from self.kept
        elif self.places is not None:
            yield from (site_designs(self.fleet, i, self.fleet.gear[i]) for i in self.places)
        else:
            yield from self._first()

    def _first(self) -> Iterator[SiteOffer]:
        sites, places, kept = self.fleet.scenario.tables.sites, [], []
        for i, site in enumerate(sites):
            self.progress("designs", i, len(sites))
            offer = offer_or_refusal(self.fleet, i)
            if isinstance(offer, Refusal):
                self.fleet.refusals[site.site_id] = offer
                continue
            places.append(i)
            if len(sites) <= CACHE_SITES:
                kept.append(offer)
            yield offer
        self.places = places
        self.kept = kept if len(sites) <= CACHE_SITES else None


def offer_or_refusal(fleet: Fleet, i: int) -> SiteOffer | Refusal:
    """Feasible designs of the i-th site, or why it has none."""
    site = fleet.scenario.tables.sites[i]
    if fleet.climate.refusal[i]:
        return Refusal(rule="no-climate", subject=site.site_id, message=fleet.climate.refusal[i])
    gear, able = fleet.gear[i], fleet.pricer.buildable
    offer = site_designs(fleet, i, gear)
    if able(offer):
        return offer
    blocking = blocking_parts(gear, lambda other: able(site_designs(fleet, i, other)))
    if gear.must and not blocking:
        gear = gear.free(gear.must)
        offer = site_designs(fleet, i, gear)
    why = why_not(fleet, i, gear, offer)
    return kept_refusal(gear, blocking, why) if blocking else why


def why_not(fleet: Fleet, i: int, gear: Gear, offer: SiteOffer) -> Refusal:
    """Why the i-th site has no design with some gear, or none that can be mounted and housed."""
    site, available = fleet.scenario.tables.sites[i], fleet.market.sold | set(gear.units)
    voltages = site_voltages(site.system_voltage_v, fleet.scenario)
    kits = any(site_kits(fleet, i, v, gear).kits for v in voltages)
    unsold = not_for_sale(fleet.scenario, available, site.load_profile, kits=kits)
    if unsold or not offer.options:
        return unsold or explain(fleet, i, gear)
    return no_fitting(site.site_id, fleet.pricer, offer)


def site_designs(fleet: Fleet, i: int, gear: Gear) -> SiteOffer:
    """Feasible designs of the i-th site with some gear, at each voltage and tilt."""
    site, settings = fleet.scenario.tables.sites[i], fleet.scenario.settings
    parts, index = power_parts(fleet.catalogue, gear, fleet.market.sold), fleet.market.index
    found = []
    for voltage in site_voltages(site.system_voltage_v, fleet.scenario):
        for tilt in fleet.tilts[i]:
            inputs = site_inputs(fleet, i, voltage, tilt, gear)
            if inputs is None:
                break
            designs = site_options(
                inputs, catalogue=parts.catalogue, system_voltage_v=voltage, settings=settings
            )
            if designs.modules_parallel.size:
                designs = in_whole(designs, parts)
                degrees = float(fleet.plane.surface_tilt_deg[i, tilt])
                found.append(Option(designs=designs, kits=inputs.kits, tilt=tilt, surface_tilt_deg=degrees))
    return SiteOffer(
        site=i,
        options=found,
        freight_per_kg=float(site.freight_per_kg),
        fixed_cost=float(site.access_cost) + settings.policy.installation_cost,
        wind_design_m_s=wind_design_m_s(site, settings.policy),
        damping_k=enclosure_damping_k(site, settings),
        existing={index[sku]: number for sku, number in gear.units.items()},
    )


def site_inputs(fleet: Fleet, i: int, voltage: int, tilt: int, gear: Gear) -> SiteInputs | None:
    """What the designs of the i-th site at a voltage and a tilt depend on; None without a kit."""
    site = fleet.scenario.tables.sites[i]
    kits = site_kits(fleet, i, voltage, gear).kits
    if not kits:
        return None
    climate, plane, policy = fleet.climate, fleet.plane, fleet.scenario.settings.policy
    day, night = site_load_wh(kits, fleet.site_hours(i), policy.load_margin)
    return SiteInputs(
        site_id=site.site_id,
        poa_wh_m2_day=plane.poa_wh_m2_day[i, :, tilt],
        poa_clipped_wh_m2_day=plane.poa_clipped_wh_m2_day[i, :, tilt],
        clip_irradiance_w_m2=plane.clip_irradiance_w_m2,
        temp_cell_c=plane.temp_cell_c[i, :, tilt],
        temp_air_c=climate.temp_air_c[i],
        temp_air_min_c=float(climate.temp_air_min_c[i]),
        temp_air_max_c=float(climate.temp_air_max_c[i]),
        temp_cold_spell_c=float(climate.temp_cold_spell_c[i]),
        temp_hot_month_c=float(climate.temp_hot_month_c[i]),
        day_hours=fleet.day_hours[i],
        other_supply_wh_day=fleet.other_supply_wh_day[i],
        autonomy_days=float(fleet.arrays.autonomy_days[i]),
        array_to_load_ratio=float(fleet.arrays.array_to_load_ratio[i]),
        module_area_max_m2=site.module_area_max_m2,
        bus_grounding=site.bus_grounding,
        enclosure_damping_k=site.enclosure_damping_k,
        enclosure_rise_k=site.enclosure_rise_k,
        recovery_days_max=recovery_days_max(site, policy),
        wind_design_m_s=wind_design_m_s(site, policy),
        units_least=gear.least,
        units_most=gear.most(fleet.market.sold),
        kits=kits,
        day_wh=day[0],
        night_wh=night[0],
    )


def explain(fleet: Fleet, i: int, gear: Gear) -> Refusal:
    """Why the i-th site has no design with some gear."""
    site = fleet.scenario.tables.sites[i]
    voltages = site_voltages(site.system_voltage_v, fleet.scenario)
    inputs = [
        (v, one)
        for v, tilt in product(voltages, fleet.tilts[i])
        if (one := site_inputs(fleet, i, v, tilt, gear)) is not None
    ]
    refusals = [r for v in voltages for r in site_kits(fleet, i, v, gear).refusals]
    return blocking_rule(
        site.site_id,
        inputs,
        kit_refusals=refusals,
        catalogue=power_parts(fleet.catalogue, gear, fleet.market.sold).catalogue,
        settings=fleet.scenario.settings,
    )


def chosen_designs(fleet: Fleet, solution: FleetSolution) -> list[SiteDesign]:
    """The design of each site that has one, from the pool."""
    return [
        chosen_design(fleet, solution, int(i), int(d))
        for i, d in zip(solution.pool.place, _chosen(solution), strict=True)
        if d != NOBODY
    ]


def _chosen(solution: FleetSolution) -> IntArray:
    assert solution.choice is not None  # `choose` raises without a plan
    return solution.choice


def chosen_design(fleet: Fleet, solution: FleetSolution, i: int, d: int) -> SiteDesign:
    """The d-th design of the pool, at the i-th site."""
    market, fittings = fleet.market, fleet.pricer.fittings
    one = {name: values[d].item() for name, values in solution.pool.designs.column.items()}
    inputs = site_inputs(fleet, i, one["system_voltage_v"], one["tilt"], fleet.gear[i])
    assert inputs is not None  # the design has a kit
    bought = solution.pool.designs.usage[d].tocoo()
    return SiteDesign(
        site=i,
        system_voltage_v=one["system_voltage_v"],
        surface_tilt_deg=float(fleet.plane.surface_tilt_deg[i, one["tilt"]]),
        kit=inputs.kits[one["kit"]],
        inputs=inputs,
        choice=Choice(**{name: one[name] for name in Choice.__dataclass_fields__}),
        mount_sku=market.skus[fittings.mount_sku[one["mount"]]],
        mounts=one["mounts"],
        enclosure_sku=market.skus[fittings.enclosure_sku[one["enclosure"]]],
        enclosures=one["enclosures"],
        bought={market.skus[k]: round(n) for k, n in zip(bought.col, bought.data, strict=True)},
    )
