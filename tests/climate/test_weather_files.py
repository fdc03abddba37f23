"""EPW, TMY2 and TMY3 files against plain sums over their raw text."""

import csv
import datetime
from collections import defaultdict
from functools import cache
from pathlib import Path

import numpy as np
import pvlib
import pytest

from planner.climate.file_months import CLASSES, FileClimate, file_climate
from planner.climate.quality import noon_off_h, weather_problems
from planner.climate.sun import daily_extra_wh_m2
from planner.climate.typical_files import read_typical
from planner.climate.weather import Weather, hourly_frame
from planner.tables.rows import WeatherFormat
from tests.climate.years import daily_wh_m2, epw_text, year

DATA = Path(pvlib.__file__).parent / "data"
TMY3 = ("703165TY.csv", "723170TYA.CSV")
TMY2 = "12839.tm2"
Months = dict[int, list[tuple[float, float]]]


def raw_tmy3(name: str) -> Months:
    """GHI and temperature by month, parsed without pvlib: MM/DD/YYYY, stamped at the hour's end.

    24:00 of a month's last day keeps that day's date, so the month in the text is the month of the hour.
    """
    months: Months = defaultdict(list)
    with (DATA / name).open(encoding="latin-1", newline="") as stream:
        next(stream)
        for row in csv.DictReader(stream):
            month = int(row["Date (MM/DD/YYYY)"][:2])
            months[month].append((float(row["GHI (W/m^2)"]), float(row["Dry-bulb (C)"])))
    return months


def raw_tmy2(name: str) -> Months:
    """The same by character columns of the User's Manual for TMY2s: GHI 18-21, dry bulb 68-71 in 0.1 C."""
    months: Months = defaultdict(list)
    for line in (DATA / name).read_text(encoding="latin-1").splitlines()[1:]:
        months[int(line[3:5])].append((float(line[17:21]), float(line[67:71]) / 10.0))
    return months


@cache
def read(name: str) -> tuple[Weather, Months]:
    kind = WeatherFormat.TMY2 if name == TMY2 else WeatherFormat.TMY3
    weather, problems = read_typical((DATA / name).read_bytes(), name, kind)
    assert problems == []
    assert weather is not None
    return weather, raw_tmy2(name) if name == TMY2 else raw_tmy3(name)


def months_of(weather: Weather) -> FileClimate:
    found, problems = file_climate(
        [weather], latitude_deg=weather.latitude_deg, longitude_deg=weather.longitude_deg
    )
    assert problems == []
    assert found is not None
    return found


@pytest.mark.parametrize("name", [TMY2, *TMY3])
def test_months_are_plain_sums_over_the_raw_text(name: str) -> None:
    weather, raw = read(name)
    found = months_of(weather)
    for month, cells in raw.items():
        assert len(cells) % 24 == 0
        ghi = sum(light for light, _ in cells) / (len(cells) / 24)
        temp = sum(warmth for _, warmth in cells) / len(cells)
        assert found.ghi_wh_m2_day[month - 1] == pytest.approx(ghi, rel=1e-12)
        assert found.temp_air_c[month - 1] == pytest.approx(temp, rel=1e-9, abs=1e-9)
    temps = [warmth for cells in raw.values() for _, warmth in cells]
    assert (found.temp_min_c, found.temp_max_c) == (min(temps), max(temps))


@pytest.mark.parametrize(
    ("name", "latitude", "longitude", "offset_h", "elevation"),
    # the first lines of the files as a person reads them: N 25 48 W 80 16; 55.317,-160.517; 36.100,-79.950
    [
        (TMY2, 25.8, -80.0 - 16 / 60, -5, 2),
        (TMY3[0], 55.317, -160.517, -9, 7),
        (TMY3[1], 36.1, -79.95, -5, 273),
    ],
)
def test_station_and_clock(
    name: str, latitude: float, longitude: float, offset_h: int, elevation: float
) -> None:
    weather, _ = read(name)
    assert (weather.latitude_deg, weather.longitude_deg) == pytest.approx((latitude, longitude))
    assert (weather.offset_s, weather.elevation_m) == (3600 * offset_h, elevation)
    assert len(weather.start_s) == 8760
    # stamps read at the wrong end of the hour would show: half an hour is the file's coarseness
    assert abs(noon_off_h(weather, longitude)) < 0.2
    assert weather_problems(weather, latitude_deg=latitude, longitude_deg=longitude) == []


