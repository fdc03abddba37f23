"""The plan's row of a site, by groups of columns: parts, energy, electrical limits, climate, money."""

from collections.abc import Mapping, Sequence
from decimal import Decimal
from math import isfinite
from typing import Any

from planner.demand import SupplyKit
from planner.designs import Balance
from planner.outputs.records import Fleet, SiteDesign
from planner.outputs.upkeep import battery_life_years
from planner.procurement import SiteCost
from planner.tables.plan_rows import SiteDesignRow
from planner.units import HOURS_PER_DAY

LOAD_TERMINALS, OWN_BOX = "controller's load terminals", "its own box"


def site_design_rows(
    fleet: Fleet,
    designs: Sequence[SiteDesign],
    balances: Sequence[Balance],
    costs: Sequence[SiteCost],
    replaced: Sequence[Decimal],
    phase: Mapping[str, int],
) -> list[SiteDesignRow]:
    """One row a site; `replaced` is what each replaces, `phase` when each is built, by site."""
    return [
        SiteDesignRow.model_validate(
            _place(fleet, design, phase)
            | _kit(design)
            | _parts(fleet, design)
            | _energy(balance)
            | _electrics(design, balance)
            | _climate(fleet, design.site, balance)
            | _money(cost)
            | {
                "battery_life_years": finite(battery_life_years(fleet, design), 1),
                "replacement_cost": later,
                "lifetime_cost": cost.site_cost + later,
            }
        )
        for design, balance, cost, later in zip(designs, balances, costs, replaced, strict=True)
    ]


def finite(value: float, digits: int) -> float | None:
    """A number, rounded; None where it is not known, or a ratio to a load that is not there."""
    return round(float(value), digits) if isfinite(value) else None


def _place(fleet: Fleet, design: SiteDesign, phase: Mapping[str, int]) -> dict[str, Any]:
    i = design.site
    site = fleet.scenario.tables.sites[i]
    return {
        "site_id": site.site_id,
        "name": site.name,
        "load_profile": site.load_profile,
        "phase": phase.get(site.site_id),
        "system_voltage_v": design.system_voltage_v,
        "surface_tilt_deg": design.surface_tilt_deg,
        "surface_azimuth_deg": float(fleet.plane.surface_azimuth_deg[i]),
    }


def kit_words(kit: SupplyKit) -> dict[str, str]:
    """What a kit is made of and how it is joined, as the table has it."""
    return {
        "supply_kit": " + ".join(f"{number} x {sku}" for sku, number in kit.units),
        "feeds": "; ".join(f"{fed} behind {converter}" for fed, converter in kit.feeds),
        "load_disconnect": LOAD_TERMINALS if kit.load_terminal else OWN_BOX,
    }


def _kit(design: SiteDesign) -> dict[str, Any]:
    kit = design.kit
    return kit_words(kit) | {
        "kit_input_min_v": kit.input_min_v,
        "kit_input_max_v": kit.input_max_v,
        "bus_lowest_v": round(kit.lowest_v, 5),
        "load_current_max_a": round(kit.max_current_a, 2),
        "load_current_surge_a": round(kit.surge_current_a, 2),
    }


def _parts(fleet: Fleet, design: SiteDesign) -> dict[str, Any]:
    c, cat = design.choice, fleet.catalogue
    return {
        "module_sku": cat.modules[c.module].sku,
        "modules_series": c.modules_series,
        "modules_parallel": c.modules_parallel,
        "controller_sku": cat.controllers[c.controller].sku,
        "controllers": c.controllers,
        "battery_sku": cat.batteries[c.battery].sku,
        "batteries_series": c.batteries_series,
        "batteries_parallel": c.batteries_parallel,
        "mount_sku": design.mount_sku,
        "mounts": design.mounts,
        "enclosure_sku": design.enclosure_sku,
        "enclosures": design.enclosures,
    }


def _energy(balance: Balance) -> dict[str, Any]:
    most = float(balance.load_wh_day.max())
    return {
        "array_w": balance.array_w,
        "battery_wh": round(balance.battery_wh, 1),
        "usable_wh": round(balance.usable_wh, 1),
        "depth_of_discharge": round(balance.depth_of_discharge, 3),
        "load_w": round(most / HOURS_PER_DAY, 2),
        "daily_load_wh": round(most, 1),
        "autonomy_days": finite(balance.autonomy_days, 2),
        "recovery_days": finite(balance.recovery_days, 1),
        "daily_depth": round(balance.daily_depth, 3),
        "design_month": balance.design_month,
        "array_to_load_ratio": finite(balance.array_to_load_ratio.min(), 3),
    }


def _electrics(design: SiteDesign, balance: Balance) -> dict[str, Any]:
    series, equalise = design.choice.batteries_series, balance.equalise_v
    return {
        "bus_grounding": design.inputs.bus_grounding.value,
        "charge_setpoint_v": round(design.choice.charge_setpoint_v * series, 2),
        "equalise_v": None if equalise is None else round(equalise * series, 2),
        "bus_low_v": round(balance.bus_low_v, 2),
        "bus_high_v": round(balance.bus_high_v, 2),
        "string_cold_v_oc_v": round(balance.string_cold_v_oc_v, 2),
        "string_hot_v_mp_v": round(balance.string_hot_v_mp_v, 2),
        "array_i_sc_a": round(balance.array_i_sc_a, 2),
        "array_circuit_a": round(balance.array_circuit_a, 2),
        "charge_current_a": round(balance.charge_current_a, 2),
        "charge_rate": round(balance.charge_rate, 4),
    }


def _climate(fleet: Fleet, i: int, balance: Balance) -> dict[str, Any]:
    climate = fleet.climate
    return {
        "temp_air_min_c": round(float(climate.temp_air_min_c[i]), 1),
        "temp_cold_spell_c": round(float(climate.temp_cold_spell_c[i]), 1),
        "temp_air_max_c": round(float(climate.temp_air_max_c[i]), 1),
        "temp_battery_min_c": round(balance.temp_battery_min_c, 1),
        "temp_battery_hot_c": round(balance.temp_battery_hot_c, 1),
        "climate_source": climate.source[i],
        "climate_margin": float(climate.climate_margin[i]),
        "elevation_difference_m": finite(climate.elevation_difference_m[i], 1),
    }


def _money(cost: SiteCost) -> dict[str, Any]:
    return {
        "equipment_cost": cost.equipment_cost,
        "freight_cost": cost.freight_cost,
        "access_cost": cost.access_cost,
        "installation_cost": cost.installation_cost,
        "site_cost": cost.site_cost,
    }
