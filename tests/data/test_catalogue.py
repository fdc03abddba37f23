"""The example catalogue against what is known of such parts, and the example scenario against its checks.

Sources: the published values stand beside each check; "from memory" and "common practice, no source" are
marked as such.
"""

import datetime
from decimal import Decimal
from typing import Any

import numpy as np
import pytest

from planner.climate.builtin import lookup
from planner.scenario import check_scenario, read_scenario
from planner.units import shipped

SCENARIOS = sorted(path.name for path in shipped("scenarios").iterdir())
TABLES: Any = read_scenario(shipped("scenarios") / "tundrakall").tables
PLAN_DATE = datetime.date(2026, 11, 20)
BUS_TOP_TEMP_C = -30.0

#: Power at the PSE by class, W (IEEE 802.3-2022, clauses 33 and 145; read second-hand).
PSE_W = {0: 15.4, 1: 4.0, 2: 7.0, 3: 15.4, 4: 30.0, 5: 45.0, 6: 60.0, 7: 75.0, 8: 90.0}


def ids(rows: Any) -> list[str]:
    """Names of parametrised parts."""
    return [row.sku for row in rows]


def each(rows: Any) -> pytest.MarkDecorator:
    """A test for each part."""
    return pytest.mark.parametrize("part", rows, ids=ids(rows))


LEAD = [row for row in TABLES.batteries if row.chemistry != "lfp"]
LFP = [row for row in TABLES.batteries if row.chemistry == "lfp"]
PASS_THROUGH = [row for row in TABLES.switches if row.pse_kind == "passthrough"]
DC_DC = [row for row in TABLES.converters if row.kind == "dc_dc"]


def cells_in_series(module: Any) -> int:
    """Cells in series by the description; half cells are two halves in parallel."""
    number, kind = module.description.split()[:2]
    return int(number) // 2 if kind == "half" else int(number)


@each(TABLES.modules)
def test_module_power_point_gives_the_nameplate(part: Any) -> None:
    """Maximum power is voltage times current there (IEC 61215, standard test conditions)."""
    assert part.v_mp_v * part.i_mp_a == pytest.approx(part.nameplate_w, rel=0.03)


@each(TABLES.modules)
def test_module_curve_is_that_of_crystalline_silicon(part: Any) -> None:
    """Fill factor 0.70 to 0.83, 0.58 to 0.72 V a cell; coefficients (all from memory)."""
    assert 0.70 <= part.nameplate_w / (part.v_oc_v * part.i_sc_a) <= 0.83
    assert 0.58 <= part.v_oc_v / cells_in_series(part) <= 0.72
    assert -0.0045 <= part.gamma_pmp_per_k <= -0.0030
    assert part.gamma_pmp_per_k < part.beta_voc_per_k


@each(TABLES.modules)
def test_module_in_deep_cold_stays_under_the_code_factor(part: Any) -> None:
    """NEC table 690.7(A): 1.25 for -36 to -40 C where no coefficient is given (read second-hand)."""
    assert 1.15 <= 1 + part.beta_voc_per_k * (-40 - 25) <= 1.25


@each(TABLES.modules)
def test_module_size_and_weight(part: Any) -> None:
    """120 to 230 W/m2; 9 to 14 kg/m2 with glass and frame (common practice, no source)."""
    area = part.length_m * part.width_m
    assert 120 <= part.nameplate_w / area <= 230
    assert 9 <= part.weight_kg / area <= 14


@each(TABLES.modules)
def test_module_fuse_carries_its_current(part: Any) -> None:
    """The greatest series fuse is at least 1.35 x Isc (IEC 61730, from memory)."""
    assert part.fuse_max_a >= 1.35 * part.i_sc_a


@each(LEAD)
def test_lead_acid_block(part: Any) -> None:
    """2 V a cell; per 12 V: absorption 14.1 to 14.7, disconnect 11.5 to 11.7 V (from memory);
    compensation 3 to 5 mV per cell and K (from memory); energy by weight and volume (from memory).
    """
    assert part.nominal_v == 2.0 * part.cells
    per_12 = 6 / part.cells
    assert 14.1 <= part.charge_min_v * per_12 <= part.charge_v * per_12 <= part.charge_max_v * per_12 <= 14.7
    assert 11.5 <= part.disconnect_v * per_12 <= 11.7
    assert 0.003 - 1e-12 <= -part.temp_compensation_v_per_k / part.cells <= 0.005 + 1e-12
    energy_wh = part.nominal_v * part.capacity_ah
    assert 25 <= energy_wh / part.weight_kg <= 45
    assert 60 <= energy_wh / part.volume_l <= 120


