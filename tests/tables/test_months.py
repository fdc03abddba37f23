"""Months in stated units, long and in twelve columns; one value for each month."""

from pathlib import Path

import pytest

from planner.errors import InputError, Problem
from planner.scenario import Scenario, check_scenario, read_scenario
from planner.sites import month_values
from planner.tables.rows import MonthQuantity
from tests.support import Rows, write_scenario

MONTHS = [f"m{m:02d}" for m in range(1, 13)]
GHI_KWH = (1.2, 2.0, 3.3, 4.4, 5.2, 5.6, 5.7, 5.0, 3.9, 2.5, 1.4, 1.0)


def wide(quantity: str, unit: str, values: object, site_id: str = "0012") -> dict[str, str]:
    cells = [f"{value:g}" if value is not None else "" for value in values]
    return {"site_id": site_id, "quantity": quantity, "unit": unit, **dict(zip(MONTHS, cells, strict=True))}


def long(values: object, unit: str) -> Rows:
    return [
        {"site_id": "0012", "month": str(m), "ghi": f"{value:g}", "ghi_unit": unit}
        for m, value in enumerate(values, start=1)
    ]


def read(folder: Path, **tables: Rows) -> Scenario:
    return read_scenario(write_scenario(folder, tables=tables))


def problems(folder: Path, **tables: Rows) -> list[Problem]:
    return check_scenario(write_scenario(folder, tables=tables))


@pytest.mark.parametrize(
    ("unit", "value"),
    # 3 kWh/m2/day, by hand: x 3.6 = 10.8 MJ; / 24 h = 125 W; June has 30 days: 90 kWh, 324 MJ
    [
        ("Wh/m2/day", 3000.0),
        ("kWh/m2/day", 3.0),
        ("MJ/m2/day", 10.8),
        ("W/m2", 125.0),
        ("kWh/m2/month", 90.0),
        ("MJ/m2/month", 324.0),
    ],
)
def test_units_of_irradiation(tmp_path: Path, unit: str, value: float) -> None:
    ghi = [value * 0.5] * 12
    ghi[5] = value
    long_form = read(tmp_path / "long", site_months=long(ghi, unit))
    wide_form = read(tmp_path / "wide", site_climate_months=[wide("ghi", unit, ghi)])
    for scenario in (long_form, wide_form):
        assert month_values(scenario, MonthQuantity.GHI)[0, 5] == pytest.approx(3000.0)


def test_other_quantities(tmp_path: Path) -> None:
    rows = [
        wide("temp_air", "F", [14.0] + [None] * 11),  # (14 - 32) / 1.8 = -10
        wide("albedo", "percent", [60] * 12),
        wide("snow_loss", "fraction", [0.25] * 12),
        wide("other_supply", "Wh/day", [40] * 12),
    ]
    scenario = read(tmp_path, site_climate_months=rows)

    def first(quantity: MonthQuantity) -> float:
        return float(month_values(scenario, quantity)[0, 0])

    assert first(MonthQuantity.TEMP_AIR) == pytest.approx(-10.0)
    assert first(MonthQuantity.ALBEDO) == pytest.approx(0.6)
    assert first(MonthQuantity.SNOW_LOSS) == 0.25
    assert first(MonthQuantity.OTHER_SUPPLY) == 40.0


def test_both_tables_add_up(tmp_path: Path) -> None:
    temps = [{"site_id": "0012", "month": "3", "temp_air_c": "-4"}]
    scenario = read(
        tmp_path, site_months=temps, site_climate_months=[wide("ghi", "kWh/m2/day", GHI_KWH, "NA")]
    )
    assert month_values(scenario, MonthQuantity.TEMP_AIR)[0, 2] == -4.0
    assert month_values(scenario, MonthQuantity.GHI)[1].tolist() == pytest.approx(
        [1000 * value for value in GHI_KWH]
    )


def test_a_unit_is_never_guessed(tmp_path: Path) -> None:
    rows = long(GHI_KWH, "kWh/m2/day")
    rows[3]["ghi_unit"] = ""
    found = [p for p in problems(tmp_path / "a", site_months=rows) if p.code == "missing-unit"]
    assert [(p.file, p.line, p.column) for p in found] == [("site_months.csv", 5, "ghi_unit")]
    assert "kWh/m2/day" in found[0].remedy
    blank = wide("ghi", "", GHI_KWH)
    (problem,) = problems(tmp_path / "b", site_climate_months=[blank])
    assert (problem.code, problem.line, problem.column) == ("missing-value", 2, "unit")
    (problem,) = problems(tmp_path / "c", site_climate_months=[wide("ghi", "kWh/m2/dy", GHI_KWH)])
    assert (problem.code, problem.value) == ("not-a-choice", "kWh/m2/dy")
    assert "kWh/m2/day" in problem.remedy


