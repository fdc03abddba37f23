"""One site: its inputs at a voltage and tilt, its designs, and why it has none."""

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from itertools import product

import numpy as np

from planner.demand import KitResult, drawn_wh, draws_of
from planner.designs import (
    CatalogueArrays,
    Prepared,
    SiteInputs,
    SiteParts,
    Sketch,
    as_kits,
    blocking_rule,
    ceilings,
    greatest_of_bands,
    least_of_bands,
    make_bands,
    make_outline,
    make_sketch,
    prepare,
    site_parts,
)
from planner.errors import Refusal
from planner.existing import Gear, KitKey, blocking_parts, kept_refusal, kit_key, kits_of, power_parts
from planner.fleet.buying import IntArray
from planner.fleet.fitting_misses import no_fitting
from planner.fleet.not_for_sale import not_for_sale
from planner.fleet.pricing import SiteOffer, make_boxes
from planner.fleet.shortlist import Draft, most_bought, nearest, outlooks, price_table, with_options
from planner.reliability import NO_STEP, Step
from planner.scenario import Scenario
from planner.sites import enclosure_damping_k, recovery_days_max, wind_design_m_s
from planner.sizing.ground import Fleet, KitGroup


@dataclass(frozen=True, slots=True, kw_only=True)
class Begun:
    """A site that has designs: its drafts, and its offer without options.

    `cost` is what a cheap design costs at the prices of single units, `least` what one does at the lowest.
    """

    drafts: list[Draft]
    offer: SiteOffer
    cost: float = np.inf
    least: float = np.inf


def site_voltages(stated: int | None, scenario: Scenario) -> tuple[int, ...]:
    """System voltages to try at a site."""
    return (stated,) if stated is not None else tuple(sorted(set(scenario.settings.policy.system_voltages_v)))


def site_kits(fleet: Fleet, i: int, voltage: int, gear: Gear) -> KitResult:
    """Kits of the i-th site at a system voltage; sites that are alike in what decides them share them."""
    key = _kit_key(fleet, i, voltage, gear)
    if key not in fleet.kits:
        fleet.kits[key] = kits_of(fleet.kit_ground, key)
    return fleet.kits[key]


def kit_group(fleet: Fleet, i: int, voltage: int, gear: Gear) -> KitGroup:
    """Kits of the i-th site at a system voltage, with all that its designs ask of them."""
    key = _kit_key(fleet, i, voltage, gear)
    if key not in fleet.groups:
        kits = as_kits(site_kits(fleet, i, voltage, gear).kits)
        fleet.groups[key] = KitGroup(
            kits=kits, draws=draws_of(kits), boxes=make_boxes(kits, fleet.market), bands=make_bands(kits)
        )
    return fleet.groups[key]


def _kit_key(fleet: Fleet, i: int, voltage: int, gear: Gear) -> KitKey:
    tables = fleet.scenario.tables
    return kit_key(tables.sites[i].load_profile, voltage, gear, tables, fleet.market.sold)


def begin(fleet: Fleet, i: int) -> Begun | Refusal:
    """What is sized of the i-th site before any cost is known, or why it has no design."""
    site = fleet.scenario.tables.sites[i]
    if fleet.climate.refusal[i]:
        return Refusal(rule="no-climate", subject=site.site_id, message=fleet.climate.refusal[i])
    gear = fleet.gear[i]
    begun = begin_with(fleet, i, gear)
    if begun is not None:
        return begun
    blocking = blocking_parts(gear, lambda other: begin_with(fleet, i, other) is not None)
    if gear.must and not blocking:
        gear = gear.free(gear.must)
    why = why_not(fleet, i, gear, site_offer(fleet, i, gear))
    return kept_refusal(gear, blocking, why) if blocking else why


def begin_with(fleet: Fleet, i: int, gear: Gear) -> Begun | None:
    """The i-th site with some gear; None where it has no design that can be bought, mounted and housed."""
    bare, some, pricer = bare_offer(fleet, i, gear), list(drafts(fleet, i, gear)), fleet.pricer
    bare = replace(bare, most=most_bought(pricer, bare, some))
    table = price_table(pricer, bare, fleet.market.list_price)
    cost, option = nearest(pricer, bare, outlooks(pricer, bare, some, table), table)
    if option is None:
        able = pricer.buildable(site_offer(fleet, i, gear))
        return Begun(drafts=some, offer=bare) if able else None
    table = price_table(pricer, bare, fleet.market.low_price)
    least = float(pricer.price(option, table, bare).cost.min())
    return Begun(drafts=some, offer=bare, cost=cost, least=least)


def why_not(fleet: Fleet, i: int, gear: Gear, offer: SiteOffer) -> Refusal:
    """Why the i-th site has no design with some gear, or none that can be mounted and housed."""
    site, available = fleet.scenario.tables.sites[i], fleet.market.sold | set(gear.units)
    voltages = site_voltages(site.system_voltage_v, fleet.scenario)
    kits = any(site_kits(fleet, i, v, gear).kits for v in voltages)
    unsold = not_for_sale(fleet.scenario, available, site.load_profile, kits=kits)
    if unsold or not offer.options:
        return unsold or explain(fleet, i, gear)
    return no_fitting(site.site_id, fleet.pricer, offer)