@each(LFP)
def test_lfp_block(part: Any) -> None:
    """3.2 V a cell; charged to 3.50 to 3.65, left at 3.0 V a cell; no compensation; no charging below 0 C,
    so a heater where it says so (all from memory); 80 to 160 Wh/kg (from memory).
    """
    assert part.nominal_v == pytest.approx(3.2 * part.cells)
    assert 3.5 - 1e-9 <= part.charge_min_v / part.cells <= part.charge_max_v / part.cells <= 3.65 + 1e-9
    assert part.disconnect_v / part.cells == pytest.approx(3.0)
    assert part.temp_compensation_v_per_k == 0
    assert part.charge_temp_min_c == 0
    assert (part.heater_w > 0) == ("heats itself" in part.description)
    assert part.charge_temp_min_c >= part.temp_min_c
    energy_wh = part.nominal_v * part.capacity_ah
    assert 80 <= energy_wh / part.weight_kg <= 160
    assert 80 <= energy_wh / part.volume_l <= 200


@each(TABLES.batteries)
def test_battery_currents_and_depth(part: Any) -> None:
    """Greatest charge current in C: AGM 0.3, pure lead 0.5, gel 0.2, LFP 0.6; depth of the reserve: lead-acid
    0.8 at most, LFP 0.8 to 1 (common practice, no source).
    """
    agm = 0.5 if "pure-lead" in part.description else 0.3
    greatest = {"agm": agm, "gel": 0.2, "lfp": 0.6}
    assert part.charge_current_max_a / part.capacity_ah <= greatest[part.chemistry]
    low, high = (0.8, 1.0) if part.chemistry == "lfp" else (0.4, 0.8)
    assert low <= part.depth_of_discharge_max <= high
    low, high = (0.90, 0.98) if part.chemistry == "lfp" else (0.75, 0.90)
    assert low <= part.round_trip_efficiency <= high


@each(TABLES.controllers)
def test_controller(part: Any) -> None:
    """A tracker's peak efficiency is under 0.99, its own draw a few watts at most (common practice, no
    source); it charges a lead-acid bus of its highest voltage.
    """
    assert 0.94 <= part.efficiency <= 0.99
    assert 0.01 <= part.own_draw_w <= 2.0
    assert part.charge_max_v >= 14.7 * part.system_voltage_max_v / 12
    assert part.load_terminal_max_a is None or part.load_terminal_max_a <= part.output_max_a


@each((*TABLES.controllers, *TABLES.switches))
def test_electronics_fail_as_seldom_as_their_makers_say(part: Any) -> None:
    """Means between failures of some hundred thousand hours, 20 to 80 years (common practice, no source)."""
    assert 20 <= part.mtbf_years <= 80


@each(TABLES.switches)
def test_switch_budget_fits_its_ports(part: Any) -> None:
    """The budget feeds the greatest port alone, and is no more than all ports together can use."""
    ports = [row for row in TABLES.switch_ports if row.sku == part.sku]
    powers = [
        (PSE_W[row.poe_class] if row.port_kind == "poe" else row.port_max_w, row.quantity)
        for row in ports
        if row.port_kind in ("poe", "passive_poe")
    ]
    if part.pse_kind == "none":
        assert not powers
        assert part.poe_budget_w == 0
    else:
        assert max(power for power, _ in powers) <= part.poe_budget_w
        assert part.poe_budget_w <= sum(power * number for power, number in powers)


@each(PASS_THROUGH)
def test_pass_through_poe_stays_in_the_standards_voltage(part: Any) -> None:
    """IEEE 802.3: a PSE gives 44 to 57 V; a box that passes it on may take no more."""
    if any(row.sku == part.sku and row.port_kind == "poe" for row in TABLES.switch_ports):
        assert part.input_min_v >= 44
        assert part.input_max_v <= 57


def bus_window_v(battery: Any, system_voltage_v: int) -> tuple[float, float]:
    """Bottom and top of a bus: disconnect less 3 %, lowest setpoint raised by cold of -30 C."""
    blocks = round(system_voltage_v / battery.nominal_v)
    cold = battery.temp_compensation_v_per_k * (BUS_TOP_TEMP_C - 25.0)
    return 0.97 * blocks * battery.disconnect_v, blocks * (battery.charge_min_v + cold)


