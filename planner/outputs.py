"""The plan's tables and manifest, from the designs chosen."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from importlib.metadata import version
from typing import Any

import numpy as np
from numpy.typing import NDArray

from planner import __version__
from planner.climate import ELEVATION_DIFFERENCE_MAX_M, PlaneOfArray, SiteClimate
from planner.demand import KitResult, SupplyKit
from planner.designs import Balance, CatalogueArrays, Choice, SiteInputs, design_balance
from planner.errors import Refusal
from planner.fleet import FleetSolution, Market, Outcome
from planner.fleet.pricing import Pricer
from planner.money import minor_unit, to_money
from planner.plan import Columns, Plan
from planner.procurement import OrderLine, SiteCost, SiteLine, order_lines, site_lines
from planner.scenario import Scenario
from planner.sites import FloatArray, SiteArrays
from planner.units import MONTHS

LIBRARIES = ("highspy", "numpy", "pandas", "pulp", "pvlib", "pyarrow", "pydantic", "scipy")


@dataclass(frozen=True, slots=True, kw_only=True)
class Fleet:
    """Everything known of a fleet while it is planned; kits, tilts and refusals fill up on the way."""

    scenario: Scenario
    market: Market
    catalogue: CatalogueArrays
    pricer: Pricer
    arrays: SiteArrays
    climate: SiteClimate
    plane: PlaneOfArray
    hours: Mapping[str, tuple[FloatArray, FloatArray]]
    day_hours: FloatArray
    other_supply_wh_day: FloatArray
    kits: dict[tuple[str, int], KitResult]
    tilt: NDArray[np.int64]
    refusals: dict[str, Refusal]

    def site_hours(self, i: int) -> dict[str, tuple[FloatArray, FloatArray]]:
        """Schedule hours of one site, as a batch of one."""
        return {name: (day[i : i + 1], night[i : i + 1]) for name, (day, night) in self.hours.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteDesign:
    """The design chosen for a site."""

    site: int
    system_voltage_v: int
    choice: Choice
    kit: SupplyKit
    inputs: SiteInputs
    mount_sku: str
    mounts: int
    enclosure_sku: str
    enclosures: int
    units: Mapping[str, int]


def make_plan(
    fleet: Fleet, designs: Sequence[SiteDesign], solution: FleetSolution | None, timings: Mapping[str, float]
) -> Plan:
    """All tables and the manifest; money is counted again from whole units."""
    sites, currency = fleet.scenario.tables.sites, fleet.scenario.settings.currency
    need: dict[str, int] = {}
    for design in designs:
        for sku, number in design.units.items():
            need[sku] = need.get(sku, 0) + number
    orders = order_lines(need, fleet.market)
    lines = site_lines([(sites[d.site].site_id, d.units) for d in designs], orders, currency)
    equipment: dict[str, Decimal] = {}
    for line in lines:
        equipment[line.site_id] = equipment.get(line.site_id, Decimal(0)) + line.line_cost
    costs = [site_cost(fleet, design, equipment[sites[design.site].site_id]) for design in designs]
    balances = [
        design_balance(d.inputs, d.choice, catalogue=fleet.catalogue, settings=fleet.scenario.settings)
        for d in designs
    ]
    tables = {
        "site_designs": site_design_rows(fleet, designs, balances, costs),
        "bill_of_materials": bill_rows(lines),
        "procurement": procurement_rows(orders, currency),
        "energy_balance": energy_rows(fleet, designs, balances),
        "port_assignments": port_rows(fleet, designs),
        "problems": problem_rows(fleet, orders),
    }
    amounts = category_costs(orders, costs)
    total = sum(amounts.values(), Decimal(0))
    return Plan(
        manifest=manifest(fleet, designs, solution, amounts, total),
        tables=tables,
        unserved=dict(fleet.refusals),
        total_cost=total,
        category_costs=amounts,
        timings=timings,
    )


def site_cost(fleet: Fleet, design: SiteDesign, equipment_cost: Decimal) -> SiteCost:
    """What a site costs, itemised."""
    site, currency = fleet.scenario.tables.sites[design.site], fleet.scenario.settings.currency
    weight = sum(
        number * Decimal(str(fleet.market.weight_kg[fleet.market.index[sku]]))
        for sku, number in design.units.items()
    )
    return SiteCost(
        equipment_cost=equipment_cost,
        freight_cost=to_money(weight * site.freight_per_kg, currency),
        access_cost=to_money(site.access_cost, currency),
        installation_cost=to_money(Decimal(str(fleet.scenario.settings.policy.installation_cost)), currency),
    )


def category_costs(orders: Sequence[OrderLine], costs: Sequence[SiteCost]) -> dict[str, Decimal]:
    """Total by category of goods, then freight, access and installation; their sum is the plan's total."""
    amounts: dict[str, Decimal] = {}
    for order in orders:
        amounts[order.category] = amounts.get(order.category, Decimal(0)) + order.line_cost
    for name in ("freight_cost", "access_cost", "installation_cost"):
        amounts[name.removesuffix("_cost")] = sum((getattr(cost, name) for cost in costs), Decimal(0))
    return amounts


