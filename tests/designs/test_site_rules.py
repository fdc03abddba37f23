"""Rules that a site or a setting switches on: grounding, setpoints, recovery, wind, enclosure; by hand."""

from dataclasses import replace

import numpy as np
import pytest

from planner.designs import blocking_rule, site_options
from planner.tables.rows import BusGrounding
from tests.designs.builders import (
    battery,
    catalogue,
    controller,
    kit,
    lithium,
    module,
    pwm,
    settings,
    site,
)

NEGATIVE, POSITIVE, FLOATING = BusGrounding
PARTS = (module(), battery(), controller())


def options(inputs, *parts, **groups):
    cat = catalogue(*(parts or PARTS))
    return site_options(inputs, catalogue=cat, system_voltage_v=12, settings=settings(**groups))


def feasible(inputs, *parts, **groups):
    return options(inputs, *parts, **groups).modules_parallel.size > 0


def refusal(inputs, *parts, **groups):
    """Why a site has no design; it must really have none."""
    assert not feasible(inputs, *parts, **groups)
    cat = catalogue(*(parts or PARTS))
    return blocking_rule("S1", [(12, inputs)], kit_refusals=(), catalogue=cat, settings=settings(**groups))


def numbers(one):
    return one.rule, pytest.approx(one.value), pytest.approx(one.limit), one.unit


def modules_and_blocks(found):
    modules = found.modules_parallel * found.modules_series
    return int(modules[modules > 0].min()), int(found.batteries_parallel[modules > 0].min())


# Grounding


@pytest.mark.parametrize(
    ("grounding", "terminal", "fits"),
    [
        (NEGATIVE, "negative", True), (NEGATIVE, "positive", False), (NEGATIVE, "none", True),
        (POSITIVE, "negative", False), (POSITIVE, "positive", True), (POSITIVE, "none", True),
        (FLOATING, "negative", True), (FLOATING, "positive", True), (FLOATING, "none", True),
    ],
)  # fmt: skip
def test_controller_joins_through_the_earthed_pole(grounding, terminal, fits):
    inputs = site(load_w=3.0, bus_grounding=grounding)
    parts = (module(), battery(), controller(common_terminal=terminal))
    assert feasible(inputs, *parts) == fits
    if not fits:
        one = refusal(inputs, *parts)
        assert one.rule == "controller-grounding"
        assert grounding in one.message


def test_a_controller_that_fits_is_found_among_those_that_do_not():
    inputs = site(load_w=3.0, bus_grounding=POSITIVE)
    found = options(inputs, *PARTS, pwm(common_terminal="positive"))
    assert set(found.controller) == {1}


def test_boxes_that_lie_on_the_other_pole_are_refused():
    only_negative = kit(groundings=(NEGATIVE, FLOATING))
    box = controller(common_terminal="none")
    assert feasible(site(only_negative, load_w=3.0), module(), battery(), box)
    one = refusal(site(only_negative, load_w=3.0, bus_grounding=POSITIVE), module(), battery(), box)
    assert one.rule == "kit-grounding"
    both = site(only_negative, kit(), load_w=3.0, bus_grounding=POSITIVE)
    assert set(options(both, module(), battery(), box).kit) == {1}


# Setpoints


def test_constant_setpoint_must_suit_cold_and_heat():
    """Without compensation: 14.1 V + 20 mV/K in the cold to 14.7 V - 20 mV/K in the heat."""
    parts = (module(), battery(), controller(temp_compensated=False))
    # battery 7 to 35 C: 14.1 + 0.36 = 14.46 V to 14.7 - 0.20 = 14.50 V; it does not rise with the cold
    inputs = site(kit(input_max_v=14.47), load_w=3.0, temp_air_min_c=2.0, temp_air_max_c=30.0)
    assert options(inputs, *parts).charge_setpoint_v == pytest.approx([14.46])
    assert not feasible(replace(inputs, kits=(kit(input_max_v=14.45),)), *parts)
    # at 3 C 14.54 V are needed, and the heat allows 14.50 V
    one = refusal(replace(inputs, temp_air_min_c=-2.0), *parts)
    assert numbers(one) == ("charge-compensation", 14.50, 14.54, "V")
    # at 45 C 14.30 V are the most
    one = refusal(replace(inputs, temp_air_max_c=40.0), *parts)
    assert numbers(one) == ("charge-compensation", 14.30, 14.46, "V")


def test_cells_that_ask_for_no_compensation_take_any_controller():
    inputs = site(load_w=3.0, temp_air_min_c=0.0, temp_air_max_c=40.0)
    plain = controller(temp_compensated=False)
    assert options(inputs, module(), lithium(), plain).charge_setpoint_v == pytest.approx([14.2])


def test_required_equalising_must_fit_the_window_and_the_controller():
    store = battery(equalise_v=15.0)
    required = {"battery": {"equalise_required": True}}
    # at 5 C in the enclosure 15.0 V rise by 20 K x 20 mV to 15.4 V
    for top, fits in ((15.41, True), (15.39, False)):
        inputs = site(kit(input_max_v=top), load_w=3.0)
        assert feasible(inputs, module(), store, controller(), **required) == fits
        assert feasible(inputs, module(), store, controller())  # else it is left out
    one = refusal(site(kit(input_max_v=15.2), load_w=3.0), module(), store, controller(), **required)
    assert numbers(one) == ("bus-window", 15.4, 15.2, "V")
    assert "equalised" in one.message
    weak = controller(charge_max_v=14.9)
    assert feasible(site(load_w=3.0), module(), store, weak)
    assert numbers(refusal(site(load_w=3.0), module(), store, weak, **required)) == (
        "charging", 14.9, 15.0, "V",
    )  # fmt: skip
    assert feasible(site(load_w=3.0), module(), battery(), weak, **required)  # one that is never equalised