@pytest.mark.parametrize("system_voltage_v", [12, 24, 48])
def test_several_switches_live_on_every_lead_acid_bus(system_voltage_v: int) -> None:
    """On the bus itself, or behind a DC-DC converter; at 48 V a controller caps the top at 60 V."""
    windows = [bus_window_v(battery, system_voltage_v) for battery in LEAD]
    low = min(bottom for bottom, _ in windows)
    high = min(60.0, max(top for _, top in windows))
    direct = {row.sku for row in TABLES.switches if row.input_min_v <= low and row.input_max_v >= high}
    outputs = [row.output_v for row in DC_DC if row.input_min_v <= low and row.input_max_v >= high]
    behind = {row.sku for row in TABLES.switches for v in outputs if row.input_min_v <= v <= row.input_max_v}
    assert len(direct) >= 2
    assert len(direct | behind) >= 4


@pytest.mark.parametrize("battery", LEAD, ids=ids(LEAD))
def test_a_48_v_lead_acid_bus_breaks_pass_through_at_both_ends(battery: Any) -> None:
    """Over 57 V in the cold; under the 50 V of class 4 when discharged (IEEE 802.3)."""
    bottom, top = bus_window_v(battery, 48)
    assert top > 57
    assert bottom < 50


def test_a_48_v_lfp_bus_takes_pass_through_for_class_3() -> None:
    """Class 3 needs 44 to 57 V (IEEE 802.3), which 16 LFP cells keep."""
    windows = [bus_window_v(row, 48) for row in LFP if row.nominal_v == pytest.approx(51.2)]
    assert windows
    assert all(bottom >= 44 and top <= 57 for bottom, top in windows)


@each(DC_DC)
def test_dc_dc_converter(part: Any) -> None:
    """Efficiency of small converters 0.85 to 0.96, idle draw under 2 % of rated power (common practice,
    no source).
    """
    assert 0.85 <= part.efficiency <= 0.96
    assert part.own_draw_w <= 0.02 * part.output_max_w


@pytest.mark.parametrize(("kind", "size"), [("mount", "module_area_max_m2"), ("enclosure", "volume_max_l")])
def test_larger_mounts_and_enclosures_cost_less_for_their_size(kind: str, size: str) -> None:
    """Price and price per size against size (common practice, no source); raised for snow costs extra."""
    rows = [row for row in TABLES.balance if row.kind == kind and "snow" not in row.sku]
    rows.sort(key=lambda row: getattr(row, size))
    prices = [float(first_price_eur(row.sku)) for row in rows]
    each_unit = [price / getattr(row, size) for price, row in zip(prices, rows, strict=True)]
    assert prices == sorted(prices)
    assert each_unit == sorted(each_unit, reverse=True)
    assert 60 <= prices[0] < prices[-1] <= 650


def test_enclosures_leave_room_for_air() -> None:
    """Equipment fills at most 70 % of what is inside (common practice, no source)."""
    for row in TABLES.balance:
        if row.kind == "enclosure":
            inside_l = float(row.description.split(", ")[-1].split()[0])
            assert 0.5 * inside_l <= row.volume_max_l <= 0.7 * inside_l


def first_price_eur(sku: str) -> Decimal:
    """Least price of a single unit on the plan date."""
    rates = {row.currency: row.rate for row in TABLES.fx} | {"EUR": Decimal(1)}
    prices: list[Decimal] = [
        row.unit_price * rates[row.currency]
        for row in TABLES.prices
        if row.sku == sku and row.min_qty == 1 and row.valid_from <= PLAN_DATE <= row.valid_to
    ]
    return min(prices)


@each(TABLES.modules)
def test_module_price(part: Any) -> None:
    """0.35 to 1.05 EUR/W, small ones dearer (common practice, no source)."""
    assert 0.35 <= float(first_price_eur(part.sku)) / part.nameplate_w <= 1.05


@each(TABLES.batteries)
def test_battery_price(part: Any) -> None:
    """AGM 0.16 to 0.27, gel 0.18 to 0.28, LFP 0.30 to 0.52 EUR/Wh (common practice, no source)."""
    low, high = {"agm": (0.16, 0.27), "gel": (0.18, 0.28), "lfp": (0.30, 0.52)}[part.chemistry]
    assert low <= float(first_price_eur(part.sku)) / (part.nominal_v * part.capacity_ah) <= high


@pytest.mark.parametrize("day", [datetime.date(2026, 7, 1), PLAN_DATE, datetime.date(2027, 6, 30)])
def test_every_part_is_for_sale_and_cheaper_by_the_hundred(day: datetime.date) -> None:
    """All units or in steps, a larger tier never costs more a unit."""
    parts = {part.sku for name in ("modules", "batteries", "controllers", "switches", "converters", "balance")
             for part in getattr(TABLES, name)}  # fmt: skip
    offers: dict[tuple[str, str], list[tuple[int, Decimal]]] = {}
    for row in TABLES.prices:
        if row.valid_from <= day <= row.valid_to:
            offers.setdefault((row.sku, row.supplier), []).append((row.min_qty, row.unit_price))
    assert {sku for sku, _ in offers} == parts
    for tiers in offers.values():
        costs = [price for _, price in sorted(tiers)]
        assert costs == sorted(costs, reverse=True)
        assert len(costs) == len(set(costs)) > 1