def columns(rows: Sequence[Mapping[str, Any]], names: Sequence[str]) -> Columns:
    """Rows turned into columns, in the order of the names."""
    return {name: [row[name] for row in rows] for name in names}


SITE_DESIGN_COLUMNS = (
    "site_id",
    "name",
    "load_profile",
    "system_voltage_v",
    "surface_tilt_deg",
    "surface_azimuth_deg",
    "supply_kit",
    "load_disconnect",
    "module_sku",
    "modules_series",
    "modules_parallel",
    "array_w",
    "controller_sku",
    "controllers",
    "battery_sku",
    "batteries_series",
    "batteries_parallel",
    "battery_wh",
    "usable_wh",
    "depth_of_discharge",
    "mount_sku",
    "mounts",
    "enclosure_sku",
    "enclosures",
    "load_w",
    "daily_load_wh",
    "autonomy_days",
    "daily_depth",
    "design_month",
    "array_to_load_ratio",
    "charge_setpoint_v",
    "bus_low_v",
    "bus_high_v",
    "kit_input_min_v",
    "kit_input_max_v",
    "string_cold_v_oc_v",
    "string_hot_v_mp_v",
    "array_i_sc_a",
    "charge_current_a",
    "load_current_max_a",
    "temp_air_min_c",
    "temp_cold_spell_c",
    "temp_air_max_c",
    "climate_source",
    "climate_margin",
    "equipment_cost",
    "freight_cost",
    "access_cost",
    "installation_cost",
    "site_cost",
)


def site_design_rows(
    fleet: Fleet, designs: Sequence[SiteDesign], balances: Sequence[Balance], costs: Sequence[SiteCost]
) -> Columns:
    """One row a site."""
    rows = []
    for design, balance, cost in zip(designs, balances, costs, strict=True):
        i, c, cat = design.site, design.choice, fleet.catalogue
        site, climate = fleet.scenario.tables.sites[i], fleet.climate
        rows.append(
            {
                "site_id": site.site_id,
                "name": site.name,
                "load_profile": site.load_profile,
                "system_voltage_v": design.system_voltage_v,
                "surface_tilt_deg": float(fleet.plane.surface_tilt_deg[i, fleet.tilt[i]]),
                "surface_azimuth_deg": float(fleet.plane.surface_azimuth_deg[i]),
                "supply_kit": " + ".join(f"{number} x {sku}" for sku, number in design.kit.units),
                "load_disconnect": "controller's load terminals"
                if design.kit.load_terminal
                else "its own box",
                "module_sku": cat.modules[c.module].sku,
                "modules_series": c.modules_series,
                "modules_parallel": c.modules_parallel,
                "array_w": balance.array_w,
                "controller_sku": cat.controllers[c.controller].sku,
                "controllers": c.controllers,
                "battery_sku": cat.batteries[c.battery].sku,
                "batteries_series": c.batteries_series,
                "batteries_parallel": c.batteries_parallel,
                "battery_wh": round(balance.battery_wh, 1),
                "usable_wh": round(balance.usable_wh, 1),
                "depth_of_discharge": round(balance.depth_of_discharge, 3),
                "mount_sku": design.mount_sku,
                "mounts": design.mounts,
                "enclosure_sku": design.enclosure_sku,
                "enclosures": design.enclosures,
                "load_w": round(float(balance.load_wh_day.max()) / 24, 2),
                "daily_load_wh": round(float(balance.load_wh_day.max()), 1),
                "autonomy_days": round(balance.autonomy_days, 2),
                "daily_depth": round(balance.daily_depth, 3),
                "design_month": balance.design_month,
                "array_to_load_ratio": round(float(balance.array_to_load_ratio.min()), 3),
                "charge_setpoint_v": round(c.charge_setpoint_v * c.batteries_series, 2),
                "bus_low_v": round(balance.bus_low_v, 2),
                "bus_high_v": round(balance.bus_high_v, 2),
                "kit_input_min_v": design.kit.input_min_v,
                "kit_input_max_v": design.kit.input_max_v,
                "string_cold_v_oc_v": round(balance.string_cold_v_oc_v, 2),
                "string_hot_v_mp_v": round(balance.string_hot_v_mp_v, 2),
                "array_i_sc_a": round(balance.array_i_sc_a, 2),
                "charge_current_a": round(balance.charge_current_a, 2),
                "load_current_max_a": round(design.kit.max_current_a, 2),
                "temp_air_min_c": round(float(climate.temp_air_min_c[i]), 1),
                "temp_cold_spell_c": round(float(climate.temp_cold_spell_c[i]), 1),
                "temp_air_max_c": round(float(climate.temp_air_max_c[i]), 1),
                "climate_source": climate.source[i],
                "climate_margin": float(climate.climate_margin[i]),
                "equipment_cost": cost.equipment_cost,
                "freight_cost": cost.freight_cost,
                "access_cost": cost.access_cost,
                "installation_cost": cost.installation_cost,
                "site_cost": cost.site_cost,
            }
        )
    return columns(rows, SITE_DESIGN_COLUMNS)


