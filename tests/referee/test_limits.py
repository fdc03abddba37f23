"""A limit moved to where a plan breaks it, as if it had been so when planned: the rule itself says so."""

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal

import pytest

from planner.referee import Check, audit_plan
from planner.scenario import Scenario
from planner.settings_file import read_settings
from planner.tables.rows import Row
from tests.referee.plans import HASHES, Planned

#: (table, column, factor or text, rule): every row of the table gets the value.
PARTS = [
    ("catalogue/modules", "system_voltage_max_v", 0.02, "string-cold"),
    ("catalogue/modules", "v_oc_v", 3.0, "string-cold"),
    ("catalogue/modules", "beta_voc_per_k", 2.0, "string-figure"),
    ("catalogue/modules", "v_mp_v", 0.3, "string-hot"),
    ("catalogue/modules", "i_sc_a", 3.0, "controller-input"),
    ("catalogue/modules", "i_mp_a", 0.5, "array-energy"),
    ("catalogue/modules", "nameplate_w", 0.5, "array-figure"),
    ("catalogue/modules", "gamma_pmp_per_k", 2.0, "array-energy"),
    ("catalogue/modules", "length_m", 1.9, "mounts"),
    ("catalogue/modules", "weight_kg", 1.5, "site-cost"),
    ("catalogue/modules", "temp_min_c", "20", "module-cold"),
    ("catalogue/modules", "temp_max_c", "30", "module-heat"),
    ("catalogue/batteries", "capacity_ah", 0.5, "autonomy"),
    ("catalogue/batteries", "nominal_v", 1.04, "battery-figure"),
    ("catalogue/batteries", "depth_of_discharge_max", 0.5, "autonomy"),
    ("catalogue/batteries", "round_trip_efficiency", 0.75, "ratio-figure"),
    ("catalogue/batteries", "charge_current_max_a", 0.05, "charge-current"),
    ("catalogue/batteries", "discharge_current_max_a", 0.001, "discharge-current"),
    ("catalogue/batteries", "disconnect_v", 0.75, "bus-window-low"),
    ("catalogue/batteries", "charge_max_v", 0.985, "setpoint-high"),
    ("catalogue/batteries", "charge_min_v", 1.05, "setpoint-low"),
    ("catalogue/batteries", "temp_compensation_v_per_k", 2.0, "bus-figure"),
    ("catalogue/batteries", "temp_min_c", "20", "battery-cold"),
    ("catalogue/batteries", "temp_max_c", "25", "battery-heat"),
    ("catalogue/batteries", "charge_temp_min_c", "20", "charge-cold"),
    ("catalogue/batteries", "volume_l", 2.5, "enclosure-volume"),
    ("catalogue/batteries", "volume_l", 30.0, "enclosure-block"),
    ("catalogue/batteries", "weight_kg", 1.5, "site-cost"),
    ("catalogue/controllers", "pv_input_max_v", 0.2, "string-cold"),
    ("catalogue/controllers", "pv_input_max_a", 0.2, "controller-input"),
    ("catalogue/controllers", "output_max_a", 0.2, "clipped-share"),
    ("catalogue/controllers", "headroom_v", "20", "string-hot"),
    ("catalogue/controllers", "efficiency", 0.9, "array-energy"),
    ("catalogue/controllers", "own_draw_w", 5.0, "load-figure"),
    ("catalogue/controllers", "charge_max_v", 0.2, "setpoint-made"),
    ("catalogue/controllers", "load_terminal_max_a", 0.01, "disconnect-current"),
    ("catalogue/controllers", "temp_min_c", "20", "controller-cold"),
    ("catalogue/controllers", "temp_max_c", "25", "controller-heat"),
    ("catalogue/controllers", "common_terminal", "positive", "controller-grounding"),
    ("catalogue/controllers", "volume_l", 50.0, "enclosure-volume"),
    ("catalogue/switches", "poe_budget_w", 0.1, "poe-budget"),
    ("catalogue/switches", "input_min_v", 2.2, "bus-window-low"),
    ("catalogue/switches", "input_max_v", 0.3, "bus-window-high"),
    ("catalogue/switches", "own_draw_w", 2.0, "load-figure"),
    ("catalogue/switches", "pse_efficiency", 0.8, "load-figure"),
    ("catalogue/switches", "measured_allocation", "false", "port-figure"),
    ("catalogue/switches", "case_ground", "positive", "bus-grounding"),
    ("catalogue/switches", "temp_min_c", "20", "box-cold"),
    ("catalogue/switches", "temp_max_c", "25", "box-heat"),
    ("catalogue/switches", "volume_l", 60.0, "enclosure-volume"),
    ("catalogue/switch_ports", "poe_class", "1", "site-rows"),
    ("catalogue/converters", "current_max_a", 0.05, "disconnect-current"),
    ("catalogue/converters", "output_max_w", 0.05, "converter-power"),
    ("catalogue/converters", "output_v", 0.7, "converter-output"),
    ("catalogue/converters", "efficiency", 0.7, "load-figure"),
    ("catalogue/converters", "own_draw_w", 3.0, "load-figure"),
    ("catalogue/converters", "input_min_v", 1.4, "bus-window-low"),
    ("catalogue/balance", "module_area_max_m2", 0.3, "mounts"),
    ("catalogue/balance", "volume_max_l", 0.3, "enclosure-volume"),
    ("catalogue/balance", "damping_k", "1", "enclosure-damping"),
    ("catalogue/balance", "tilt_max_deg", "5", "mount-tilt"),
    ("catalogue/balance", "tilt_min_deg", "88", "mount-tilt"),
    ("catalogue/balance", "weight_max_kg", 0.2, "mounts"),
    ("catalogue/prices", "unit_price", 1.1, "price-unit"),
    ("catalogue/prices", "unit_price", 0.9, "price-quoted"),
    ("catalogue/prices", "valid_to", "2026-11-19", "price-valid"),
    ("catalogue/prices", "valid_from", "2026-11-21", "price-valid"),
    ("catalogue/prices", "supplier", "nobody", "price-valid"),
    ("catalogue/prices", "tier_kind", "all_units", "price-terms"),
    ("catalogue/fx", "rate", 1.05, "price-unit"),
    ("catalogue/stock", "lead_time_weeks", 3.0, "order-lead-time"),
    ("catalogue/stock", "stock_qty", "1", "order-stock"),
    ("catalogue/stock", "pack_qty", "7", "order-packs"),
    ("catalogue/stock", "min_order_qty", "900", "order-least"),
    ("catalogue/converters", "surge_a", "0.1", "disconnect-inrush"),
    ("category_rules", "spares_share", "0.9", "spares"),
    ("category_rules", "distinct_max", "1", "distinct-skus"),
    ("category_rules", "onboarding_cost", "500", "onboarding"),
    ("sku_rules", "rule", "forbidden", "sku-allowed"),
    ("sku_rules", "rule", "approved", "sku-allowed"),
    ("phases", "budget", "2000", "phase-budget"),
    ("phases", "budget", "2000", "budget"),
    ("sites", "ready_phase", "2", "phase-ready"),
    ("existing", "quantity", "90", "kept-in-use"),
    ("existing", "site_id", "kilpis", "kept-units"),
    ("devices", "average_w", 1.2, "load-figure"),
    ("devices", "max_w", 4.0, "load-current"),
    ("devices", "poe_class", "2", "port-figure"),
    ("devices", "passive_v", "18", "passive-voltage"),
    ("devices", "input_min_v", 2.5, "bus-window-low"),
    ("devices", "input_max_v", 0.7, "bus-window-high"),
    ("devices", "data_ports", "2", "data-ports"),
    ("devices", "power_allocation", "class", "port-figure"),
    ("devices", "schedule", "night", "load-figure"),
    ("devices", "case_ground", "positive", "bus-grounding"),
    ("loads", "quantity", "3", "device-powered"),
    ("loads", "cable_m", "1", "device-powered"),
    ("schedules", "h10", "0.2", "load-figure"),
    ("schedules", "m06", "0.1", "load-figure"),
    ("site_months", "ghi_wh_m2_day", 0.8, "climate-figure"),
    ("site_months", "ghi_wh_m2_day", 1.05, "climate-figure"),
    ("site_months", "temp_air_c", "5", "climate-figure"),
    ("site_months", "snow_loss", "0.9", "plane-of-array"),
    ("site_months", "other_supply_wh_day", 0.5, "load-figure"),
    ("sites", "autonomy_days", "20", "autonomy"),
    ("sites", "array_to_load_ratio", "4", "array-to-load-ratio"),
    ("sites", "system_voltage_v", "24", "system-voltage"),
    ("sites", "bus_grounding", "positive", "controller-grounding"),
    ("sites", "surface_tilt_deg", "33", "array-tilt"),
    ("sites", "surface_azimuth_deg", "90", "array-azimuth"),
    ("sites", "temp_air_min_c", "-60", "battery-cold"),
    ("sites", "temp_air_max_c", "59", "controller-heat"),
    ("sites", "module_area_max_m2", "1", "module-area"),
    ("sites", "latitude_deg", 0.97, "climate-figure"),
    ("sites", "access_cost", "1", "site-cost"),
    ("sites", "freight_per_kg", 2.0, "site-cost"),
    ("sites", "name", "Elsewhere", "site-name"),
    ("sites", "wind_design_m_s", "90", "mount-wind"),
    ("sites", "recovery_days_max", "1", "recovery"),
    ("sites", "enclosure_damping_k", "14.5", "climate-figure"),
    ("sites", "enclosure_damping_k", "16", "enclosure-damping"),
    ("sites", "enclosure_rise_k", "39", "controller-heat"),
]  # fmt: skip

