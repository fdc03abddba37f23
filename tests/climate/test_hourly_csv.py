"""Tables of hours: units, stamps, steps, clocks, and what is wrong with them, by line."""

import datetime

import numpy as np
import pytest

from planner.climate.file_months import counted_months, days_of, file_climate
from planner.climate.hourly_csv import read_hourly_csv
from planner.climate.quality import noon_off_h, weather_problems
from planner.climate.weather import Weather
from planner.errors import Problem
from planner.tables.rows import ClimateFileRow
from tests.climate.years import Hour, csv_text, daily_wh_m2, year

ROW = {
    "site_id": "a",
    "path": "own.csv",
    "format": "csv",
    "time_zone": "UTC",
    "stamp": "start",
    "ghi_column": "ghi",
    "ghi_unit": "W/m2",
    "temp_column": "temp",
    "temp_unit": "C",
}


def row(**changes: object) -> ClimateFileRow:
    return ClimateFileRow.model_validate(ROW | changes)


def read(text: str, **changes: object) -> Weather:
    weather, problems = read_hourly_csv(text.encode(), row(**changes))
    assert problems == []
    assert weather is not None
    return weather


def faults(text: str, **changes: object) -> list[Problem]:
    weather, problems = read_hourly_csv(text.encode(), row(**changes))
    assert weather is None
    assert all(problem.file == "own.csv" and problem.remedy for problem in problems)
    return problems


def scaled(hours: list[Hour], factor: float) -> list[Hour]:
    return [(t, factor * light, temp) for t, light, temp in hours]


@pytest.mark.parametrize(
    ("unit", "factor"),
    # 500 W/m2 over an hour are 500 Wh/m2 = 0.5 kWh/m2 = 1800 kJ/m2 = 1.8 MJ/m2 (1 Wh = 3.6 kJ)
    # = 180 J/cm2 (1 m2 = 10 000 cm2: 1 800 000 J / 10 000)
    [("W/m2", 1), ("Wh/m2", 1), ("kWh/m2", 1e-3), ("kJ/m2", 3.6), ("MJ/m2", 3.6e-3), ("J/cm2", 0.36)],
)
def test_units_of_an_hour(unit: str, factor: float) -> None:
    hours = [(t, 500.0, 0.0) for t, _, _ in year(2021, days=2)]
    weather = read(csv_text(scaled(hours, factor)), ghi_unit=unit)
    assert weather.ghi_w_m2 == pytest.approx(np.full(48, 500.0))


@pytest.mark.parametrize(("unit", "value"), [("C", 25.0), ("F", 77.0), ("K", 298.15)])
def test_units_of_temperature(unit: str, value: float) -> None:
    hours = [(t, light, value) for t, light, _ in year(2021, days=2)]
    assert read(csv_text(hours), temp_unit=unit).temp_air_c == pytest.approx(np.full(48, 25.0))


def test_energy_of_ten_minutes_is_power_of_the_hour() -> None:
    # 60 Wh/m2 in each of six steps of ten minutes: 360 Wh/m2 in the hour, a mean of 360 W/m2
    start = datetime.datetime(2021, 6, 1)
    rows = [f"{(start + datetime.timedelta(minutes=10 * i)).isoformat()},60,10" for i in range(288)]
    weather = read("\n".join(["time,ghi,temp", *rows]) + "\n", ghi_unit="Wh/m2")
    assert weather.ghi_w_m2 == pytest.approx(np.full(48, 360.0))


def test_an_hour_that_lacks_a_step_has_no_light() -> None:
    start = datetime.datetime(2021, 6, 1)
    rows = [f"{(start + datetime.timedelta(minutes=10 * i)).isoformat()},60,10" for i in range(288)]
    del rows[75]
    weather = read("\n".join(["time,ghi,temp", *rows]) + "\n")
    assert np.flatnonzero(np.isnan(weather.ghi_w_m2)).tolist() == [12]


@pytest.mark.parametrize(("stamp", "minutes"), [("start", 0), ("middle", 30), ("end", 60)])
def test_stamps_name_a_moment_of_the_hour(stamp: str, minutes: int) -> None:
    hours = [(t + datetime.timedelta(minutes=minutes), light, temp) for t, light, temp in year(2021, days=2)]
    weather = read(csv_text(hours), stamp=stamp)
    assert weather.start_s[0] == datetime.datetime(2021, 1, 1, tzinfo=datetime.UTC).timestamp()
    assert abs(noon_off_h(weather, 0.0)) < 0.05


