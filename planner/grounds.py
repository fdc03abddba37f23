"""Everything known of a fleet before its designs: market, climate, kits, and the tilts to design for."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.climate import PlaneOfArray, SiteClimate, best_tilt, day_hours, lit_fraction
from planner.demand import Draws, KitResult, draws_of, schedule_hours, site_load_wh
from planner.designs import make_catalogue_arrays
from planner.executors import each
from planner.existing import KitGround, KitKey, available, kit_key, kits_of, site_gear
from planner.fleet import Market, make_market
from planner.fleet.pricing import Pricer, make_fittings, make_part_index
from planner.scenario import Scenario
from planner.site_climates import Conditions, site_conditions, site_planes
from planner.sites import FloatArray, month_values, site_arrays, wind_design_m_s
from planner.sizing import Fleet, site_kits, site_voltages
from planner.tables.rows import MonthQuantity


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """What no price decides of a fleet whose SKUs for sale are known: the climate of its sites, kits, tilts.

    Planes have numbers at the chosen tilts at least.
    """

    climate: SiteClimate
    plane: PlaneOfArray
    tilts: Sequence[tuple[int, ...]]
    kits: Mapping[KitKey, KitResult]

    @property
    def skus(self) -> frozenset[str]:
        """SKUs of all kits."""
        return frozenset(sku for one in self.kits.values() for kit in one.kits for sku, _ in kit.units)

    @property
    def schedules(self) -> frozenset[str]:
        """Schedules by which kits draw."""
        return frozenset(name for one in self.kits.values() for kit in one.kits for name, _ in kit.bus_w)


def ground_of(fleet: Fleet) -> Ground | None:
    """The ground of a fleet that has its kits and tilts; None where weather files have a say in it."""
    if fleet.scenario.tables.climate_files:
        return None
    return Ground(climate=fleet.climate, plane=fleet.plane, tilts=tuple(fleet.tilts), kits=dict(fleet.kits))


def prepare(scenario: Scenario, *, market: Market | None = None, ground: Ground | None = None) -> Fleet:
    """Market, catalogue and climate of the scenario's sites; market and ground may be known.

    Raises
    ------
    InputError
        With every problem of the weather files.
    """
    tables, settings = scenario.tables, scenario.settings
    market = market or make_market(scenario)
    catalogue = make_catalogue_arrays(tables, frozenset(market.skus))
    pricer = Pricer(
        market=market,
        fittings=make_fittings(tables.balance, market, enclosures_max=settings.policy.enclosures_max),
        parts=make_part_index(catalogue, market),
    )
    if ground is None:
        found = site_conditions(scenario)
        plane = site_planes(found, pricer.fittings.tilts_allowed(settings.climate.tilts_deg))
    else:
        known = site_arrays(tables.sites, settings)
        found, plane = Conditions(scenario=scenario, arrays=known, climate=ground.climate), ground.plane
    arrays = found.arrays
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
        kits=dict(ground.kits) if ground is not None else {},
        groups={},
        other_supply_wh_day=np.nan_to_num(month_values(scenario, MonthQuantity.OTHER_SUPPLY)),
        tilts=list(ground.tilts) if ground is not None else [],
        curves=[None] * len(tables.sites),
        upkeep=[],
        refusals={},
        pricer=pricer,
        gear=site_gear(found.scenario),
    )


def begin_kits(
    scenario: Scenario, market: Market, *, known: Collection[KitKey] = (), workers: int | None = 1
) -> Iterator[tuple[KitKey, KitResult]]:
    """Kits of every site at every system voltage that it may have, but for `known` ones.

    Where other processes make them, these begin at once.
    """
    tables = scenario.tables
    every = dict.fromkeys(
        kit_key(site.load_profile, voltage, gear, tables, market.sold)
        for site, gear in zip(tables.sites, site_gear(scenario), strict=True)
        for voltage in site_voltages(site.system_voltage_v, scenario)
    )
    keys = [key for key in every if key not in known]
    # what tells sites' weather is much, and no kit depends on it
    bare = replace(tables, site_months=(), site_climate_months=(), climate_files=(), horizon=())
    ground = KitGround(tables=bare, settings=scenario.settings, sold=market.sold)
    return zip(keys, each(kits_of, ground, keys, sites=len(tables.sites), workers=workers), strict=True)


def fleet_kits(fleet: Fleet) -> None:
    """Enumerate the kits of a fleet that it has not yet."""
    fleet.kits.update(begin_kits(fleet.scenario, fleet.market, known=fleet.kits))


def kit_draws(fleet: Fleet) -> list[Draws]:
    """What the kits of each site draw, at all its system voltages; found once for sites alike."""
    known: dict[tuple[int, ...], Draws] = {}
    every = []
    for i, site in enumerate(fleet.scenario.tables.sites):
        voltages = site_voltages(site.system_voltage_v, fleet.scenario)
        results = [site_kits(fleet, i, voltage, fleet.gear[i]) for voltage in voltages]
        same = tuple(map(id, results))  # the fleet keeps them, so none takes another's place
        if same not in known:
            known[same] = draws_of([kit for result in results for kit in result.kits])
        every.append(known[same])
    return every


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