def bill_rows(lines: Sequence[SiteLine]) -> Columns:
    """One row for each SKU of a site."""
    names = ("site_id", "sku", "category", "quantity", "unit_price", "line_cost")
    return {name: [getattr(line, name) for line in lines] for name in names}


def procurement_rows(orders: Sequence[OrderLine], currency: str) -> Columns:
    """One row for each order line."""
    rows = [
        {
            "sku": o.offer.sku,
            "supplier": o.offer.supplier,
            "category": o.category,
            "quantity_sites": o.quantity_sites,
            "quantity_spares": o.quantity_spares,
            "quantity_surplus": o.quantity_surplus,
            "quantity_ordered": o.quantity_ordered,
            "unit_price": o.unit_price,
            "min_qty": o.min_qty,
            "tier_kind": o.offer.tier_kind.value,
            "line_cost": o.line_cost,
            "currency": currency,
            "quoted_price": o.offer.quoted_price,
            "quoted_currency": o.offer.quoted_currency,
            "lead_time_weeks": o.offer.lead_time_weeks,
        }
        for o in orders
    ]
    names = (
        "sku",
        "supplier",
        "category",
        "quantity_sites",
        "quantity_spares",
        "quantity_surplus",
        "quantity_ordered",
        "unit_price",
        "min_qty",
        "tier_kind",
        "line_cost",
        "currency",
        "quoted_price",
        "quoted_currency",
        "lead_time_weeks",
    )
    return columns(rows, names)


def energy_rows(fleet: Fleet, designs: Sequence[SiteDesign], balances: Sequence[Balance]) -> Columns:
    """Twelve rows a site."""
    rows = [
        {
            "site_id": fleet.scenario.tables.sites[design.site].site_id,
            "month": m + 1,
            "ghi_wh_m2_day": round(float(fleet.climate.ghi_wh_m2_day[design.site, m]), 1),
            "poa_wh_m2_day": round(float(design.inputs.poa_wh_m2_day[m]), 1),
            "temp_air_c": round(float(fleet.climate.temp_air_c[design.site, m]), 1),
            "load_wh_day": round(float(balance.load_wh_day[m]), 1),
            "array_wh_day": round(float(balance.array_wh_day[m]), 1),
            "array_to_load_ratio": round(float(min(balance.array_to_load_ratio[m], 999.0)), 3),
        }
        for design, balance in zip(designs, balances, strict=True)
        for m in range(MONTHS)
    ]
    names = (
        "site_id",
        "month",
        "ghi_wh_m2_day",
        "poa_wh_m2_day",
        "temp_air_c",
        "load_wh_day",
        "array_wh_day",
        "array_to_load_ratio",
    )
    return columns(rows, names)


def port_rows(fleet: Fleet, designs: Sequence[SiteDesign]) -> Columns:
    """One row for each device on a port."""
    rows = [
        {
            "site_id": fleet.scenario.tables.sites[design.site].site_id,
            "device": a.device,
            "instance": a.instance,
            "supply": a.supply.value,
            "switch_sku": a.host_sku,
            "switch_unit": a.host_unit,
            "port": a.port,
            "via_sku": a.via_sku,
            "cable_m": a.cable_m,
            "device_w": round(a.device_w, 3),
            "port_w": round(a.host_w, 3),
            "port_max_w": round(a.host_max_w, 3),
            "allocated_w": round(a.allocated_w, 3),
        }
        for design in designs
        for a in design.kit.ports
    ]
    names = (
        "site_id",
        "device",
        "instance",
        "supply",
        "switch_sku",
        "switch_unit",
        "port",
        "via_sku",
        "cable_m",
        "device_w",
        "port_w",
        "port_max_w",
        "allocated_w",
    )
    return columns(rows, names)