@pytest.mark.parametrize("name", [TMY2, *TMY3])
def test_lines_lead_back_to_the_file(name: str) -> None:
    weather, _ = read(name)
    text = (DATA / name).read_text(encoding="latin-1").splitlines()
    for at in (0, 4000, 8759):
        line = text[weather.line[at] - 1]
        light = float(line[17:21]) if name == TMY2 else float(line.split(",")[4])
        assert weather.ghi_w_m2[at] == light


@pytest.mark.parametrize("name", [TMY2, *TMY3])
def test_classes_keep_the_days_of_the_file(name: str) -> None:
    weather, raw = read(name)
    found = months_of(weather)
    assert found.clearness.shape == (12, CLASSES)
    assert (np.diff(found.clearness, axis=1) >= 0).all()
    assert found.clearness.min() > 0
    assert found.clearness.max() < 0.89
    # July's classes against the days of July, summed and divided by hand
    extra = daily_extra_wh_m2(np.array([weather.latitude_deg]), np.arange(182, 213))[0]
    light = np.array([cell[0] for cell in raw[7]]).reshape(31, 24).sum(axis=1)
    days = np.sort(np.minimum(light / extra, 0.88))
    assert found.clearness[6].mean() == pytest.approx(days.mean())
    assert found.clearness[6, 0] == pytest.approx((days[0] + days[1] * (31 / 21 - 1)) / (31 / 21))


def epw(hours: list, kind: WeatherFormat = WeatherFormat.EPW, **changes: object) -> Weather:
    settings = {"latitude": 46.5, "longitude": 8.25, "offset_h": 1, **changes}
    weather, problems = read_typical(epw_text(hours, **settings).encode("latin-1"), "own.epw", kind)
    assert problems == []
    assert weather is not None
    return weather


def test_epw_in_any_encoding_gives_its_hours() -> None:
    hours = year(2021, offset_h=1, longitude_deg=8.25)
    weather = epw(hours, city="Zürich Flüela")
    found = months_of(weather)
    assert found.ghi_wh_m2_day == pytest.approx(np.full(12, daily_wh_m2(hours)))
    assert abs(noon_off_h(weather, 8.25)) < 0.1
    # 00:00 local at one hour east of UTC is 23:00 UTC of the day before
    first = datetime.datetime(2020, 12, 31, 23, tzinfo=datetime.UTC)
    assert weather.start_s[0] == first.timestamp()


def test_a_leap_year_keeps_its_leap_day() -> None:
    hours = year(2020, offset_h=1, longitude_deg=8.25)
    brighter = [(t, 2 * light if (t.month, t.day) == (2, 29) else light, temp) for t, light, temp in hours]
    found = months_of(epw(brighter))
    assert found.ghi_wh_m2_day[1] == pytest.approx(daily_wh_m2(hours) * 30 / 29)


def test_tmy3_with_a_leap_day_does_not_meet_the_first_of_march() -> None:
    name = TMY3[1]
    lines = (DATA / name).read_text(encoding="latin-1").splitlines()
    day = [line.replace("02/28/", "02/29/") for line in lines if line.startswith("02/28/")]
    assert len(day) == 24
    at = next(i for i, line in enumerate(lines) if line.startswith("03/01/"))
    # all months of one leap year, so that the file is a true year
    text = [*lines[:2], *(line[:6] + "2016" + line[10:] for line in [*lines[2:at], *day, *lines[at:]])]
    weather, problems = read_typical("\n".join(text).encode(), name, WeatherFormat.TMY3)
    assert problems == []
    assert weather is not None
    assert len(weather.start_s) == 8784
    assert (np.diff(weather.start_s) == 3600).all()
    raw = raw_tmy3(name)[2]
    light = [cell[0] for cell in raw]
    expected = (sum(light) + sum(light[-24:])) / 29
    assert months_of(weather).ghi_wh_m2_day[1] == pytest.approx(expected)