# Recovery


def test_recovery_asks_for_array():
    # 10 W: 120 + 120 / 0.85 = 261.2 Wh a day, x 1.1 = 287.3; a module gives 100 x 2 x 0.97 x 0.885 = 171.7:
    # two give 343.4. Three days of 240 Wh through 0.85 are 847.1 Wh: in 11 days 77.0 a day, 338.2 in all;
    # in 10 days 84.7, 345.9 in all: three modules
    parts = (module(), battery(), controller(own_draw_w=0.0))
    inputs = site(load_w=10.0, sun_hours=2.0, autonomy_days=3.0)
    for days, modules in ((None, 2), (11.0, 2), (10.0, 3)):
        found = options(replace(inputs, recovery_days_max=days), *parts)
        assert modules_and_blocks(found)[0] == modules


def test_recovery_refills_what_the_month_uses():
    """A month that another source carries leaves the reserve full, so it may be dark."""
    parts = (module(), battery(), controller(own_draw_w=0.0))
    dark = site(
        load_w=10.0,
        sun_hours=np.r_[0.0, np.full(11, 2.0)],
        other_supply_wh_day=np.r_[240.0, np.zeros(11)],
        recovery_days_max=11.0,
    )
    assert modules_and_blocks(options(dark, *parts))[0] == 2


def test_array_too_slow_to_refill_is_named():
    # eight modules in 0.4 h: 800 x 0.4 x 0.97 x 0.885 = 274.7 Wh; 10 W ask 261.2: 13.5 Wh are left of a day
    # to refill 847.1 Wh
    inputs = site(load_w=10.0, sun_hours=0.4, array_to_load_ratio=1.0, recovery_days_max=30.0)
    parts = (module(), battery(), controller(own_draw_w=0.0))
    one = refusal(inputs, *parts, policy={"controllers_max": 1})
    assert (one.rule, one.limit, one.unit) == ("array-recovery", 30.0, "days")
    array = 800 * 0.4 * 0.97 * 0.97 * 0.98 * 0.98 * 0.95
    assert one.value == pytest.approx(3 * 240 / 0.85 / (array - 120 - 120 / 0.85), rel=1e-6)
    assert feasible(replace(inputs, recovery_days_max=None), *parts, policy={"controllers_max": 1})


# Daily depth


@pytest.mark.parametrize(
    ("store", "watts"),
    # a night of 12 h may take a fifth of 1200 Wh, 20 W; or 60 % of 640 Wh, 32 W
    [(battery(), 20.0), (lithium(), 32.0)],
)
def test_daily_depth_by_chemistry(store, watts):
    parts = (module(), store, controller(own_draw_w=0.0, pv_input_max_a=60.0))
    for load, blocks in ((watts, 1), (watts * 1.01, 2)):
        inputs = site(load_w=load, sun_hours=6.0, autonomy_days=0.5)
        assert modules_and_blocks(options(inputs, *parts))[1] == blocks


# Temperatures and wind


def test_hot_cells_end_at_the_modules_limit():
    # IEC 61215 modules are stated to 85 C; cells in full sun are 30 K above the air
    assert module().temp_max_c == 85.0
    warm = {"load_w": 3.0, "enclosure_rise_k": 0.0}
    assert feasible(site(temp_air_max_c=55.0, **warm))
    one = refusal(site(temp_air_max_c=56.0, **warm))
    assert numbers(one) == ("module-hot", 86.0, 85.0, "C")


def test_own_enclosure_wins_over_the_settings():
    store = battery(temp_max_c=50.0, temp_min_c=-20.0)
    hot = site(load_w=3.0, temp_air_max_c=44.0)
    assert feasible(hot, module(), store, controller())  # 49 C
    one = refusal(replace(hot, enclosure_rise_k=12.0), module(), store, controller())
    assert numbers(one) == ("battery-hot", 56.0, 50.0, "C")
    cold = site(load_w=3.0, temp_air_min_c=-26.0)
    assert numbers(refusal(cold, module(), store, controller())) == ("battery-cold", -21.0, -20.0, "C")
    assert feasible(replace(cold, enclosure_damping_k=6.0), module(), store, controller())


def test_wind_presses_on_modules():
    # 1.5 x 1.25 kg/m3 / 2 x (40 m/s)^2 = 1500 Pa
    windy = site(load_w=3.0, wind_design_m_s=40.0)
    assert feasible(windy, module(pressure_max_pa=1500.0), battery(), controller())
    assert feasible(windy, module(), battery(), controller())  # not stated, not checked
    one = refusal(windy, module(pressure_max_pa=1499.0), battery(), controller())
    assert numbers(one) == ("module-wind", 1500.0, 1499.0, "Pa")


def test_one_module_over_a_controllers_limits():
    # 22 V x 1.15 at -25 C; 6 A x 1.25 under a bright sky
    cold = site(load_w=3.0, temp_air_min_c=-25.0)
    one = refusal(cold, module(), battery(), controller(pv_input_max_v=25.0, charge_max_v=20.0))
    assert numbers(one) == ("module-voltage", 25.3, 25.0, "V")
    one = refusal(site(load_w=3.0), module(), battery(), controller(pv_input_max_a=7.0))
    assert numbers(one) == ("module-current", 7.5, 7.0, "A")
