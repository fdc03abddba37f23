"""The class table closes on itself; the cable against an example worked by hand and energy balance."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.demand.channel import (
    CLASS_CLOSURE_W,
    CLASSES,
    class_source_w,
    effective_class,
    floor_v,
    passive_loop_ohm,
    source_w,
)


@pytest.mark.parametrize("number", range(9))
def test_class_table_closes(number: int) -> None:
    """IEEE 802.3-2022: P_PD = P_PSE - I^2 R with I = P_PSE / V_PSE,min; the rounded table within 0.1 W."""
    row = CLASSES[number]
    current_a = row.pse_w / row.pse_min_v
    assert row.pse_w - current_a**2 * row.design_ohm == pytest.approx(row.pd_w, abs=CLASS_CLOSURE_W)


@pytest.mark.parametrize("number", range(4, 9))
def test_full_class_over_100_m(number: int) -> None:
    """A device at its class's power behind the standard's 100 m channel takes the class's port power."""
    row = CLASSES[number]
    assert class_source_w(row.pd_w, number, 100.0, 12.5) == pytest.approx(row.pse_w, abs=CLASS_CLOSURE_W)


@pytest.mark.parametrize(
    ("number", "pse_w", "pd_w", "poe_type"),
    # IEEE 802.3-2022 clauses 33 and 145, as in the class table of the standard.
    [
        (0, 15.4, 12.95, 1),
        (1, 4.0, 3.84, 1),
        (2, 7.0, 6.49, 1),
        (4, 30, 25.5, 2),
        (6, 60, 51, 3),
        (8, 90, 71.3, 4),
    ],
)
def test_class_values(number: int, pse_w: float, pd_w: float, poe_type: int) -> None:
    row = CLASSES[number]
    assert (row.pse_w, row.pd_w, row.poe_type) == (pse_w, pd_w, poe_type)
    assert row.pairs == (4 if number > 4 else 2)


def test_class_0_is_served_as_class_3() -> None:
    """IEEE 802.3-2022 clause 33: class 0 is the default class, of class 3's power."""
    assert effective_class(0) == 3
    assert effective_class(None) < 0


def test_passive_feed_example() -> None:
    """24 V, 12 W, 100 m of 24 AWG on two pairs: 8.42 ohm, 0.647 A, 15.52 W (by hand from ASTM B258)."""
    loop_ohm = passive_loop_ohm(100.0)
    assert loop_ohm == pytest.approx(8.42, abs=0.005)
    drawn_w = source_w(12.0, 24.0, loop_ohm)
    assert drawn_w == pytest.approx(15.52, abs=0.005)
    assert drawn_w / 24.0 == pytest.approx(0.647, abs=0.0005)


def test_awg24_from_its_definition() -> None:
    """ASTM B258: d = 0.127 x 92^((36 - n) / 39) mm; copper of 1.7241 uohm cm."""
    diameter_mm = 0.127 * 92 ** ((36 - 24) / 39)
    ohm_per_km = 17.241 / (math.pi / 4 * diameter_mm**2)
    assert passive_loop_ohm(1000.0) == pytest.approx(ohm_per_km, rel=1e-3)


def test_no_more_than_the_cable_carries() -> None:
    """Maximum power transfer: V^2 / (4 R) is the most a loop gives, at half the voltage."""
    most_w = 24.0**2 / (4 * 10.0)
    assert source_w(most_w, 24.0, 10.0) == pytest.approx(2 * most_w)
    assert source_w(most_w * 1.001, 24.0, 10.0) == math.inf


watts = st.floats(0.1, 60.0)
volts = st.floats(12.0, 57.0)


@given(watts, volts, st.floats(0.0, 20.0))
def test_power_balance(load_w: float, source_v: float, loop_ohm: float) -> None:
    """What leaves the source is the load and the cable's heat: Kirchhoff and Joule."""
    drawn_w = source_w(load_w, source_v, loop_ohm)
    if math.isfinite(drawn_w):
        current_a = drawn_w / source_v
        assert drawn_w == pytest.approx(load_w + current_a**2 * loop_ohm, rel=1e-6)


@given(watts, st.integers(0, 8), st.floats(0.0, 100.0), st.floats(0.0, 100.0))
def test_longer_never_less(load_w: float, number: int, one_m: float, other_m: float) -> None:
    near, far = sorted((one_m, other_m))
    assert class_source_w(load_w, number, near, 12.5) <= class_source_w(load_w, number, far, 12.5) * (
        1 + 1e-12
    )


@given(watts, st.floats(5.0, 50.0), st.floats(0.0, 20.0))
def test_floor_keeps_the_load_alive(load_w: float, load_min_v: float, loop_ohm: float) -> None:
    """At the floor the load sits at its lowest voltage or over it; a little lower, it doesn't."""
    lowest_v = floor_v(load_w, load_min_v, loop_ohm)

    def load_v(source_v: float) -> float:
        return source_v - loop_ohm * source_w(load_w, source_v, loop_ohm) / source_v

    assert load_v(lowest_v * (1 + 1e-9)) >= load_min_v * (1 - 1e-3)
    assert load_v(lowest_v * 0.99) < load_min_v