def test_a_unit_of_another_quantity(tmp_path: Path) -> None:
    (problem,) = problems(tmp_path, site_climate_months=[wide("temp_air", "kWh/m2/day", GHI_KWH)])
    assert (problem.code, problem.line, problem.column) == ("unit-of-another-quantity", 2, "unit")
    assert "C" in problem.remedy


def test_two_values_for_one_month_name_both_places(tmp_path: Path) -> None:
    row = {"site_id": "0012", "month": "7", "ghi_wh_m2_day": "5100"}
    found = problems(tmp_path, site_months=[row], site_climate_months=[wide("ghi", "kWh/m2/day", GHI_KWH)])
    (problem,) = [p for p in found if p.code == "conflicting-values"]
    assert (problem.file, problem.line, problem.column) == ("site_climate_months.csv", 2, "m07")
    assert "site_months.csv, line 2, column ghi_wh_m2_day" in problem.message
    # 5.1 kWh are 5100 Wh: no conflict
    agreeing = [*GHI_KWH[:6], 5.1, *GHI_KWH[7:]]
    assert not problems(
        tmp_path, site_months=[row], site_climate_months=[wide("ghi", "kWh/m2/day", agreeing)]
    )


def test_two_columns_of_one_row_conflict_too(tmp_path: Path) -> None:
    rows = [row | {"ghi_wh_m2_day": "2050"} for row in long(GHI_KWH, "kWh/m2/day")]
    assert {p.code for p in problems(tmp_path, site_months=rows)} == {"conflicting-values"}


def test_a_row_that_stands_twice_is_said_once(tmp_path: Path) -> None:
    rows = [wide("ghi", "kWh/m2/day", GHI_KWH), wide("ghi", "kWh/m2/day", [2.1] * 12)]
    assert [p.code for p in problems(tmp_path, site_climate_months=rows)] == ["duplicate-key"]


def test_a_converted_value_out_of_range(tmp_path: Path) -> None:
    values = [*GHI_KWH[:11], 50.0]  # 50 kWh/m2 and day are 50 000 Wh
    found = problems(tmp_path, site_climate_months=[wide("ghi", "kWh/m2/day", values)])
    (problem,) = [p for p in found if p.code == "out-of-range"]
    assert (problem.line, problem.column, problem.value) == (2, "m12", "50.0")
    assert "50000 in ghi_wh_m2_day" in problem.message


def test_a_wrong_unit_shows_against_the_sky(tmp_path: Path) -> None:
    # monthly totals of 40 to 180 kWh said to be W/m2: 4.3 kWh a day in July at 46 N is plausible, so a
    # total said to be MJ a day, 180 MJ = 50 kWh, must show, and kWh a day said to be Wh
    codes = {
        p.code for p in problems(tmp_path / "a", site_climate_months=[wide("ghi", "Wh/m2/day", GHI_KWH)])
    }
    assert codes == {"implausible"}
    too_bright = [0.9 * 12] * 12  # 10.8 kWh in a December at 46 N: the sky gives less than 4
    codes = {
        p.code for p in problems(tmp_path / "b", site_climate_months=[wide("ghi", "kWh/m2/day", too_bright)])
    }
    assert codes == {"implausible"}


def test_some_months_of_irradiation_are_refused(tmp_path: Path) -> None:
    part = wide("ghi", "kWh/m2/day", [*GHI_KWH[:11], None])
    with pytest.raises(InputError) as caught:
        read(tmp_path, site_climate_months=[part])
    (problem,) = caught.value.problems
    assert (problem.code, problem.file, problem.line) == ("incomplete-year", "site_climate_months.csv", 2)
    assert problem.message.endswith("12")


def test_months_may_come_from_both_tables(tmp_path: Path) -> None:
    part = wide("ghi", "kWh/m2/day", [*GHI_KWH[:11], None])
    row = {"site_id": "0012", "month": "12", "ghi": "1", "ghi_unit": "kWh/m2/day"}
    scenario = read(tmp_path, site_climate_months=[part], site_months=[row])
    assert month_values(scenario, MonthQuantity.GHI)[0, 11] == 1000.0