SETTINGS = [
    ("purchase.budget", "10", "budget"),
    ("purchase.need_by", "2026-11-22", "order-in-time"),
    ("demand.dc_conductor_mm2", "0.75", "load-figure"),
    ("policy.autonomy_days", "30", "autonomy"),
    ("policy.array_to_load_ratio", "4", "array-to-load-ratio"),
    ("policy.recovery_days_max", "1", "recovery"),
    ("policy.wind_design_m_s", "90", "mount-wind"),
    ("policy.load_margin", "0.5", "load-figure"),
    ("policy.uplink_ports", "3", "uplinks"),
    ("policy.uplink_medium", "fibre", "uplink-medium"),
    ("policy.system_voltages_v", "[24]", "system-voltage"),
    ("policy.installation_cost", "1", "site-cost"),
    ("climate.margin", "0.7", "climate-figure"),
    ("climate.tilts_deg", "[33.0]", "array-tilt"),
    ("demand.poe_loop_ohm_per_100m", "25", "port-figure"),
    ("demand.channel_max_m", "2", "channel-length"),
    ("demand.bus_cable_drop", "0.3", "bus-window-low"),
    ("array.soiling_loss", "0.2", "array-energy"),
    ("array.ageing_loss", "0.2", "array-energy"),
    ("array.irradiance_factor_isc", "1.5", "array-figure"),
    ("battery.end_of_life_share", "0.4", "autonomy"),
    ("battery.daily_depth_max_lead_acid", "0.001", "daily-depth"),
    ("battery.enclosure_damping_k", "0", "climate-figure"),
    ("battery.enclosure_rise_k", "40", "controller-heat"),
    ("plan_date", "2027-06-01", "price-quoted"),
    ("currency", "NOK", "price-terms"),
]