def problem_rows(fleet: Fleet, orders: Sequence[OrderLine]) -> Columns:
    """Sites without a design with the rule that blocks them, and what deserves a second look."""
    rows: list[dict[str, Any]] = [
        {
            "severity": "unserved",
            "code": r.rule,
            "site_id": site_id,
            "sku": "",
            "subject": r.subject,
            "message": r.message,
            "value": r.value,
            "limit": r.limit,
            "unit": r.unit,
            "shortfall": round(r.shortfall, 6),
        }
        for site_id, r in fleet.refusals.items()
    ]
    off = np.abs(np.nan_to_num(fleet.climate.elevation_difference_m)) > ELEVATION_DIFFERENCE_MAX_M
    for i in np.flatnonzero(off).tolist():
        site, difference = fleet.scenario.tables.sites[i], float(fleet.climate.elevation_difference_m[i])
        rows.append(
            _warning(
                "elevation-differs",
                site.site_id,
                "",
                difference,
                ELEVATION_DIFFERENCE_MAX_M,
                "m",
                "its elevation differs from its climate cell's: state its own temperatures and irradiation",
            )
        )
    for order in orders:
        offer, ordered = order.offer, order.quantity_ordered
        if offer.stock_qty is not None and ordered > offer.stock_qty:
            rows.append(
                _warning(
                    "order-exceeds-stock",
                    "",
                    offer.sku,
                    ordered,
                    offer.stock_qty,
                    offer.supplier,
                    "more is ordered than the supplier holds; stock does not limit the plan",
                )
            )
        if ordered % offer.pack_qty or ordered < offer.min_order_qty:
            rows.append(
                _warning(
                    "order-breaks-pack",
                    "",
                    offer.sku,
                    ordered,
                    offer.pack_qty,
                    offer.supplier,
                    "the order is not whole packs or is under the least order; packs do not limit the plan",
                )
            )
    rows += [
        {
            "severity": p.severity.value,
            "code": p.code,
            "site_id": "",
            "sku": "",
            "subject": f"{p.file}:{p.line}",
            "message": p.message,
            "value": None,
            "limit": None,
            "unit": "",
            "shortfall": 0.0,
        }
        for p in fleet.scenario.warnings
    ]
    names = (
        "severity",
        "code",
        "site_id",
        "sku",
        "subject",
        "message",
        "value",
        "limit",
        "unit",
        "shortfall",
    )
    return columns(rows, names)


def _warning(
    code: str, site_id: str, sku: str, value: float, limit: float, unit: str, message: str
) -> dict[str, Any]:
    return {
        "severity": "warning",
        "code": code,
        "site_id": site_id,
        "sku": sku,
        "subject": site_id or sku,
        "message": message,
        "value": float(value),
        "limit": float(limit),
        "unit": unit,
        "shortfall": abs(float(value) - float(limit)),
    }


def manifest(
    fleet: Fleet,
    designs: Sequence[SiteDesign],
    solution: FleetSolution | None,
    amounts: Mapping[str, Decimal],
    total: Decimal,
) -> dict[str, Any]:
    """Versions, inputs, settings with their origins, money, proof."""
    settings, origins = fleet.scenario.settings, fleet.scenario.origins
    unit = minor_unit(settings.currency)
    bound = Decimal(solution.best_bound if solution else 0).quantize(unit, "ROUND_FLOOR")
    bound = min(bound, total)
    gap = float((total - bound) / total) if total else 0.0
    values = _flat(settings.model_dump(mode="json"))
    return {
        "planner_version": __version__,
        "libraries": {name: version(name) for name in LIBRARIES},
        "scenario": settings.name,
        "plan_date": settings.plan_date.isoformat(),
        "currency": settings.currency,
        "inputs": dict(sorted(fleet.scenario.input_hashes.items())),
        "settings": {
            name: {"value": value, "origin": origins.get(name, "default")}
            for name, value in sorted(values.items())
        },
        "costs": {name: str(amount) for name, amount in amounts.items()},
        "total_cost": str(total),
        "objective": str(total),
        "best_bound": str(bound),
        "mip_gap": round(gap, 8),
        "outcome": (solution.outcome if solution else Outcome.NO_SITES).value,
        "work": dict(solution.notes) if solution else {},
        "kits_left_out": sum(result.left_out for result in fleet.kits.values()),
        "sites_planned": len(designs),
        "sites_unserved": len(fleet.refusals),
        "unserved": {site_id: refusal.rule for site_id, refusal in sorted(fleet.refusals.items())},
    }


def _flat(values: Mapping[str, Any], prefix: str = "") -> dict[str, Any]:
    """Nested settings as dotted names."""
    flat: dict[str, Any] = {}
    for name, value in values.items():
        if isinstance(value, Mapping):
            flat |= _flat(value, f"{prefix}{name}.")
        else:
            flat[f"{prefix}{name}"] = value
    return flat