def test_every_part_has_a_supplier_without_a_limit() -> None:
    """So that a fleet of any size can be bought."""
    limited = {(row.sku, row.supplier) for row in TABLES.stock if row.stock_qty is not None}
    sellers = {(row.sku, row.supplier) for row in TABLES.prices}
    assert {sku for sku, _ in sellers - limited} == {sku for sku, _ in sellers}


@pytest.mark.parametrize("system_voltage_v", [12, 24, 48])
def test_a_bus_with_an_earthed_positive_pole_can_be_charged_and_fed(system_voltage_v: int) -> None:
    """Some controller does not join through the negative pole; at 48 V, the voltage of telecom plants with an
    earthed positive pole (common practice, no source), more than one, and switches and converters that are
    isolated or have a case tied to no pole.
    """
    chargers = [
        row.sku
        for row in TABLES.controllers
        if row.common_terminal != "negative"
        and row.system_voltage_min_v <= system_voltage_v <= row.system_voltage_max_v
    ]
    assert len(chargers) >= (2 if system_voltage_v == 48 else 1)
    if system_voltage_v == 48:
        low, high = 46.6, 56.8  # of 16 LFP cells, disconnect less 3 % to absorption
        free = [
            row
            for row in (*TABLES.switches, *DC_DC)
            if row.input_min_v <= low
            and row.input_max_v >= high
            and (row.isolated or row.case_ground != "negative")
        ]
        assert sum(row in TABLES.switches for row in free) >= 2
        assert {row.output_v for row in free if row in DC_DC} >= {12, 24, 54}


@each([row for row in TABLES.modules if "hot" in row.description])
def test_module_for_hot_climates_stands_hotter_cells(part: Any) -> None:
    """Cells in full sun are 30 K above the air; ordinary modules end at 85 C (from memory)."""
    assert part.temp_max_c > 85
    assert part.gamma_pmp_per_k >= -0.0034


@pytest.mark.parametrize("scenario", SCENARIOS)
def test_bundled_scenario_has_nothing_to_complain_of(scenario: str) -> None:
    """Neither error nor warning."""
    assert check_scenario(shipped("scenarios") / scenario) == []


@pytest.mark.parametrize("scenario", SCENARIOS)
def test_bundled_sites_stand_where_the_land_has_their_height(scenario: str) -> None:
    """Stated heights against the land model's nearest point (PyPI pvcz, 0.25 degrees), as a guard against
    swapped or mistyped coordinates; a valley lies well under its surroundings' mean. By the sea or a wide
    river the nearest point of land may lie one further off.
    """
    sites = read_scenario(shipped("scenarios") / scenario).tables.sites
    latitude = np.array([site.latitude_deg for site in sites])
    longitude = np.array([site.longitude_deg for site in sites])
    near = lookup(latitude, longitude)
    stated = np.array([site.elevation_m for site in sites], dtype=float)
    assert (near.point_distance_km < 45).all()
    assert (np.abs(stated - near.elevation_m) < 500).all()


@pytest.mark.parametrize(("scenario", "sites", "profiles"), [("ochrevane", 60, 10), ("selvabruma", 123, 10)])
def test_bundled_fleets_are_of_many_kinds(scenario: str, sites: int, profiles: int) -> None:
    """Sites differ in place, load, autonomy, priority and access; every profile is carried by some; the
    built-in climate serves them all.
    """
    tables = read_scenario(shipped("scenarios") / scenario).tables
    rows = tables.sites
    assert lookup(
        np.array([row.latitude_deg for row in rows]), np.array([row.longitude_deg for row in rows])
    ).valid.all()
    assert len({(row.latitude_deg, row.longitude_deg) for row in rows}) == len(rows) == sites
    assert {row.load_profile for row in rows} == {row.load_profile for row in tables.loads}
    assert len({row.load_profile for row in rows}) == profiles
    assert {row.priority for row in rows} == {1, 2, 3}
    assert len({row.autonomy_days for row in rows}) >= 5
    assert len({row.region for row in rows}) >= 6
    assert max(row.access_cost for row in rows) > 5 * min(row.access_cost for row in rows)
