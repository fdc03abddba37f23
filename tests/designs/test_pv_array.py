"""Array physics against NEC tables, pvlib, and numerical integration."""

import numpy as np
import pvlib
import pytest

from planner.designs import pv_array
from planner.designs.columns import charge_current_a, make_columns
from planner.settings import ArraySettings
from tests.designs.builders import GRID_W_M2, catalogue, controller, module, pwm, settings, site, sky


@pytest.mark.parametrize(
    ("coldest_c", "factor"),
    # NEC table 690.7(A): the factor of the range that ends at this temperature
    [(0.0, 1.10), (-10.0, 1.14), (-20.0, 1.18), (-40.0, 1.25)],
)
def test_cold_voltage_stays_under_the_code_table(coldest_c, factor):
    """The table serves when no coefficient is known, so a typical silicon coefficient gives a little less."""
    risen = float(pv_array.cold_v_oc_v(1.0, -0.003, coldest_c))
    assert factor - 0.06 < risen < factor


def test_array_circuit_is_rated_for_45_a():
    """NEC 690.8 and 690.9: 1.25 x 1.25 x 3 strings x 9.6 A."""
    assert pv_array.circuit_a(9.6, 3, ArraySettings().irradiance_factor_isc) == pytest.approx(45.0)


def test_warm_power_is_that_of_pvlib_pvwatts():
    temps, poa = np.array([-15.0, 10.0, 25.0, 48.0]), np.array([120.0, 480.0, 800.0, 1000.0])
    ours = 330.0 * pv_array.warm_share(-0.0035, temps) * poa / 1000.0
    theirs = pvlib.pvsystem.pvwatts_dc(poa, temps, 330.0, -0.0035)
    np.testing.assert_allclose(ours, theirs, rtol=1e-12)


def test_hot_voltage_is_that_of_a_single_diode_model():
    """Cells at 70 C by pvlib's De Soto equations for 60 cells: ours is no higher, and within 3 %."""
    slope = 1.1 * 60 * 1.380649e-23 * 298.15 / 1.602176634e-19  # ideality 1.1 times the thermal voltage
    dark = 10.2 * np.exp(-41.0 / slope)
    cold, hot = (
        pvlib.pvsystem.singlediode(
            *pvlib.pvsystem.calcparams_desoto(1000.0, cell_c, 0.0051, slope, 10.2, dark, 400.0, 0.25)
        )
        for cell_c in (25.0, 70.0)
    )
    gamma = (hot["p_mp"] / cold["p_mp"] - 1) / 45.0
    assert -0.005 < gamma < -0.003  # as data sheets of silicon modules say
    ours = float(pv_array.hot_v_mp_v(cold["v_mp"], gamma, 40.0))  # air of 40 C, cells 30 K warmer
    assert 0.97 * hot["v_mp"] < ours <= 1.005 * hot["v_mp"]


def test_losses_multiply():
    losses = ArraySettings(soiling_loss=0.1, mismatch_loss=0.2, wiring_loss=0.0, ageing_loss=0.5)
    assert pv_array.derating(losses) == pytest.approx(0.9 * 0.8 * 0.5)


def test_pwm_delivers_ampere_hours_at_the_charging_voltage():
    # 5.56 A x 4.5 h x (12 + 14.4) / 2 V; watts of the module do not enter
    volts = pv_array.charging_v(12.0, 14.4, 1)
    assert pv_array.pwm_wh(5.56, volts, 4500.0, 1.0) == pytest.approx(5.56 * 4.5 * 13.2)


def test_clipped_energy_is_the_integral_from_below():
    """Against direct integration of min(power, limit) over the day: never above, and within 1.5 %."""
    light = sky(5.0)
    minutes = (np.arange(7200) + 0.5) / 7200
    irradiance = np.sin(np.pi * minutes) / (2 / np.pi) * 5000.0 / 12.0
    for limit in (20.0, 60.0, 120.0, 180.0, 400.0):
        power = np.full((1, 12), 260.0)
        ours = pv_array.clipped_wh(power, np.array([limit]), light["poa_clipped_wh_m2_day"], GRID_W_M2)[0, 0]
        truth = np.minimum(260.0 * irradiance / 1000.0, limit).mean() * 12.0
        assert 0.985 * truth < ours < truth * (1 + 1e-4)


def test_unclipped_array_keeps_all_its_energy():
    light = sky(3.0)
    ours = pv_array.clipped_wh(np.full((2, 12), 200.0), np.array([1e6, 240.0]), *list(light.values())[1:])
    np.testing.assert_allclose(ours, 600.0, rtol=1e-9)


def test_polar_night_gives_exactly_nothing():
    light = sky(np.r_[0.0, np.full(11, 3.0)])
    ours = pv_array.clipped_wh(np.full((1, 12), 200.0), np.array([50.0]), *list(light.values())[1:])
    assert ours[0, 0] == 0.0
    assert (ours[0, 1:] > 0).all()


def columns_of(*parts, **changed):
    cat = catalogue(*parts)
    return make_columns(site(**changed), cat, np.ones(len(cat.controllers), dtype=bool), settings())


def test_series_end_at_the_cold_open_circuit_voltage():
    # 22 V x (1 + 0.003 x 45) = 24.97 V at -20 C: 100 V take 4, 99.87 take 3
    assert columns_of(module(), controller(), temp_air_min_c=-20.0).series.max() == 4
    tight = controller(pv_input_max_v=99.87)
    assert columns_of(module(), tight, temp_air_min_c=-20.0).series.max() == 3
    assert columns_of(module(system_voltage_max_v=50.0), controller(), temp_air_min_c=-20.0).series.max() == 2


def test_strings_end_at_the_bright_sky_current():
    # 6 A x 1.25 = 7.5 A a string: 22 A take 2; PWM of 30 A in and 20 A out also 2, not 4
    assert columns_of(module(), controller()).strings_max[0] == 2
    wide = pwm(pv_input_max_a=30.0, output_max_a=20.0)
    assert columns_of(module(), wide).strings_max[0] == 2
    tracker = controller(pv_input_max_a=30.0, output_max_a=20.0)
    assert columns_of(module(), tracker).strings_max[0] == 4  # a tracker's output limit clips instead


def test_charge_current_is_limited_at_each_tracker():
    columns = columns_of(module(), controller(pv_input_max_a=60.0), pwm())
    two = int(np.flatnonzero((columns.controllers == 2) & (columns.series == 1) & columns.tracked)[0])
    # 100 W at 12.5 V is 8 A: five strings lie 3 and 2 on two trackers of 20 A: 20 (not 24) + 16
    strings = np.zeros((1, len(columns.module)))
    strings[0, two] = 5
    assert charge_current_a(columns, strings, np.array([12.5]))[0, two] == pytest.approx(36.0)
    direct = int(np.flatnonzero(~columns.tracked & (columns.controllers == 1))[0])
    strings[0, direct] = 2
    assert charge_current_a(columns, strings, np.array([12.5]))[0, direct] == pytest.approx(12.0)