def site_offer(fleet: Fleet, i: int, gear: Gear, only: Collection[str] | None = None) -> SiteOffer:
    """Every design of the i-th site with some gear; of power parts for sale it has `only` some, if given."""
    every = (draft.every(np.arange(len(draft.kits))) for draft in drafts(fleet, i, gear, only, known=True))
    return with_options(bare_offer(fleet, i, gear), every)


def bare_offer(fleet: Fleet, i: int, gear: Gear) -> SiteOffer:
    """The i-th site with some gear as the fleet sees it, without its designs."""
    site, settings = fleet.scenario.tables.sites[i], fleet.scenario.settings
    index = fleet.market.index
    return SiteOffer(
        site=i,
        options=[],
        freight_per_kg=float(site.freight_per_kg),
        fixed_cost=float(site.access_cost) + settings.policy.installation_cost,
        wind_design_m_s=wind_design_m_s(site, settings.policy),
        damping_k=enclosure_damping_k(site, settings),
        existing={index[sku]: number for sku, number in gear.units.items()},
        upkeep=fleet.upkeep[i] if settings.objective == "lifetime" else None,
    )


def drafts(
    fleet: Fleet,
    i: int,
    gear: Gear,
    only: Collection[str] | None = None,
    *,
    known: bool = False,
    sketches: Iterable[Sketch] = (),
) -> Iterator[Draft]:
    """The i-th site with some gear, at each system voltage, step of its curve, and tilt.

    Where it is `known` what its designs take at most, that is not worked out; nor are `sketches` that it has
    already, in the same order.
    """
    sold, kept = fleet.market.sold, iter(sketches)
    parts = power_parts(fleet.catalogue, gear, sold if only is None else sold.intersection(only))
    site = fleet.scenario.tables.sites[i]
    voltages = site_voltages(site.system_voltage_v, fleet.scenario)
    made: SiteParts | None = None
    for voltage, step in product(voltages, fleet.steps(i)):
        like, outline = None, None
        for tilt in fleet.tilts[i]:
            inputs = site_inputs(fleet, i, voltage, tilt, gear, step)
            if inputs is None:
                break
            made = made or site_parts(inputs, parts.catalogue, fleet.scenario.settings)
            group = kit_group(fleet, i, voltage, gear)
            ground = _Ground(catalogue=parts.catalogue, voltage=voltage, parts=made)
            sketch, most = next(kept, None), None
            if sketch is None:
                like = _prepared(fleet, least_of_bands(inputs, group.bands), ground, like, ends=True)
                outline = outline or make_outline(like)
                sketch = make_sketch(outline, like)
                if not known:
                    most = ceilings(replace(like, inputs=greatest_of_bands(inputs, group.bands)))
            yield Draft(
                sketch=sketch,
                most=most,
                bands=group.bands,
                kits=inputs.kits,
                boxes=group.boxes,
                parts=parts,
                tilt=tilt,
                surface_tilt_deg=float(fleet.plane.surface_tilt_deg[i, tilt]),
                prepared=partial(_with_kits, fleet, i, tilt, gear, step, ground),
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ground:
    """What designs of a site at a system voltage are made of, and what the site makes of it."""

    catalogue: CatalogueArrays
    voltage: int
    parts: SiteParts


def _with_kits(
    fleet: Fleet, i: int, tilt: int, gear: Gear, step: Step, ground: _Ground, kits: IntArray
) -> Prepared:
    """The i-th site with the kits at some places."""
    inputs = site_inputs(fleet, i, ground.voltage, tilt, gear, step, kits)
    assert inputs is not None  # a draft has kits
    return _prepared(fleet, inputs, ground)


def _prepared(
    fleet: Fleet, inputs: SiteInputs, ground: _Ground, like: Prepared | None = None, *, ends: bool = False
) -> Prepared:
    return prepare(
        inputs,
        catalogue=ground.catalogue,
        system_voltage_v=ground.voltage,
        settings=fleet.scenario.settings,
        parts=ground.parts,
        like=like,
        ends=ends,
    )


def site_inputs(
    fleet: Fleet,
    i: int,
    voltage: int,
    tilt: int,
    gear: Gear,
    step: Step = NO_STEP,
    some: IntArray | None = None,
) -> SiteInputs | None:
    """What the designs of the i-th site at a voltage and a tilt depend on, on a step of its curve.

    With all its kits, or those at `some` places; None without a kit.
    """
    site = fleet.scenario.tables.sites[i]
    if not site_kits(fleet, i, voltage, gear).kits:
        return None
    group = kit_group(fleet, i, voltage, gear)
    kits, draws = group.kits, group.draws
    if some is not None:
        kits, draws = kits.take(some), replace(draws, watts=draws.watts[some])
    climate, plane, policy = fleet.climate, fleet.plane, fleet.scenario.settings.policy
    day, night = drawn_wh(draws, fleet.site_hours(i), policy.load_margin)
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
        step=step,
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
        for v, tilt, step in product(voltages, fleet.tilts[i], fleet.steps(i))
        if (one := site_inputs(fleet, i, v, tilt, gear, step)) is not None
    ]
    refusals = [r for v in voltages for r in site_kits(fleet, i, v, gear).refusals]
    return blocking_rule(
        site.site_id,
        inputs,
        kit_refusals=refusals,
        catalogue=power_parts(fleet.catalogue, gear, fleet.market.sold).catalogue,
        settings=fleet.scenario.settings,
    )