@pytest.mark.parametrize("zone", ["+05:30", "-09:00", "UTC"])
def test_clocks(zone: str) -> None:
    hours = year(2021, days=2)
    offset = {"+05:30": 5.5, "-09:00": -9.0, "UTC": 0.0}[zone]
    stamped = [(t, light, temp) for t, light, temp in hours]
    weather = read(csv_text(stamped), time_zone=zone)
    first = datetime.datetime(2021, 1, 1, tzinfo=datetime.UTC).timestamp()
    assert weather.start_s[0] == first - 3600 * offset


def test_stamps_with_their_own_offset() -> None:
    text = csv_text(year(2021, days=2)).replace(":00,", ":00+01:00,")
    first = datetime.datetime(2020, 12, 31, 23, tzinfo=datetime.UTC).timestamp()
    assert read(text, time_zone="").start_s[0] == first


def test_formats_separators_and_preambles() -> None:
    hours = year(2021, days=2)
    text = csv_text(hours, separator=";")
    for t, _, _ in hours:
        text = text.replace(t.isoformat(timespec="minutes"), t.strftime("%d.%m.%Y %H:%M"))
    preamble = "# Station 7, höhe\n# so many lines\n\n"
    weather, problems = read_hourly_csv(
        (preamble + text).encode("latin-1"), row(time_format="%d.%m.%Y %H:%M")
    )
    assert problems == []
    assert weather is not None
    assert weather.ghi_w_m2.tolist() == [light for _, light, _ in hours]
    assert weather.line[0] == 5


def lines_with(at: int, text: str) -> str:
    lines = csv_text(year(2021, days=3)).splitlines()
    lines[at - 1] = text
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("2021-01-01T23:00,12,5,4", "decimal-comma"),
        ("2021-01-01T23:00,much,4", "not-a-number"),
        ("2021-01-01T23:00,1e999,4", "not-a-number"),
        ("2021-01-01T23:00,1,warm", "not-a-number"),
        ("01.01.2021 23:00,1,4", "not-a-date"),
        ("2021-01-01T24:00,1,4", "not-a-date"),
        ("2021-01-01T23:00Z,1,4", "two-time-zones"),
        ("2021-01-01T23:00,1", "too-few-cells"),
    ],
)
def test_faulty_cells_by_line(text: str, code: str) -> None:
    wrong = lines_with(25, text.replace("12,5", '"12,5"'))
    assert [(problem.code, problem.line) for problem in faults(wrong)] == [(code, 25)]


def test_one_wrong_setting_is_not_said_a_thousand_times() -> None:
    assert len(faults(csv_text(year(2021)), time_format="%d.%m.%Y")) == 5
    assert {problem.code for problem in faults(csv_text(year(2021)), time_zone="")} == {"no-time-zone"}


def test_columns_that_are_not_there() -> None:
    (problem,) = faults(csv_text(year(2021, days=2)), ghi_column="gih")
    assert (problem.code, problem.line, problem.column) == ("missing-column", 1, "gih")
    assert "ghi" in problem.remedy
    (problem,) = faults(csv_text(year(2021, days=2)), time_column="when")
    assert "time_column" in problem.remedy


def test_files_without_rows_or_hours() -> None:
    assert [problem.code for problem in faults("")] == ["empty-file"]
    assert [problem.code for problem in faults("time,ghi,temp\n")] == ["empty-table"]
    days = "time,ghi,temp\n2021-01-01,4000,1\n2021-01-02,4000,1\n2021-01-03,4000,1\n"
    assert [problem.code for problem in faults(days)] == ["not-hourly"]


def quality(hours: list[Hour], **changes: object) -> list[tuple[str, int | None]]:
    weather = read(csv_text(hours), **changes)
    return [(p.code, p.line) for p in weather_problems(weather, latitude_deg=46.5, longitude_deg=0.0)]


def test_values_that_cannot_be() -> None:
    hours = year(2021, days=30)
    for code, place, value in (
        ("negative-irradiation", 1, -999.0),
        ("implausible-irradiation", 1, 1700.0),
        ("implausible-temperature", 2, 283.0),
        ("implausible-temperature", 2, -99.0),
    ):
        wrong = list(hours)
        cells = list(wrong[40])
        cells[place] = value
        wrong[40] = (cells[0], cells[1], cells[2])
        assert quality(wrong) == [(code, 42)]
    assert quality([(t, 0.0, temp) for t, _, temp in hours]) == [("no-irradiation", None)]
    assert quality(hours) == []


