"""Figures of one design, worked by hand."""

from dataclasses import replace

import numpy as np
import pytest

from planner.designs import Choice, design_balance
from tests.designs.builders import battery, catalogue, controller, kit, module, pwm, settings, site

CHOICE = Choice(
    kit=0,
    battery=0,
    batteries_series=2,
    batteries_parallel=2,
    charge_setpoint_v=14.4,
    module=0,
    modules_series=3,
    modules_parallel=3,
    controller=0,
    controllers=2,
)


def balance(*, choice=CHOICE, box=None, store=None, the_kit=None, **values):
    cat = catalogue(module(), store or battery(), box or controller(own_draw_w=0.5))
    inputs = site(the_kit or kit(system_voltage_v=24), **({"load_w": 10.0, "sun_hours": 2.0} | values))
    return design_balance(inputs, choice, catalogue=cat, settings=settings())


def test_energy_load_and_ratio():
    b = balance()
    # load 10 W and two controllers of 0.5 W: 264 Wh; array 900 W x 2 h x 0.97 x 0.88500
    assert b.load_wh_day == pytest.approx(np.full(12, 264.0))
    assert b.array_wh_day == pytest.approx(np.full(12, 900 * 2 * 0.97 * 0.97 * 0.98 * 0.98 * 0.95), rel=1e-6)
    assert b.array_to_load_ratio == pytest.approx(b.array_wh_day / (132 + 132 / 0.85))


def test_trackers_clip_each_for_itself():
    """Three strings on two trackers: one has two of them, and clips what the other could still have taken."""
    small = controller(own_draw_w=0.5, output_max_a=12.0)
    three, two, four = (
        balance(choice=replace(CHOICE, modules_parallel=n), box=small, sun_hours=6.0).array_wh_day[0]
        for n in (3, 2, 4)
    )
    assert three == pytest.approx((two + four) / 2)
    assert four < 2 * two * 0.99  # so clipping is at work


def test_voltages_and_currents():
    b = balance(temp_air_min_c=-25.0, temp_air_max_c=35.0)
    assert b.temp_battery_min_c == -20.0
    assert b.temp_battery_hot_c == 30.0  # hottest month's 25 C and the enclosure's 5 K
    assert b.bus_high_v == pytest.approx(2 * (14.4 + 45 * 0.02))
    assert b.bus_low_v == pytest.approx(2 * 11.6 * 0.97)
    assert b.string_cold_v_oc_v == pytest.approx(3 * 22.0 * 1.15)  # 50 K below 25 C at 0.3 %
    assert b.string_hot_v_mp_v == pytest.approx(3 * 18.0 * 0.84)  # cells at 65 C, 40 K at 0.4 %
    assert b.array_i_sc_a == pytest.approx(18.0)
    assert b.array_circuit_a == pytest.approx(28.125)  # x 1.5625
    # strings of 300 W at 26.4 V are 11.36 A: two on one tracker are held at 20 A
    assert b.charge_current_a == pytest.approx(20.0 + 300 / 26.4)
    assert b.charge_rate == pytest.approx(b.charge_current_a / 200)


def test_battery_figures():
    b = balance(temp_cold_spell_c=-3.9)
    assert b.battery_wh == 4800.0
    assert b.usable_wh == pytest.approx(4800 * 0.5 * 0.8 / 1.52, rel=1e-4)  # IEEE 485 factor, from memory
    assert b.autonomy_days == pytest.approx(b.usable_wh / 264)
    assert b.daily_depth == pytest.approx(132 / 4800)


def test_cold_electrolyte_shortens_the_depth():
    # -31.7 C air is -26.7 C inside: gravity 1.200 is a third of charge, so depth 2/3; the maker's 0.8 yields
    b = balance(store=battery(depth_of_discharge_max=0.8), temp_air_min_c=-31.7)
    assert b.depth_of_discharge == pytest.approx(2 / 3, abs=1e-3)


def test_equalising_counts_where_it_fits_and_is_left_out_where_not():
    store = battery(equalise_v=15.0)
    wide, narrow = (
        balance(store=store),
        balance(store=store, the_kit=kit(system_voltage_v=24, input_max_v=30.5)),
    )
    assert wide.equalise_v == 15.0
    assert wide.bus_high_v == pytest.approx(2 * 15.4)  # 5 C inside: 20 K x 20 mV
    assert narrow.equalise_v is None
    assert narrow.bus_high_v == pytest.approx(2 * 14.8)
    capped = balance(store=store, box=controller(charge_max_v=29.5))
    assert capped.equalise_v is None
    assert capped.bus_high_v == pytest.approx(29.5)


def test_pwm_gives_its_amperes():
    one = replace(CHOICE, modules_series=2, modules_parallel=2, controllers=1)
    b = balance(choice=one, box=pwm())
    assert b.array_wh_day == pytest.approx(
        np.full(12, 2 * 5.56 * 2.0 * 26.4 * 0.97 * 0.97 * 0.98 * 0.98 * 0.95), rel=1e-6
    )
    assert b.charge_current_a == pytest.approx(12.0)


def test_month_carried_by_other_supply_has_no_ratio_to_miss():
    b = balance(sun_hours=np.r_[0.0, np.full(11, 3.0)], other_supply_wh_day=np.r_[264.0, np.zeros(11)])
    assert b.array_wh_day[0] == 0.0
    assert (b.load_wh_day[0], b.net_load_wh_day[0]) == (264.0, 0.0)
    assert b.array_to_load_ratio[0] == np.inf
    assert b.design_month == 2
