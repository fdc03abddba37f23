"""Weather files in a scenario: who wins, margins, extremes, hashes, and what is refused."""

import hashlib
from pathlib import Path

import numpy as np
import pytest

from planner.check import check_folder
from planner.climate.builtin import lookup
from planner.climate.monthly import OWN
from planner.climate.sources import site_files, site_weathers
from planner.errors import InputError, Problem, Severity
from planner.scenario import check_scenario, read_scenario
from planner.site_climates import Conditions, site_conditions
from tests.climate.years import csv_text, daily_wh_m2, epw_text, year
from tests.support import Rows, table, write_scenario

ALPS = {"latitude": 46.5, "longitude": 8.25, "offset_h": 1}  # where site 0012 of the scenario is
HOURS = year(2021, offset_h=1, longitude_deg=8.25)
EPW = {"site_id": "0012", "path": "alps.epw", "format": "epw"}
CSV = {
    "site_id": "0012",
    "path": "own/hours.csv",
    "format": "csv",
    "time_zone": "+01:00",
    "stamp": "end",
    "ghi_column": "ghi",
    "ghi_unit": "W/m2",
    "temp_column": "temp",
    "temp_unit": "C",
}


def folder_with(folder: Path, rows: Rows, files: dict[str, str], **tables: Rows) -> Path:
    write_scenario(folder, tables={"climate_files": rows, **tables})
    for name, text in files.items():
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text(text, encoding="latin-1")
    return folder


def climate_of(folder: Path) -> Conditions:
    return site_conditions(read_scenario(folder))


def codes(problems: list[Problem]) -> list[str]:
    return [problem.code for problem in problems]


@pytest.mark.parametrize(
    ("row", "text"), [(EPW, epw_text(HOURS, **ALPS)), (CSV, csv_text(HOURS, end=True))], ids=["epw", "csv"]
)
def test_a_file_wins_over_the_built_in_climate(tmp_path: Path, row: dict[str, str], text: str) -> None:
    folder = folder_with(tmp_path, [row], {row["path"]: text})
    assert check_folder(folder) == []
    found = climate_of(folder)
    climate = found.climate
    assert climate.source[0] == row["path"]
    assert climate.source[1].startswith("built-in")
    assert climate.climate_margin[0] == 1.0
    assert climate.ghi_wh_m2_day[0] == pytest.approx([daily_wh_m2(HOURS)] * 12)
    assert climate.temp_air_c[0] == pytest.approx([10.0] * 12, abs=0.01)
    assert set(climate.temp_source[0]) == {row["path"]}
    # every day is the same, so the classes differ only as the sky above does within the month
    assert np.ptp(climate.clearness[0, 5]) < 0.02
    assert np.ptp(climate.clearness[1, 5]) > 0.2
    data = (folder / row["path"]).read_bytes()
    assert found.scenario.input_hashes[row["path"]] == hashlib.sha256(data).hexdigest()


def test_own_months_win_over_a_file(tmp_path: Path) -> None:
    months = [
        {"site_id": "0012", "month": str(m), "ghi": "2.4", "ghi_unit": "kWh/m2/day"} for m in range(1, 13)
    ]
    months[0]["temp_air_c"] = "-7"
    folder = folder_with(tmp_path, [EPW], {"alps.epw": epw_text(HOURS, **ALPS)}, site_months=months)
    climate = climate_of(folder).climate
    assert climate.source[0] == OWN
    assert climate.ghi_wh_m2_day[0] == pytest.approx([2400.0] * 12)
    assert climate.temp_air_c[0, :2].tolist() == pytest.approx([-7.0, 10.0], abs=0.01)
    assert climate.temp_source[0, :2].tolist() == [OWN, "alps.epw"]


def test_a_margin_is_taken_off(tmp_path: Path) -> None:
    folder = folder_with(tmp_path, [EPW | {"margin": "0.9"}], {"alps.epw": epw_text(HOURS, **ALPS)})
    climate = climate_of(folder).climate
    assert climate.climate_margin[0] == 0.9
    assert climate.ghi_wh_m2_day[0] == pytest.approx([0.9 * daily_wh_m2(HOURS)] * 12)


