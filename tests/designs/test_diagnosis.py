"""What blocks a site: one rule at a time, with the numbers that a planner can act on."""

import numpy as np
import pytest

from planner.designs import blocking_rule, site_options
from planner.errors import Refusal
from tests.designs.builders import battery, catalogue, controller, kit, lithium, module, pwm, settings, site

PARTS = (module(), battery(), controller())


def blocked(inputs, *parts, volts=12, policy=None):
    """Refusal of a site without designs; the site must really have none."""
    cat, chosen = catalogue(*(parts or PARTS)), settings(policy=policy or {})
    assert (
        site_options(inputs, catalogue=cat, system_voltage_v=volts, settings=chosen).modules_parallel.size
        == 0
    )
    return blocking_rule("S1", [(volts, inputs)], kit_refusals=(), catalogue=cat, settings=chosen)


def test_no_kit_reports_the_nearest_miss():
    far = Refusal(rule="poe-budget", subject="SW1", message="far", value=120.0, limit=60.0, unit="W")
    near = Refusal(rule="poe-budget", subject="SW2", message="near", value=95.0, limit=90.0, unit="W")
    bare = Refusal(rule="ac-not-served", subject="D", message="no number")
    cat, chosen = catalogue(*PARTS), settings()
    assert blocking_rule("S1", [], kit_refusals=(bare, far, near), catalogue=cat, settings=chosen) is near
    assert blocking_rule("S1", [], kit_refusals=(), catalogue=cat, settings=chosen).rule == "no-kit"


def test_polar_night_names_the_month_and_the_energy():
    dark = site(load_w=5.0, sun_hours=np.r_[np.full(11, 3.0), 0.0], other_supply_wh_day=np.full(12, 20.0))
    refusal = blocked(dark)
    assert (refusal.rule, refusal.subject) == ("no-sun", "December")
    assert (refusal.value, refusal.limit) == (20.0, pytest.approx(120.0))
    assert refusal.shortfall == pytest.approx(100.0)


def test_battery_too_cold():
    refusal = blocked(site(load_w=3.0, temp_air_min_c=-20.0), module(), lithium(), controller())
    assert refusal.rule == "battery-cold"
    assert (refusal.value, refusal.limit, refusal.unit) == (-15.0, 0.0, "C")


def test_battery_too_hot():
    refusal = blocked(site(load_w=3.0, temp_air_max_c=50.0), module(), battery(temp_max_c=50.0), controller())
    assert (refusal.rule, refusal.value, refusal.limit) == ("battery-hot", 55.0, 50.0)


def test_no_battery_makes_the_voltage():
    inputs = site(kit(system_voltage_v=48), load_w=3.0)
    assert (
        blocked(inputs, module(), battery(batteries_series_max=2), controller(), volts=48).rule
        == "battery-voltage"
    )


def test_boxes_too_cold():
    refusal = blocked(site(kit(temp_min_c=-10.0), load_w=3.0, temp_air_min_c=-20.0))
    assert (refusal.rule, refusal.value, refusal.limit) == ("kit-cold", -15.0, -10.0)


def test_no_controller_for_the_voltage_or_the_cold():
    inputs = site(kit(system_voltage_v=48), load_w=3.0)
    refusal = blocked(inputs, module(), battery(), controller(system_voltage_max_v=24), volts=48)
    assert refusal.rule == "controller-voltage"
    refusal = blocked(
        site(load_w=3.0, temp_air_min_c=-30.0), module(), battery(), controller(temp_min_c=-20.0)
    )
    assert (refusal.rule, refusal.value, refusal.limit) == ("controller-cold", -25.0, -20.0)


def test_bus_rises_over_the_window():
    # least setpoint 14.1 V and 20 K x 20 mV of cold: 14.5 V a block
    refusal = blocked(
        site(kit(system_voltage_v=48, input_max_v=57.0, window_high_sku="SW-PT"), load_w=3.0), volts=48
    )
    assert (refusal.rule, refusal.subject) == ("bus-window", "SW-PT")
    assert (refusal.value, refusal.limit) == (pytest.approx(58.0), 57.0)


