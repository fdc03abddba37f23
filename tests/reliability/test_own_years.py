"""Whole years of a site's own files in place of drawn ones."""

import datetime

import numpy as np
import pytest

from planner.climate.sun import daily_extra_wh_m2
from planner.climate.weather import Weather
from planner.reliability import own_clearness, real_years
from tests.reliability.cases import classes_of

LATITUDE, LONGITUDE = 53.6, 10.0
EXTRA = daily_extra_wh_m2(np.array([LATITUDE]), np.arange(1, 366))[0]


def weather(first, last, clearness_of, *, missing=()):
    """Hours from 1 January of a year to 31 December of another; a date's light is even from 6:00 to 18:00.

    `clearness_of` is a function of the date, `missing` are dates without their noon.
    """
    start = datetime.datetime(first, 1, 1, tzinfo=datetime.UTC)
    count = int((datetime.datetime(last + 1, 1, 1, tzinfo=datetime.UTC) - start).total_seconds()) // 3600
    seconds = int(start.timestamp()) + 3600 * np.arange(count)
    ghi = np.zeros(count)
    for hour in range(6, count, 24):
        date = (start + datetime.timedelta(hours=hour)).date()
        leap = date.year % 4 == 0 and date > datetime.date(date.year, 2, 28)
        day = date.timetuple().tm_yday - (1 if leap else 0)
        ghi[hour : hour + 12] = clearness_of(date) * EXTRA[min(day, 365) - 1] / 12.0
        if date in missing:
            ghi[hour + 6] = np.nan
    return Weather(
        file="own.csv",
        start_s=seconds,
        ghi_w_m2=ghi,
        temp_air_c=np.full(count, 5.0),
        line=np.arange(count) + 2,
        offset_s=0,
        latitude_deg=LATITUDE,
        longitude_deg=LONGITUDE,
        elevation_m=10.0,
    )


def by_month(date):
    return 0.2 + 0.03 * date.month + 0.001 * (date.year - 2000)


def test_years_keep_their_days_and_leave_out_29_february():
    found = own_clearness([weather(2003, 2005, by_month)], latitude_deg=LATITUDE, longitude_deg=LONGITUDE)
    assert found.shape == (3, 365)  # 2004 is a leap year
    for row, year in zip(found, (2003, 2004, 2005), strict=True):
        lit = EXTRA > 100.0
        days = [datetime.date(2001, 1, 1) + datetime.timedelta(days=i) for i in range(365)]
        truth = np.array([by_month(day.replace(year=year)) for day in days])
        assert row[lit] == pytest.approx(truth[lit], rel=0.02)  # the leap year's sun is a day off


def test_a_day_that_lacks_an_hour_lies_between_its_neighbours_and_a_gap_drops_its_year():
    lone = datetime.date(2003, 6, 10)
    long = tuple(datetime.date(2005, 3, day) for day in range(5, 20))
    own = weather(2003, 2005, lambda date: 0.3 + 0.01 * date.day, missing=(lone, *long))
    found = own_clearness([own], latitude_deg=LATITUDE, longitude_deg=LONGITUDE)
    assert found.shape == (2, 365)
    assert found[0, 160] == pytest.approx(0.40, rel=1e-6)  # between the 9th and the 11th


def test_no_whole_year_gives_none():
    gap = tuple(datetime.date(2003, 3, day) for day in range(5, 20))
    found = own_clearness(
        [weather(2003, 2003, by_month, missing=gap)], latitude_deg=LATITUDE, longitude_deg=LONGITUDE
    )
    assert found.shape == (0, 365)


def test_real_years_follow_the_days_and_repeat():
    classes, *_ = classes_of(["Hamburg"])
    clearness = np.linspace(0.1, 0.7, 21)[None].repeat(12, axis=0)
    own = np.random.default_rng(5).uniform(0.02, 0.75, (11, 365))
    days = real_years(own, class_clearness=clearness, class_wh_m2=classes[0], years=25).reshape(26, 365)
    assert np.array_equal(days[:11], days[11:22])  # repeated in their order
    january = slice(0, 31)
    assert days[:11, january].mean() == pytest.approx(1.0, abs=1e-6)
    at = np.argsort(own[3, january])
    assert (np.diff(days[3, january][at]) >= 0).all()  # a brighter day stays the brighter
