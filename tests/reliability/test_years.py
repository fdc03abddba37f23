"""Drawn years: whose they are, how their days hang together, and what they keep of the months."""

import numpy as np
import pytest
from scipy import stats

from planner.climate import default_azimuth_deg, plane_of_array
from planner.climate.sun import MONTH_OF_DAY, daily_extra_wh_m2
from planner.reliability import drawn_temperatures, drawn_years
from planner.reliability.years import LAG_ONE_CORRELATION, scores
from tests.climate.typical import FILES, read_year
from tests.reliability.cases import PLACES, classes_of, climate_of


def years_of(places, **given):
    classes, latitude, longitude = classes_of(places)
    return drawn_years(classes, latitude_deg=latitude, longitude_deg=longitude, **given)


def test_weather_of_a_site_depends_on_its_place_alone():
    names = list(PLACES)
    together = years_of(names, years=3)
    backwards = years_of(names[::-1], years=3)[::-1]
    alone = np.concatenate([years_of([name], years=3) for name in names])
    assert np.array_equal(together, backwards)
    assert np.array_equal(together, alone)
    assert np.unique(together, axis=0).shape == together.shape  # no two places share their weather


def test_streams_are_other_years_and_longer_records_begin_with_shorter_ones():
    first, second = (scores(50.0, 8.0, years=20, stream=stream) for stream in (0, 1))
    assert abs(np.corrcoef(first, second)[0, 1]) < 0.05
    assert np.array_equal(scores(50.0, 8.0, years=2, stream=0), first[: 2 * 365])


def test_scores_are_standard_normal_with_the_published_lag_one_correlation():
    series = scores(-33.9, 18.4, years=400, stream=0)
    for lag in (1, 2, 3):  # an AR(1) process: correlations fall as powers
        found = np.corrcoef(series[:-lag], series[lag:])[0, 1]
        assert found == pytest.approx(LAG_ONE_CORRELATION**lag, abs=0.01)
    assert stats.kstest(series[::10], "norm").pvalue > 0.001
    assert LAG_ONE_CORRELATION == 0.29  # Graham, Hollands and Huget 1988


def test_typical_years_have_about_the_published_correlation():
    # independent data: daily clearness of the files pvlib ships, as normal scores within each month
    found = []
    for name in FILES.values():
        light, latitude, _ = read_year(name)
        daily = light["ghi"].to_numpy().reshape(365, 24).sum(axis=1)
        clearness = daily / daily_extra_wh_m2(np.array([latitude]), np.arange(1, 366))[0]
        score = np.empty(365)
        for month in range(12):
            own = month == MONTH_OF_DAY
            score[own] = stats.norm.ppf((stats.rankdata(clearness[own]) - 0.5) / own.sum())
        found.append(np.corrcoef(score[:-1], score[1:])[0, 1])
    print("lag-1 correlation of normal scores:", dict(zip(FILES, np.round(found, 2), strict=True)))
    assert np.mean(found) == pytest.approx(LAG_ONE_CORRELATION, abs=0.12)


def test_months_keep_their_mean_and_the_spread_of_their_classes():
    names = ["Hamburg", "Phoenix", "Nairobi"]
    classes, *_ = classes_of(names)
    days = years_of(names, years=200).reshape(len(names), -1, 365)[:, 1:].astype(float)
    for month in range(12):
        own = days[:, :, month == MONTH_OF_DAY].reshape(len(names), -1)
        assert own.mean(axis=1) == pytest.approx(1.0, abs=1e-6)
        quantiles = np.quantile(own, (np.arange(21) + 0.5) / 21, axis=1).T
        stored = classes[:, month] / classes[:, month].mean(axis=1, keepdims=True)
        assert quantiles[:, 2:-2] == pytest.approx(stored[:, 2:-2], abs=0.06)
    assert days.min() >= 0.0


def test_classes_make_the_month_of_the_plan():
    names = list(PLACES)
    climate, latitude, _ = climate_of(names)
    tilts = np.minimum(np.abs(latitude) + 15.0, 90.0)
    classes, *_ = classes_of(names)
    plane = plane_of_array(
        climate, surface_tilt_deg=tilts[:, None], surface_azimuth_deg=default_azimuth_deg(latitude)
    )
    assert classes.mean(axis=2) == pytest.approx(plane.poa_wh_m2_day[:, :, 0], rel=1e-9)


def test_polar_night_has_finite_days():
    classes = np.zeros((1, 12, 21))
    classes[0, 4:8] = np.linspace(500.0, 6000.0, 21)
    days = drawn_years(classes, latitude_deg=np.array([78.2]), longitude_deg=np.array([15.6]), years=2)
    assert np.isfinite(days).all()
    assert (days.reshape(-1, 365)[:, MONTH_OF_DAY == 0] == 1.0).all()


def test_temperatures_keep_mean_and_spread_and_do_not_follow_the_light():
    place = {"latitude_deg": np.array([53.6]), "longitude_deg": np.array([10.0])}
    months = np.linspace(-5.0, 17.0, 12)[None]
    drawn = drawn_temperatures(months, np.array([4.0]), years=200, **place).reshape(-1, 365)
    january = drawn[:, MONTH_OF_DAY == 0]
    assert january.mean() == pytest.approx(-5.0, abs=0.2)
    assert january.std() == pytest.approx(4.0, abs=0.1)
    light = scores(53.6, 10.0, years=201, stream=0)
    assert abs(np.corrcoef(light, ((drawn - months[0, MONTH_OF_DAY]) / 4.0).ravel())[0, 1]) < 0.03