def test_bus_falls_under_the_window():
    refusal = blocked(site(kit(input_min_v=11.5, window_low_sku="LAMP"), load_w=3.0))
    assert (refusal.rule, refusal.subject) == ("bus-window", "LAMP")
    assert (refusal.value, refusal.limit) == (pytest.approx(11.6 * 0.97), 11.5)


def test_load_terminals_too_weak():
    inputs = site(kit(load_terminal=True, max_current_a=30.0), load_w=3.0)
    refusal = blocked(inputs)
    assert (refusal.rule, refusal.value, refusal.limit, refusal.unit) == ("load-terminals", 20.0, 30.0, "A")


def test_load_terminals_bear_too_little_inrush():
    inputs = site(kit(load_terminal=True, max_current_a=3.0, surge_current_a=45.0), load_w=3.0)
    refusal = blocked(inputs, module(), battery(), controller(load_terminal_surge_a=40.0))
    assert (refusal.rule, refusal.value, refusal.limit) == ("load-terminals", 40.0, 45.0)
    assert "for seconds" in refusal.message


def test_no_controller_follows_the_temperature():
    inputs = site(load_w=3.0, temp_air_min_c=-10.0)
    refusal = blocked(inputs, module(), battery(), controller(temp_compensated=False))
    assert refusal.rule == "charge-compensation"


def test_no_controller_reaches_the_least_setpoint():
    refusal = blocked(site(load_w=3.0), module(), battery(), controller(charge_max_v=14.0))
    assert (refusal.rule, refusal.value, refusal.limit, refusal.unit) == ("charging", 14.0, 14.1, "V")


def test_no_module_stands_the_cold():
    cold = site(load_w=3.0, temp_air_min_c=-40.0)
    refusal = blocked(cold, module(temp_min_c=-20.0), battery(), controller())
    assert (refusal.rule, refusal.value, refusal.limit) == ("module-cold", -40.0, -20.0)


def test_strings_too_low_to_charge():
    # 18 V x (1 - 0.4 % x 35 K) = 15.48 V less 0.5 V headroom, in strings of one by the 40 V input
    inputs = site(kit(system_voltage_v=24), load_w=3.0)
    refusal = blocked(inputs, module(), battery(), pwm(pv_input_max_v=40.0), volts=24)
    assert refusal.rule == "string-voltage"
    assert (refusal.value, refusal.limit) == (pytest.approx(14.98), pytest.approx(28.8))


def test_array_too_small():
    # two strings of four 100 W modules on a controller, unclipped: 800 W x 0.25 h x 0.97 x 0.885 = 171.7 Wh;
    # load 10.3 W: 123.6 + 123.6 / 0.85 = 269.0 Wh
    refusal = blocked(site(load_w=10.0, sun_hours=0.25), policy={"controllers_max": 1})
    assert refusal.rule == "array-size"
    assert refusal.limit == 1.1
    assert refusal.value == pytest.approx(171.69 / 269.0, rel=0.01)


def test_area_too_small():
    refusal = blocked(site(load_w=10.0, sun_hours=1.0, module_area_max_m2=1.5))
    assert refusal.rule == "array-area"
    # two modules of 0.7 m2 fit: 200 W x 1 h x 0.97 x 0.885 over 269.0 Wh
    assert refusal.value == pytest.approx(200 * 0.97 * 0.88500 / 269.0, rel=1e-3)


def test_battery_too_small():
    refusal = blocked(site(load_w=10.0, autonomy_days=20.0, temp_cold_spell_c=25.0))
    assert (refusal.rule, refusal.limit, refusal.unit) == ("battery-size", 20.0, "days")
    assert refusal.value == pytest.approx(4 * 1200 * 0.5 * 0.8 / 240)


def test_the_voltage_that_gets_furthest_is_reported():
    cat, chosen = catalogue(*PARTS), settings()
    bus, store = site(kit(input_max_v=14.0), load_w=10.0), site(load_w=10.0, autonomy_days=50.0)
    for order in ([(12, bus), (24, store)], [(24, store), (12, bus)]):
        assert (
            blocking_rule("S1", order, kit_refusals=(), catalogue=cat, settings=chosen).rule == "battery-size"
        )
