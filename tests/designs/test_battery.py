"""Battery physics against IEEE 485, the electrolyte's freezing table, and limits."""

import numpy as np
import pytest

from planner.designs.battery import freezing_depth, strings_needed, temperature_factor, usable_wh


@pytest.mark.parametrize(
    ("temp_c", "factor"),
    # IEEE 485 table 1, from memory
    [(-3.9, 1.520), (4.4, 1.300), (10.0, 1.190), (15.6, 1.110), (21.1, 1.040), (25.0, 1.000)],
)
def test_cold_lead_acid_needs_more_capacity(temp_c, factor):
    assert temperature_factor(temp_c, True) == pytest.approx(factor, abs=5e-4)


def test_warmth_gives_no_credit_and_lithium_no_loss():
    assert temperature_factor([25.0, 40.0], True).tolist() == [1.0, 1.0]
    assert temperature_factor([-30.0, 0.0], False).tolist() == [1.0, 1.0]


def test_factor_grows_on_below_the_table():
    # the table's coldest step is 0.22 in 8.3 K: 10 K below it adds 0.265
    assert temperature_factor(-13.9, True) == pytest.approx(1.520 + 0.22 / 8.3 * 10, abs=1e-3)
    factors = temperature_factor(np.linspace(-60, 50, 200), True)
    assert (np.diff(factors) <= 1e-12).all()


@pytest.mark.parametrize(
    ("temp_c", "depth"),
    [
        (-15.0, 1.0),  # gravity 1.150 freezes there: flatter than a flat battery's 1.160
        (-26.7, 2 / 3),  # 1.200: (1.280 - 1.200) / (1.280 - 1.160)
        (-36.9, 0.5),  # 1.220, half charged, lies 40 % of the way from 1.200 (-26.7) to 1.250 (-52.2)
        (-52.2, 1 / 4),  # 1.250
        (-67.8, 0.0),  # 1.280: even a full one freezes
    ],
)
def test_depth_stops_where_the_electrolyte_freezes(temp_c, depth):
    """Freezing by gravity and gravity by state of charge: US Army technical manual tables."""
    assert freezing_depth(temp_c, True) == pytest.approx(depth, abs=1e-3)


def test_allowed_depth_never_rises_with_cold():
    depth = freezing_depth(np.linspace(-90, 30, 400), True)
    assert (np.diff(depth) >= 0).all()
    assert depth.min() == 0
    assert depth.max() == 1
    assert freezing_depth(-60.0, False) == 1.0


def test_repeater_of_100_w_stores_1500_ah():
    """Mack 1979, telecom repeater (in Wenham et al., section 7.4): 24 V, 100 W, 15 days, before factors."""
    need = 100.0 * 24 * 15
    assert strings_needed(need, usable_wh(1500.0 * 24, 1.0, 1.0, 1.0)) == 1
    assert strings_needed(need, usable_wh(1499.0 * 24, 1.0, 1.0, 1.0)) == 2


def test_usable_energy_multiplies():
    # 100 Ah at 12 V, half of it, 0.8 at end of life, 1.3 in the cold: 1200 x 0.5 x 0.8 / 1.3
    assert usable_wh(1200.0, 0.5, 0.8, 1.3) == pytest.approx(369.2308, abs=1e-3)


def test_what_gives_nothing_is_never_enough():
    assert strings_needed(1.0, 0.0) == np.inf
    assert strings_needed([0.0, 3.0, 3.0000001], 1.0).tolist() == [0.0, 3.0, 4.0]


def test_scalar_equals_vector():
    temps = np.array([-45.0, -20.0, 3.0, 18.0, 30.0])
    assert temperature_factor(temps, True).tolist() == [float(temperature_factor(t, True)) for t in temps]
    assert freezing_depth(temps, True).tolist() == [float(freezing_depth(t, True)) for t in temps]
