"""What a site replaces over the years: batteries at the end of their life, by temperature and cycling."""

from decimal import Decimal

import numpy as np

from planner.demand import Draws, drawn_wh
from planner.designs import CatalogueArrays
from planner.designs.battery import calendar_life_years, replacement_factor
from planner.fleet.pricing import Upkeep
from planner.money import to_money
from planner.outputs.records import Fleet, SiteDesign
from planner.reliability.years import DAYS
from planner.settings import LifetimeSettings, Settings
from planner.sites import FloatArray


def load_by_night(fleet: Fleet, i: int, kits: Draws) -> tuple[FloatArray, FloatArray]:
    """Net load by day and by night (12,) of the i-th site's kit with the greatest share of it by night.

    More of a load by night goes through the battery, so the curve of such a kit bounds the others.
    """
    by_day, by_night = drawn_wh(kits, fleet.site_hours(i), fleet.scenario.settings.policy.load_margin)
    left = by_day[0] - fleet.other_supply_wh_day[i]
    day, night = np.maximum(left, 0.0), np.maximum(by_night[0] + np.minimum(left, 0.0), 0.0)
    whole = (day + night).sum(axis=1)
    share = np.divide(night.sum(axis=1), whole, out=np.zeros(len(kits)), where=whole > 0)
    k = int(np.argmax(np.round(share, 9)))
    return day[k], night[k]


def site_upkeep(fleet: Fleet, i: int, kits: Draws) -> Upkeep:
    """Upkeep of the i-th site, whose designs have some of the kits.

    A life is the shorter one of age, at the months' mean temperatures in the enclosure, and of cycling, by
    the load of the kit with the most of it by night, from the least reserve that is asked. Replacements are
    few at a time, so they cost the price of the smallest order, with freight and labour, and a visit.
    """
    site, settings, market = fleet.scenario.tables.sites[i], fleet.scenario.settings, fleet.market
    rise = site.enclosure_rise_k
    temp_c = fleet.climate.temp_air_c[i] + (settings.battery.enclosure_rise_k if rise is None else rise)
    cat, lifetime = fleet.catalogue, settings.lifetime
    cycles = cycles_a_year(fleet, i, kits) if kits else np.zeros(len(cat.batteries))
    usual = _of_chemistry(cat, lifetime.years_lead_acid, lifetime.years_lfp)
    stated = cat.battery("life_years")
    age = calendar_life_years(np.where(np.isfinite(stated), stated, usual), temp_c)
    worn = np.divide(full_cycles(cat, lifetime), cycles, out=np.full(len(cycles), np.inf), where=cycles > 0)
    life = np.full(len(market.skus), np.inf)
    life[fleet.pricer.parts.battery] = np.minimum(age, worn)
    factor = replacement_factor(
        np.where(np.isfinite(life), life, lifetime.horizon_years),
        horizon_years=lifetime.horizon_years,
        discount_rate=lifetime.discount_rate,
    )
    price = np.where(np.isfinite(market.list_price), market.list_price, 0.0)  # what nobody sells stays
    each = price + market.freight_kg * float(site.freight_per_kg) + market.install_cost
    return Upkeep(unit=each * factor, visit=float(site.access_cost) * factor, life_years=life)


def cycles_a_year(fleet: Fleet, i: int, kits: Draws) -> FloatArray:
    """Most rated capacities that the loads of the i-th site draw from each battery a year (B,).

    A battery of `reserve` days has at least `reserve x greatest daily load / (depth x end-of-life share)` of
    rated energy; and no night takes more of it than the daily depth.
    """
    settings, cat = fleet.scenario.settings, fleet.catalogue
    day, night = load_by_night(fleet, i, kits)
    reserve = max(float(fleet.arrays.autonomy_days[i]), min(step.days for step in fleet.steps(i)))
    daily = float((day + night).max())
    share = cat.battery("depth_of_discharge_max") * settings.battery.end_of_life_share
    limits = settings.battery
    most = np.where(cat.lead_acid, limits.daily_depth_max_lead_acid, limits.daily_depth_max_lfp)
    if reserve <= 0 or daily <= 0:
        return DAYS * most * (daily > 0)
    return np.asarray(DAYS * np.minimum(share * float(night.mean()) / (reserve * daily), most))


def full_cycles(cat: CatalogueArrays, settings: LifetimeSettings) -> FloatArray:
    """Rated capacities that each battery gives until it is worn (B,): cycles x their depth."""
    stated = cat.battery("cycle_life") * cat.battery("cycle_depth")
    usual = _of_chemistry(cat, settings.full_cycles_lead_acid, settings.full_cycles_lfp)
    return np.where(np.isfinite(stated), stated, usual)


def _of_chemistry(cat: CatalogueArrays, lead_acid: float, lfp: float) -> FloatArray:
    return np.where(cat.lead_acid, lead_acid, lfp)


def battery_life_years(fleet: Fleet, design: SiteDesign) -> float:
    """Life of a design's battery."""
    return float(fleet.upkeep[design.site].life_years[fleet.pricer.parts.battery[design.choice.battery]])


def replacement_cost(fleet: Fleet, design: SiteDesign, settings: Settings) -> Decimal:
    """What a design replaces until the horizon, discounted."""
    upkeep, index = fleet.upkeep[design.site], fleet.market.index
    units = design.units(fleet).items()
    cost = sum(n * upkeep.unit[index[sku]] + upkeep.visit[index[sku]] for sku, n in units)
    return to_money(Decimal(str(round(float(cost), 6))), settings.currency)