def test_a_little_below_nothing_is_nothing() -> None:
    hours = [(t, light or -3.0, temp) for t, light, temp in year(2021)]
    weather = read(csv_text(hours))
    found, _ = file_climate([weather], latitude_deg=46.5, longitude_deg=0.0)
    assert found is not None
    assert found.ghi_wh_m2_day[0] == pytest.approx(daily_wh_m2(year(2021)))


def test_hours_twice_or_out_of_order() -> None:
    hours = year(2021, days=3)
    assert quality([*hours[:30], hours[29], *hours[30:]]) == [("duplicate-hour", 32)]
    assert quality([*hours[:30], hours[31], hours[30], *hours[32:]]) == [("hours-out-of-order", 33)]


def test_a_mistaken_clock_shows_at_noon() -> None:
    # hours of a clock seven hours ahead, said to be UTC
    assert quality(year(2021, offset_h=7)) == [("noon-off", None)]
    assert quality(year(2021, offset_h=7), time_zone="+07:00") == []


def drop(hours: list[Hour], *days: tuple[int, int]) -> list[Hour]:
    return [hour for hour in hours if (hour[0].month, hour[0].day) not in days]


def counted(hours: list[Hour]) -> list[int]:
    days = days_of(read(csv_text(hours)), 0.0)
    return [month % 12 + 1 for month in counted_months(days)]


def test_a_month_counts_with_few_days_missing() -> None:
    # WMO-No. 1203 (from memory): no mean with 11 or more days missing, or 5 or more in a row
    hours = year(2021)
    assert counted(drop(hours, *((4, d) for d in range(2, 29, 3)))) == list(range(1, 13))  # 9 days
    assert 4 not in counted(drop(hours, *((4, d) for d in range(1, 31, 2))))  # 15 days
    assert 4 in counted(drop(hours, *((4, d) for d in range(10, 14))))  # 4 in a row
    assert 4 not in counted(drop(hours, *((4, d) for d in range(10, 15))))  # 5 in a row


def test_gaps_are_named_with_the_line_before_them() -> None:
    hours = year(2021)
    weather = read(csv_text(drop(hours, (4, 10))))
    found, (problem,) = file_climate([weather], latitude_deg=46.5, longitude_deg=0.0)
    assert found is not None
    assert found.ghi_wh_m2_day[3] == pytest.approx(daily_wh_m2(hours))
    assert problem.code == "missing-hours"
    # 99 whole days stand before 10 April: 31 + 28 + 31 + 9; a header stands before them
    assert problem.line == 1 + 24 * 99


def test_a_month_of_no_year_is_refused_and_another_year_helps() -> None:
    lacking = read(csv_text([hour for hour in year(2021) if hour[0].month != 4]))
    found, problems = file_climate([lacking], latitude_deg=46.5, longitude_deg=0.0)
    assert found is None
    assert problems[-1].code == "incomplete-year"
    assert problems[-1].value == "4"
    whole = read(csv_text(year(2019, peak_w_m2=150.0)))
    found, _ = file_climate([lacking, whole], latitude_deg=46.5, longitude_deg=0.0)
    assert found is not None
    bright, dull = daily_wh_m2(year(2021)), daily_wh_m2(year(2019, peak_w_m2=150.0))
    assert found.ghi_wh_m2_day[3] == pytest.approx(dull)
    assert found.ghi_wh_m2_day[4] == pytest.approx((bright + dull) / 2)


def test_years_weigh_the_same() -> None:
    dull, bright = year(2021, peak_w_m2=150.0), year(2022)
    found, problems = file_climate([read(csv_text([*dull, *bright]))], latitude_deg=46.5, longitude_deg=0.0)
    assert problems == []
    assert found is not None
    assert found.ghi_wh_m2_day[5] == pytest.approx((daily_wh_m2(dull) + daily_wh_m2(bright)) / 2)


def test_days_are_local() -> None:
    # at 150 E local days begin at 14:00 UTC: every second one is dull; a day cut at 00:00 UTC, which is
    # 10:00 there, would mix a dull and a bright one
    ten = datetime.timedelta(hours=10)
    hours = [
        (t, light / (1 + (t + ten).toordinal() % 2), temp)
        for t, light, temp in year(2021, longitude_deg=150.0)
    ]
    found, problems = file_climate([read(csv_text(hours))], latitude_deg=-30.0, longitude_deg=150.0)
    assert problems == []  # the half days at both ends are no gap
    assert found is not None
    june = found.clearness[5]
    assert june[-1] / june[0] == pytest.approx(2.0, rel=0.05)  # the sky itself changes 3 % over June
    assert june[12] / june[8] > 1.9