def test_a_typical_year_of_leap_and_common_years_is_one_common_year() -> None:
    spring, rest = year(2016, offset_h=1, longitude_deg=8.25), year(2009, offset_h=1, longitude_deg=8.25)
    hours = [hour for hour in spring if hour[0].month < 6] + [hour for hour in rest if hour[0].month >= 6]
    weather = epw(hours)
    assert len(weather.start_s) == 8760
    assert (np.diff(weather.start_s) == 3600).all()
    assert months_of(weather).ghi_wh_m2_day == pytest.approx(np.full(12, daily_wh_m2(hours)))


def test_the_table_for_simulations_is_aware() -> None:
    weather = epw(year(2021, offset_h=1, longitude_deg=8.25))
    table = hourly_frame(weather, 8.25)
    assert list(table.columns) == ["ghi_w_m2", "temp_air_c"]
    assert str(table.index[0]) == "2021-01-01 00:00:00+01:00"
    assert table["ghi_w_m2"].idxmax().hour in (11, 12)
    assert len(table) == 8760


def test_tmy2_of_a_city_with_blanks() -> None:
    text = (DATA / TMY2).read_text(encoding="latin-1")
    renamed = text.replace("MIAMI                 ", "NEW PORT ST. MIA      ", 1)
    assert renamed != text
    weather, problems = read_typical(renamed.encode(), TMY2, WeatherFormat.TMY2)
    assert problems == []
    assert weather is not None
    assert weather.latitude_deg == pytest.approx(25.8)


def broken(data: bytes, kind: WeatherFormat) -> tuple[str, int | None]:
    weather, problems = read_typical(data, "own.file", kind)
    assert weather is None
    assert len(problems) == 1
    assert problems[0].file == "own.file"
    assert problems[0].remedy
    return problems[0].code, problems[0].line


def test_broken_files_are_named_with_their_line() -> None:
    good = epw_text(year(2021, days=3), latitude=1, longitude=1, offset_h=0)
    lines = good.splitlines()
    short, odd = list(lines), list(lines)
    short[20] = "2021,1,1,13,0"
    odd[30] = odd[30].replace(",0,0,9,", ",0,0,9,cloudy,", 1).rsplit(",", 1)[0]
    assert broken("\n".join(short).encode(), WeatherFormat.EPW) == ("broken-weather-file", 21)
    assert broken("\n".join(odd).encode(), WeatherFormat.EPW) == ("not-a-number", 31)
    assert broken(b"", WeatherFormat.EPW)[0] == "broken-weather-file"
    assert broken(good.encode(), WeatherFormat.TMY3)[0] == "broken-weather-file"
    tmy2 = (DATA / TMY2).read_text(encoding="latin-1").splitlines()
    assert broken("\n".join([*tmy2[:9], tmy2[9][:60]]).encode(), WeatherFormat.TMY2) == (
        "broken-weather-file",
        10,
    )
    assert broken("\n".join(["nonsense", *tmy2[1:30]]).encode(), WeatherFormat.TMY2)[0] == (
        "broken-weather-file"
    )


def test_a_trailing_comma_shifts_no_column() -> None:
    hours = year(2021, offset_h=1, longitude_deg=8.25)
    text = epw_text(hours, latitude=46.5, longitude=8.25, offset_h=1)
    lines = text.splitlines()
    comma = "\n".join(lines[:8] + [line + "," for line in lines[8:]])
    weather, problems = read_typical(comma.encode(), "own.epw", WeatherFormat.EPW)
    assert problems == []
    assert weather is not None
    assert weather.ghi_w_m2[12] == hours[12][1]


def test_missing_marks_are_missing() -> None:
    hours = year(2021, offset_h=1, longitude_deg=8.25)
    hours[12] = (hours[12][0], 9999, 99.9)
    weather = epw(hours)
    assert np.isnan(weather.ghi_w_m2[12])
    assert np.isnan(weather.temp_air_c[12])


@pytest.mark.parametrize("kind", [WeatherFormat.EPW, WeatherFormat.TMY2, WeatherFormat.TMY3])
@pytest.mark.parametrize("data", [b"\0\1\2", b"PK\3\4 zip", b"a,b\n1,2\n", b"\xff" * 5000])
def test_rubbish_never_passes(kind: WeatherFormat, data: bytes) -> None:
    weather, problems = read_typical(data, "x", kind)
    assert weather is None
    assert problems
