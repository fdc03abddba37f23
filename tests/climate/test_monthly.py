"""Months of a site: who wins, what is refused, margins and temperatures."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.climate.builtin import lookup
from planner.climate.monthly import BUILT_IN, CLEARNESS_MAX, OWN, UNSCALED, generic_days, rescale
from planner.climate.sun import monthly_extra_wh_m2_day
from planner.settings import ClimateSettings
from planner.units import DAYS_IN_MONTH

UTRECHT = (52.1, 5.1)


def annual(ghi):
    days = np.array(DAYS_IN_MONTH)
    return (ghi * days).sum() / days.sum()


def test_built_in_is_scaled_and_margined(make_climate):
    climate = make_climate(*UTRECHT, settings=ClimateSettings(margin=0.7))
    built_in = lookup(np.array([52.1]), np.array([5.1]))
    reanalysis = annual(built_in.clearness.mean(axis=2)[0] * monthly_extra_wh_m2_day(np.array([52.1]))[0])
    assert climate.source == (BUILT_IN,)
    assert climate.climate_margin.tolist() == [0.7]
    assert annual(climate.ghi_wh_m2_day[0]) == pytest.approx(
        0.7 * min(built_in.annual_wh_m2_day[0], reanalysis)
    )


def test_without_long_term_mean_the_wider_margin_holds(make_climate):
    climate = make_climate(55.317, -160.517)  # no land point near, a cell is
    assert climate.source == (UNSCALED,)
    assert climate.climate_margin.tolist() == [0.80]
    assert climate.refusal == ("",)


def test_own_values_win_without_margin(make_climate):
    ghi = 0.45 * monthly_extra_wh_m2_day(np.array([52.1]))
    temp = np.linspace(-3, 20, 12)
    climate = make_climate(*UTRECHT, ghi=ghi, temp=temp, lowest=-33.0, highest=44.0, albedo=0.6)
    assert climate.source == (OWN,)
    assert climate.climate_margin.tolist() == [1.0]
    assert climate.ghi_wh_m2_day == pytest.approx(ghi)
    assert climate.temp_air_c[0] == pytest.approx(temp)
    assert (climate.temp_air_min_c[0], climate.temp_air_max_c[0]) == (-33.0, 44.0)
    assert (climate.albedo == 0.6).all()
    assert climate.temp_hot_month_c.tolist() == [20.0]


def test_stated_months_of_temperature_leave_the_others(make_climate):
    temp = np.full(12, np.nan)
    temp[0] = -7.5
    stated, plain = make_climate(*UTRECHT, temp=temp), make_climate(*UTRECHT)
    assert stated.temp_air_c[0, 0] == -7.5
    assert stated.temp_air_c[0, 1:] == pytest.approx(plain.temp_air_c[0, 1:])


@pytest.mark.parametrize(("latitude", "longitude"), [(0.0, -30.0), (85.0, 0.0)])
def test_far_from_land_is_refused_with_the_remedy(make_climate, latitude, longitude):
    climate = make_climate(latitude, longitude)
    assert "km away" in climate.refusal[0]
    assert "ghi_wh_m2_day" in climate.refusal[0]


def test_own_values_need_no_cell_but_temperatures(make_climate):
    ghi = 0.5 * monthly_extra_wh_m2_day(np.array([0.0]))
    assert "temp_air_c" in make_climate(0.0, -30.0, ghi=ghi).refusal[0]
    assert "temp_air_min_c" in make_climate(0.0, -30.0, ghi=ghi, temp=26.0).refusal[0]
    climate = make_climate(0.0, -30.0, ghi=ghi, temp=26.0, lowest=18.0, highest=33.0)
    assert climate.refusal == ("",)
    assert np.ptp(climate.clearness[0, 0]) > 0.3  # its days still vary
    assert climate.clearness.mean(axis=2) == pytest.approx(np.full((1, 12), 0.5))


def test_some_months_only_are_refused(make_climate):
    ghi = np.full(12, 3000.0)
    ghi[4] = np.nan
    assert "all twelve" in make_climate(*UTRECHT, ghi=ghi).refusal[0]


def test_more_light_than_the_sun_gives_is_refused(make_climate):
    ghi = 0.5 * monthly_extra_wh_m2_day(np.array([52.1]))[0]
    ghi[6] *= 2.0
    assert "month 7" in make_climate(*UTRECHT, ghi=ghi).refusal[0]


def test_the_clearest_place_is_not_refused(make_climate):
    # the high Atacama: monthly clearness above 0.8
    assert make_climate(-24.0, -69.0, settings=ClimateSettings(margin=1.0, margin_unscaled=1.0)).refusal == (
        "",
    )


def test_elevation_difference_is_site_above_its_point(make_climate):
    found = lookup(np.array([46.6]), np.array([8.0])).elevation_m[0]
    climate = make_climate(46.6, 8.0, elevation=3500.0)
    assert climate.elevation_difference_m[0] == pytest.approx(3500.0 - found)


def test_seasons_and_extremes(make_climate):
    climate = make_climate([52.1, -33.9, 68.0], [5.1, 18.9, 27.0])
    assert climate.temp_air_c.argmax(axis=1).tolist() == [6, 0, 6]
    assert climate.temp_air_c.argmin(axis=1).tolist() == [0, 6, 0]
    assert (climate.temp_air_min_c <= climate.temp_air_c.min(axis=1)).all()
    assert (climate.temp_air_max_c >= climate.temp_air_c.max(axis=1)).all()
    assert (climate.temp_cold_spell_c <= climate.temp_air_c.min(axis=1)).all()
    assert (climate.temp_cold_spell_c >= climate.temp_air_min_c).all()
    far_north = lookup(np.array([68.0]), np.array([27.0])).temp_min_c[0]
    assert climate.temp_air_min_c[2] == pytest.approx(far_north - 5.0)
    # De Bilt's normals, January 3.6 and July 18.3 C (KNMI 1991-2020, from memory); a sinusoid whose amplitude
    # comes from the extremes is good to about 4 K
    assert climate.temp_air_c[0, 0] == pytest.approx(3.6, abs=4.0)
    assert climate.temp_air_c[0, 6] == pytest.approx(18.3, abs=4.0)


def test_classes_make_the_stated_mean_everywhere(make_climate):
    latitude, longitude = np.array([52.1, -23.7, 0.4, 64.0, -24.0]), np.array([5.1, 133.9, 32.6, 26.0, -69.0])
    climate = make_climate(latitude, longitude)
    made = climate.clearness.mean(axis=2) * monthly_extra_wh_m2_day(latitude)
    assert made == pytest.approx(climate.ghi_wh_m2_day, rel=1e-9, abs=1e-6)


@given(
    st.lists(st.floats(0.0, CLEARNESS_MAX), min_size=3, max_size=21).map(sorted),
    st.floats(0.01, CLEARNESS_MAX - 0.01),
)
def test_rescaling_keeps_mean_order_and_limits(classes, mean):
    result = rescale(np.array([[classes]]), np.array([[mean]]))[0, 0]
    assert result.mean() == pytest.approx(mean, abs=1e-9)
    assert (np.diff(result) >= -1e-9).all()
    assert result.min() >= -1e-9
    assert result.max() <= CLEARNESS_MAX + 1e-9


def test_generic_days_have_the_mean_and_spread_they_should():
    # the fit's own purpose: the distribution's mean is the month's clearness index. For 0.5 the classic
    # curves (Liu and Jordan 1960) put a tenth of the days under about 0.2 and a tenth over about 0.7 (from
    # memory).
    means = np.linspace(0.3, 0.7, 12)[None]
    assert generic_days(means).mean(axis=2) == pytest.approx(means, abs=0.01)
    half = generic_days(np.full((1, 12), 0.5))[0, 0]
    assert np.quantile(half, 0.1) == pytest.approx(0.2, abs=0.05)
    assert np.quantile(half, 0.9) == pytest.approx(0.7, abs=0.05)