def test_a_mild_year_does_not_make_the_extremes_milder(tmp_path: Path) -> None:
    plain = climate_of(write_scenario(tmp_path / "plain")).climate
    mild = climate_of(folder_with(tmp_path / "mild", [EPW], {"alps.epw": epw_text(HOURS, **ALPS)})).climate
    # 5 to 15 C all year round is no design range at 1800 m in the Alps: the built-in range stays
    assert mild.temp_air_min_c[0] == plain.temp_air_min_c[0]
    assert mild.temp_air_max_c[0] == plain.temp_air_max_c[0]
    harsh = [(t, light, -45.0 if t.month == 1 else 10.0) for t, light, _ in HOURS]
    cold = climate_of(folder_with(tmp_path / "cold", [EPW], {"alps.epw": epw_text(harsh, **ALPS)})).climate
    assert cold.temp_air_min_c[0] == -45.0
    stated = table("sites")
    stated[0]["temp_air_min_c"] = "-30"
    own = climate_of(
        folder_with(tmp_path / "own", [EPW], {"alps.epw": epw_text(harsh, **ALPS)}, sites=stated)
    ).climate
    assert own.temp_air_min_c[0] == -30.0  # the site's own word is the last


def test_an_island_without_a_cell_is_served_by_its_file(tmp_path: Path) -> None:
    # Tristan da Cunha, over 2000 km from any land
    sites = table("sites")
    sites[0] |= {"latitude_deg": "-37.07", "longitude_deg": "-12.31"}
    assert not lookup(np.array([-37.07]), np.array([-12.31])).valid[0]
    without = climate_of(write_scenario(tmp_path / "without", tables={"sites": sites})).climate
    assert "weather file" in without.refusal[0]
    hours = year(2021, offset_h=-1, longitude_deg=-12.31, peak_w_m2=400.0)
    text = epw_text(hours, latitude=-37.07, longitude=-12.31, offset_h=-1)
    climate = climate_of(folder_with(tmp_path / "with", [EPW], {"alps.epw": text}, sites=sites)).climate
    assert climate.refusal[0] == ""
    # nothing else is known of its extremes: 5 to 15 C in one year, and 5 K more
    assert climate.temp_air_min_c[0] == pytest.approx(0.0, abs=0.1)
    assert climate.temp_air_max_c[0] == pytest.approx(20.0, abs=0.1)


def test_years_in_several_files_are_averaged(tmp_path: Path) -> None:
    dull = year(2019, offset_h=1, longitude_deg=8.25, peak_w_m2=150.0)
    rows = [EPW, EPW | {"path": "dull.epw"}]
    files = {"alps.epw": epw_text(HOURS, **ALPS), "dull.epw": epw_text(dull, **ALPS)}
    folder = folder_with(tmp_path, rows, files)
    climate = climate_of(folder).climate
    mean = (daily_wh_m2(HOURS) + daily_wh_m2(dull)) / 2
    assert climate.ghi_wh_m2_day[0] == pytest.approx([mean] * 12)
    assert climate.source[0] == "alps.epw, dull.epw"
    assert climate.clearness[0, 5, -1] / climate.clearness[0, 5, 0] == pytest.approx(2.0, rel=0.03)
    assert [len(weather.start_s) for weather in site_weathers(read_scenario(folder), "0012")] == [8760] * 2


def test_two_sites_share_a_file(tmp_path: Path) -> None:
    sites = table("sites")
    sites[1] |= {"latitude_deg": "46.6", "longitude_deg": "8.4"}
    rows = [EPW, EPW | {"site_id": "NA", "margin": "0.8"}]
    folder = folder_with(tmp_path, rows, {"alps.epw": epw_text(HOURS, **ALPS)}, sites=sites)
    ghi = climate_of(folder).climate.ghi_wh_m2_day
    assert ghi[1] == pytest.approx(0.8 * ghi[0])


def test_without_files_nothing_is_read(tmp_path: Path) -> None:
    scenario = read_scenario(write_scenario(tmp_path))
    found = site_files(scenario)
    assert dict(found.hashes) == {}
    assert np.isnan(found.months.ghi_wh_m2_day).all()
    assert site_conditions(scenario).scenario is scenario


def test_files_out_of_reach(tmp_path: Path) -> None:
    for i, path in enumerate(("../alps.epw", "/etc/alps.epw", "own/../../x.epw", "C:\\x.epw", "own\\x.epw")):
        folder = folder_with(tmp_path / str(i), [EPW | {"path": path}], {})
        (problem,) = check_scenario(folder)
        assert (problem.code, problem.file, problem.line, problem.column) == (
            "outside-folder",
            "climate_files.csv",
            2,
            "path",
        )