def moved(row: Row, column: str, value: float | str) -> Row:
    """A row with a cell set, or scaled where it is stated; plausible or not."""
    old = getattr(row, column)
    if isinstance(value, str):
        return type(row).model_validate(row.model_dump() | {column: value})
    if old is None:
        return row
    new = old * Decimal(str(value)) if isinstance(old, Decimal) else old * value
    return row.model_copy(update={column: new})


@pytest.mark.parametrize(("table", "column", "value", "rule"), PARTS)
def test_an_input_that_breaks_the_plan_is_caught(
    original: Planned, scenario: Scenario, table: str, column: str, value: float | str, rule: str
) -> None:
    name = table.removeprefix("catalogue/")
    rows = [moved(row, column, value) for row in getattr(scenario.tables, name)]
    other = replace(scenario, tables=replace(scenario.tables, **{name: rows}))
    check_caught(audit_plan(original.plan, other).broken, rule)


@pytest.mark.parametrize(("name", "value", "rule"), SETTINGS)
def test_a_setting_that_breaks_the_plan_is_caught(
    planned: Planned, scenario: Scenario, name: str, value: str, rule: str
) -> None:
    settings = read_settings(planned.folder / "scenario", {"solver.gap": "0.05", name: value})[0]
    assert settings is not None
    other = replace(scenario, settings=settings, origins=scenario.origins | {name: "--set"})
    planned.state(other)
    check_caught(audit_plan(planned.plan, other).broken, rule)


def check_caught(broken: Sequence[Check], rule: str) -> None:
    rules = {check.rule for check in broken}
    assert rule in rules
    assert not rules & HASHES
