"""The bus window against usual voltages and numbers worked by hand."""

import numpy as np
import pytest

from planner.designs.bus import bottom_v, charging_top_v, setpoint_v


@pytest.mark.parametrize(
    ("setpoint", "series", "disconnect", "low", "high"),
    # a 48 V battery's usual range, from memory: 46 to 58.8 V for 24 lead-acid cells, 48 to 58.4 V for 16 LFP
    [(14.7, 4, 11.5, 46.0, 58.8), (14.6, 4, 12.0, 48.0, 58.4)],
)
def test_window_of_a_48_v_battery_at_25_c(setpoint, series, disconnect, low, high):
    assert charging_top_v(setpoint, series, -0.02, 25.0, 99.0) == pytest.approx(high)
    assert bottom_v(disconnect, series, 0.0) == pytest.approx(low)


def test_cold_raises_the_top_and_warmth_does_not_lower_it():
    # 45 K under 25 C at 20 mV: 14.4 + 0.9 = 15.3 V a block, two in series
    assert charging_top_v(14.4, 2, -0.02, -20.0, 99.0) == pytest.approx(30.6)
    assert charging_top_v(14.4, 2, -0.02, 45.0, 99.0) == pytest.approx(28.8)


def test_controller_caps_the_top():
    assert charging_top_v(14.4, 2, -0.02, -20.0, 30.0) == 30.0


def test_cable_drop_lowers_the_bottom():
    # 11.6 V x 4 = 46.4 V less 3 %
    assert bottom_v(11.6, 4, 0.03) == pytest.approx(45.008)


def choose(**values):
    defaults = {
        "recommended_v": 14.4, "least_v": 14.1, "series": 4, "compensation_v_per_k": -0.02, "temp_c": -10.0,
        "window_top_v": 99.0, "cap_v": 99.0,
    }  # fmt: skip
    return float(setpoint_v(**(defaults | values)))


def test_setpoint_is_the_recommended_one_where_the_window_is_wide():
    assert choose() == 14.4


def test_setpoint_falls_as_far_as_the_window_asks():
    # top of 59.8 V: 14.95 a block less 0.7 V of compensation for 35 K
    assert choose(window_top_v=59.8) == pytest.approx(14.25)


def test_setpoint_stops_at_the_least_that_charges():
    assert choose(window_top_v=57.0) == 14.1
    assert charging_top_v(14.1, 4, -0.02, -10.0, 99.0) > 57.0  # so the window refuses this battery


def test_controller_that_cannot_pass_the_window_guards_it():
    assert choose(window_top_v=59.8, cap_v=59.0) == 14.4
    assert choose(window_top_v=59.8, cap_v=57.0) == pytest.approx(14.25)  # and 57 V is 14.25 a block


def test_lower_window_never_raises_the_setpoint():
    tops = np.linspace(55.0, 65.0, 101)
    points = [choose(window_top_v=float(top)) for top in tops]
    assert (np.diff(points) >= 0).all()