def test_a_link_that_leads_out(tmp_path: Path) -> None:
    (tmp_path / "secret.epw").write_text(epw_text(HOURS, **ALPS))
    folder = folder_with(tmp_path / "s", [EPW], {})
    (folder / "alps.epw").symlink_to(tmp_path / "secret.epw")
    assert codes(check_folder(folder)) == ["outside-folder"]


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    folder = folder_with(tmp_path, [EPW], {})
    (problem,) = check_folder(folder)
    assert (problem.code, problem.file) == ("missing-file", "alps.epw")
    with pytest.raises(InputError, match="missing-file"):
        climate_of(folder)
    (folder / "alps.epw").mkdir()
    assert codes(check_folder(folder)) == ["not-a-file"]


def test_all_faults_of_all_files_at_once(tmp_path: Path) -> None:
    rows = [EPW, CSV, EPW | {"site_id": "NA", "path": "no.epw"}]
    wrong = csv_text(HOURS, end=True).replace("2021-02-03T12:00,", "2021-02-03T12:00,-500.0#", 1)
    folder = folder_with(tmp_path, rows, {"alps.epw": "rubbish\n", "own/hours.csv": wrong})
    found = check_folder(folder)
    assert {problem.file for problem in found} == {"alps.epw", "own/hours.csv", "no.epw"}
    assert all(problem.remedy and problem.code for problem in found)


@pytest.mark.parametrize(
    ("latitude", "code", "severity"),
    # a degree of latitude is 111 km: 33 km is near, 111 km is far, 445 km is another climate
    [(46.8, None, None), (47.5, "far-from-site", Severity.WARNING), (50.5, "far-from-site", Severity.ERROR)],
)
def test_distance_of_the_station(
    tmp_path: Path, latitude: float, code: str | None, severity: Severity | None
) -> None:
    text = epw_text(HOURS, **(ALPS | {"latitude": latitude}))
    found = check_folder(folder_with(tmp_path, [EPW], {"alps.epw": text}))
    assert [(p.code, p.severity) for p in found] == ([] if code is None else [(code, severity)])
    if found:
        assert "0012" in found[0].message


def test_the_station_of_a_csv_file_is_what_its_row_says(tmp_path: Path) -> None:
    there = CSV | {"latitude_deg": "47.5", "longitude_deg": "8.25", "elevation_m": "400"}
    folder = folder_with(tmp_path, [there], {"own/hours.csv": csv_text(HOURS, end=True)})
    assert codes(check_folder(folder)) == ["far-from-site"]
    assert climate_of(folder).climate.elevation_difference_m[0] == 1800 - 400


@pytest.mark.parametrize(
    ("change", "column", "code"),
    [
        ({"stamp": ""}, "stamp", "missing-stamp"),
        ({"ghi_unit": ""}, "ghi_unit", "missing-unit"),
        ({"ghi_column": ""}, "ghi_column", "missing-value"),
        ({"temp_unit": ""}, "temp_unit", "missing-unit"),
        ({"ghi_unit": "W/m^2"}, "ghi_unit", "not-a-choice"),
        ({"time_zone": "Europe/Oslo"}, "time_zone", "bad-format"),
        ({"time_zone": "+1"}, "time_zone", "bad-format"),
        ({"latitude_deg": "46.5"}, "longitude_deg", "half-a-place"),
        ({"margin": "1.1"}, "margin", "out-of-range"),
        ({"format": "epw"}, "time_zone", "not-used"),
        ({"site_id": "13"}, "site_id", "unknown-reference"),
    ],
)
def test_rows_that_do_not_say_enough(tmp_path: Path, change: dict[str, str], column: str, code: str) -> None:
    folder = folder_with(tmp_path, [CSV | change], {"own/hours.csv": csv_text(HOURS, end=True)})
    found = check_folder(folder)
    assert (code, "climate_files.csv", 2, column) in {(p.code, p.file, p.line, p.column) for p in found}
    assert all(problem.remedy for problem in found)


def test_more_light_than_the_sky_lets_through(tmp_path: Path) -> None:
    # 600 W/m2 at noon are 4.6 kWh a day, in December too, when 46.5 N has 2.9 above the atmosphere
    # (between the rows of 45 and 60 N of Duffie and Beckman, table 1.10.1: 10.7 MJ/m2 at 45 N)
    bright = year(2021, offset_h=1, longitude_deg=8.25, peak_w_m2=600.0)
    (problem,) = check_folder(folder_with(tmp_path, [EPW], {"alps.epw": epw_text(bright, **ALPS)}))
    assert (problem.code, problem.file) == ("implausible-irradiation", "alps.epw")
    assert "month 12" in problem.message
