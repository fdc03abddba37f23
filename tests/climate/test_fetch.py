"""Fetching: what is asked, cached, written and left alone, against a stand-in on this machine."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from pvlib.iotools import nasa_power, pvgis

from planner.check import check_folder
from planner.climate.cache import cached, default_cache
from planner.climate.fetch import Fetch, Fetched, Outcome, fetch_weather
from planner.climate.services import URLS, Patience, Request, Source, ask
from planner.climate.sources import site_files, site_weathers
from planner.errors import InputError, OutputError, ServiceError
from planner.scenario import read_scenario
from tests.climate.service import ELEVATION_M, Service, serving
from tests.climate.years import daily_wh_m2, table_rows, year
from tests.support import table, write_rows, write_scenario

PATHS = {Source.NASA_POWER: "/nasa", Source.PVGIS_TMY: "/pvgis/", Source.PVGIS_HOURLY: "/pvgis/"}
HTML = "text/html", b"<html>Bad Gateway</html>"


@pytest.fixture
def service(monkeypatch: pytest.MonkeyPatch) -> Iterator[Service]:
    monkeypatch.setenv("NO_PROXY", "*")
    with serving() as running:
        yield running


def asked_of(service: Service, cache: Path, source: Source = Source.NASA_POWER, **changes: object) -> Fetch:
    settings: dict[str, object] = {
        "source": source,
        "url": service.url + PATHS[source],
        "first_year": 2019,
        "last_year": 2019,
        "cache": cache,
        "patience": Patience(tries=3, timeout_s=30, first_delay_s=0.0),
    }
    return Fetch(**(settings | changes))


def run(folder: Path, fetch: Fetch) -> list[Fetched]:
    return list(fetch_weather(read_scenario(folder), fetch))


def outcomes(found: list[Fetched]) -> list[str]:
    return [row.outcome.value for row in found]


@pytest.mark.parametrize("source", list(Source))
def test_what_is_fetched_is_what_planning_reads(source: Source, service: Service, tmp_path: Path) -> None:
    folder = write_scenario(tmp_path / "scenario")
    fetch = asked_of(service, tmp_path / "cache", source, last_year=2020)
    assert outcomes(run(folder, fetch)) == ["written", "written"]
    scenario = read_scenario(folder)
    assert check_folder(folder) == []
    files = site_files(scenario)
    assert sorted(files.hashes) == [f"climate/0012_{source.value}.csv", f"climate/NA_{source.value}.csv"]
    for i, site in enumerate(scenario.tables.sites):
        day = daily_wh_m2(year(2019, longitude_deg=site.longitude_deg))
        assert files.months.ghi_wh_m2_day[i] == pytest.approx([day] * 12, rel=1e-3)
        assert files.months.temp_air_c[i] == pytest.approx([10.0] * 12, abs=0.01)
    assert files.months.margin.tolist() == [0.95, 0.95]
    assert files.months.elevation_m.tolist() == [ELEVATION_M, ELEVATION_M]
    (weather,) = site_weathers(scenario, "0012")
    assert len(weather.start_s) == (8760 if source is Source.PVGIS_TMY else 8760 + 8784)


def test_what_is_asked(service: Service, tmp_path: Path) -> None:
    horizon = [{"site_id": "NA", "azimuth_deg": "90", "elevation_deg": "5"}]
    horizon.append({"site_id": "NA", "azimuth_deg": "180", "elevation_deg": "0"})
    folder = write_scenario(tmp_path / "scenario", tables={"horizon": horizon})
    run(folder, asked_of(service, tmp_path / "cache", Source.PVGIS_HOURLY, last_year=2020))
    (path, first), (_, second) = service.asked
    assert path == "/pvgis/seriescalc"
    assert (first["lat"], first["lon"], first["startyear"], first["endyear"]) == (
        "46.5",
        "8.25",
        "2019",
        "2020",
    )
    assert first["angle"] == "0"
    # a site with its own horizon must not be shaded twice
    assert (first["usehorizon"], second["usehorizon"]) == ("1", "0")


def test_addresses_are_the_services_own() -> None:
    assert URLS[Source.NASA_POWER] == nasa_power.URL
    assert URLS[Source.PVGIS_TMY].startswith(pvgis.URL)
    assert URLS[Source.PVGIS_HOURLY].startswith(pvgis.URL)


def test_the_same_question_is_asked_once(service: Service, tmp_path: Path) -> None:
    one, two = write_scenario(tmp_path / "one"), write_scenario(tmp_path / "two")
    cache = tmp_path / "cache"
    assert [row.answer for row in run(one, asked_of(service, cache))] == ["service", "service"]
    assert [row.answer for row in run(two, asked_of(service, cache))] == ["cache", "cache"]
    assert len(service.asked) == 2
    for name in ("climate/0012_nasa-power.csv", "climate_files.csv"):
        assert (one / name).read_bytes() == (two / name).read_bytes()
    three = write_scenario(tmp_path / "three")
    assert [row.answer for row in run(three, asked_of(service, cache, last_year=2020))] == ["service"] * 2
    four = write_scenario(tmp_path / "four")
    assert [row.answer for row in run(four, asked_of(service, cache, refresh=True))] == ["service"] * 2


def test_a_damaged_cache_entry_is_asked_for_again(service: Service, tmp_path: Path) -> None:
    cache = tmp_path / "cache"
    run(write_scenario(tmp_path / "one"), asked_of(service, cache))
    for entry in cache.iterdir():
        entry.write_text("half a", encoding="utf-8")
    assert [row.answer for row in run(write_scenario(tmp_path / "two"), asked_of(service, cache))] == [
        "service",
        "service",
    ]
    assert all(cached(cache, entry.stem) is not None for entry in cache.iterdir())


def test_faults_that_pass_are_waited_out(service: Service, tmp_path: Path) -> None:
    service.first = [(503, *HTML), (200, *HTML)]
    found = run(write_scenario(tmp_path / "scenario"), asked_of(service, tmp_path / "cache"))
    assert outcomes(found) == ["written", "written"]
    assert len(service.asked) == 4


@pytest.mark.parametrize("status", [429, 500, 502, 503, 504])
def test_pauses_double_and_end(status: int, service: Service) -> None:
    service.first = [(status, *HTML)] * 4
    pauses: list[float] = []
    request = Request(
        source=Source.PVGIS_TMY,
        url=service.url + "/pvgis/",
        latitude_deg=46.5,
        longitude_deg=8.25,
        first_year=2008,
        last_year=2020,
        use_horizon=True,
    )
    with pytest.raises(ServiceError, match=f"out of order.*{status}") as caught:
        ask(request, Patience(tries=4, timeout_s=30, first_delay_s=0.5), sleep=pauses.append)
    assert pauses == [0.5, 1.0, 2.0]
    assert not caught.value.reachable


def test_a_silent_service_is_given_up(service: Service, tmp_path: Path) -> None:
    import threading

    hang = threading.Event()

    def wait(question: dict[str, str]) -> None:
        hang.wait(20)

    service.refuse = wait
    patience = Patience(tries=1, timeout_s=0.3, first_delay_s=0.0)
    found = run(write_scenario(tmp_path / "s"), asked_of(service, tmp_path / "cache", patience=patience))
    hang.set()
    assert outcomes(found) == ["failed", "failed"]
    assert "did not answer within 0.3 s" in found[0].message
    assert len(service.asked) == 1  # the second site is not waited for


def test_nobody_there(tmp_path: Path, service: Service) -> None:
    folder = write_scenario(tmp_path / "scenario")
    nowhere = asked_of(service, tmp_path / "cache", url="http://127.0.0.1:9/")
    found = run(folder, nowhere)
    assert outcomes(found) == ["failed", "failed"]
    assert "is there a network?" in found[0].message
    assert "not asked" in found[1].message
    assert not (folder / "climate_files.csv").exists()


def test_a_refusal_concerns_one_site_and_the_other_is_written(service: Service, tmp_path: Path) -> None:
    body = json.dumps({"message": "Location over the sea.", "status": 400}).encode()
    service.refuse = lambda question: (400, "application/json", body) if question["lat"] == "46.5" else None
    folder = write_scenario(tmp_path / "scenario")
    fetch = asked_of(service, tmp_path / "cache", Source.PVGIS_TMY)
    found = run(folder, fetch)
    assert outcomes(found) == ["failed", "written"]
    assert "over the sea" in found[0].message
    assert len(service.asked) == 2  # a refusal is not asked again
    assert [row["site_id"] for row in table_rows(folder / "climate_files.csv")] == ["NA"]
    service.refuse = lambda question: None
    assert outcomes(run(folder, fetch)) == ["written", "kept"]  # another run fetches the rest


@pytest.mark.parametrize("body", [b"{}", b"[]", b'{"properties": {"parameter": {}}}', b"null"])
def test_an_answer_of_unknown_form(body: bytes, service: Service, tmp_path: Path) -> None:
    service.refuse = lambda question: (200, "application/json", body)
    found = run(write_scenario(tmp_path / "s"), asked_of(service, tmp_path / "cache"))
    assert outcomes(found) == ["failed", "failed"]
    assert "unknown form" in found[0].message


def test_an_answer_that_planning_would_refuse_is_not_written(service: Service, tmp_path: Path) -> None:
    from tests.climate.service import nasa_power as answer

    def gaps(question: dict[str, str]) -> tuple[int, str, bytes]:
        whole = answer(question)
        light = whole["properties"]["parameter"]["ALLSKY_SFC_SW_DWN"]
        for stamp in light:
            light[stamp] = -999.0 if stamp[4:6] == "05" else light[stamp]  # no May in any year
        return 200, "application/json", json.dumps(whole).encode()

    service.refuse = gaps
    folder = write_scenario(tmp_path / "scenario")
    found = run(folder, asked_of(service, tmp_path / "cache", last_year=2020))
    assert outcomes(found) == ["failed", "failed"]
    assert "incomplete-year" in found[0].message
    assert not (folder / "climate").exists()
    assert not list((tmp_path / "cache").glob("*"))


def test_rows_and_files_of_the_user_stay(service: Service, tmp_path: Path) -> None:
    own = [
        {"note": "", "site_id": "NA", "path": "my.epw", "format": "epw", "margin": "0.9"},
    ]
    folder = write_scenario(tmp_path / "scenario")
    write_rows(folder / "climate_files.csv", [{k: v for k, v in row.items() if k != "note"} for row in own])
    found = run(folder, asked_of(service, tmp_path / "cache", replace=True))
    assert outcomes(found) == ["written", "kept"]
    assert "your own" in found[1].message
    rows = table_rows(folder / "climate_files.csv")
    assert [(row["site_id"], row["path"], row["margin"]) for row in rows] == [
        ("NA", "my.epw", "0.9"),
        ("0012", "climate/0012_nasa-power.csv", "0.95"),
    ]
    assert rows[0]["ghi_column"] == ""


def test_a_file_that_was_not_fetched_is_not_overwritten(service: Service, tmp_path: Path) -> None:
    folder = write_scenario(tmp_path / "scenario")
    (folder / "climate").mkdir()
    mine = folder / "climate" / "0012_nasa-power.csv"
    mine.write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="left as it is"):
        run(folder, asked_of(service, tmp_path / "cache"))
    assert mine.read_text(encoding="utf-8") == "mine"


def test_a_folder_that_leads_out_is_not_written_to(service: Service, tmp_path: Path) -> None:
    folder = write_scenario(tmp_path / "scenario")
    (tmp_path / "elsewhere").mkdir()
    (folder / "climate").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(OutputError, match="leads out"):
        run(folder, asked_of(service, tmp_path / "cache"))
    assert not list((tmp_path / "elsewhere").iterdir())


def test_fetched_rows_are_replaced_when_asked(service: Service, tmp_path: Path) -> None:
    folder = write_scenario(tmp_path / "scenario")
    fetch = asked_of(service, tmp_path / "cache", site_ids=("NA",))
    assert outcomes(run(folder, fetch)) == ["written"]
    assert outcomes(run(folder, fetch)) == ["kept"]
    again = asked_of(
        service, tmp_path / "cache", Source.PVGIS_TMY, first_year=2008, site_ids=("NA",), replace=True
    )
    assert outcomes(run(folder, again)) == ["written"]
    rows = table_rows(folder / "climate_files.csv")
    assert [row["path"] for row in rows] == ["climate/NA_pvgis-tmy.csv"]


def test_an_unknown_site(service: Service, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="unknown-site"):
        run(write_scenario(tmp_path), asked_of(service, tmp_path / "cache", site_ids=("12",)))


def test_a_parquet_table_is_not_added_to(service: Service, tmp_path: Path) -> None:
    import pandas as pd

    folder = write_scenario(tmp_path / "scenario")
    row = {"site_id": "NA", "path": "my.epw", "format": "epw"}
    pd.DataFrame([row]).to_parquet(folder / "climate_files.parquet")
    with pytest.raises(OutputError, match="save it as CSV"):
        run(folder, asked_of(service, tmp_path / "cache"))
    assert service.asked == []


def test_a_cache_that_cannot_be_written(service: Service, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(OutputError, match="--cache"):
        run(write_scenario(tmp_path / "s"), asked_of(service, tmp_path / "file" / "cache"))


def test_the_cache_is_where_the_desktop_standard_says(monkeypatch: pytest.MonkeyPatch) -> None:
    # XDG base directory specification: absolute paths only, else ~/.cache
    monkeypatch.setenv("XDG_CACHE_HOME", "/somewhere")
    assert default_cache().is_relative_to("/somewhere")
    monkeypatch.setenv("XDG_CACHE_HOME", "relative")
    assert default_cache().is_relative_to(Path.home() / ".cache")


def test_sites_in_the_east_get_their_typical_year_from_local_midnight(
    service: Service, tmp_path: Path
) -> None:
    sites = table("sites")
    sites[0] |= {"longitude_deg": "151.2", "latitude_deg": "-33.9"}
    folder = write_scenario(tmp_path / "s", tables={"sites": sites})
    fetch = asked_of(service, tmp_path / "cache", Source.PVGIS_TMY, site_ids=("0012",))
    assert outcomes(run(folder, fetch)) == [Outcome.WRITTEN]
    lines = (folder / "climate" / "0012_pvgis-tmy.csv").read_text(encoding="utf-8").splitlines()
    assert lines[4].startswith("2001-01-01T00:00+10:00,")
    assert check_folder(folder) == []  # its noon is where the sun's is


@pytest.mark.parametrize("mark", [";", "\t"])
def test_a_table_keeps_its_delimiter_and_its_cells(mark: str, service: Service, tmp_path: Path) -> None:
    folder = write_scenario(tmp_path / "scenario")
    own = mark.join(["path", "format", "site_id"]) + "\n" + mark.join(["own, dull.epw", "epw", "NA"]) + "\n"
    (folder / "climate_files.csv").write_text(own, encoding="utf-8")
    run(folder, asked_of(service, tmp_path / "cache"))
    text = (folder / "climate_files.csv").read_text(encoding="utf-8")
    assert text.splitlines()[0].startswith(mark.join(["path", "format", "site_id", "margin"]))
    rows = read_scenario(folder).tables.climate_files
    assert {(row.site_id, row.path) for row in rows} == {
        ("NA", "own, dull.epw"),
        ("0012", "climate/0012_nasa-power.csv"),
    }


def test_a_scenario_that_extends_another_reads_its_files_but_hides_no_table(
    service: Service, tmp_path: Path
) -> None:
    base = write_scenario(tmp_path / "base")
    child = tmp_path / "child"
    child.mkdir()
    (child / "scenario.toml").write_text('extends = "../base"\n', encoding="utf-8")
    fetch = asked_of(service, tmp_path / "cache")
    assert outcomes(run(base, fetch)) == ["written", "written"]
    assert check_folder(child) == []
    names = set(site_files(read_scenario(child)).hashes)
    assert names == {f"../base/climate/{name}_nasa-power.csv" for name in ("0012", "NA")}
    with pytest.raises(OutputError, match="would be hidden"):
        run(child, fetch)
    (base / "climate" / "NA_nasa-power.csv").unlink()
    assert [(p.code, p.file) for p in check_folder(child)] == [
        ("missing-file", "../base/climate/NA_nasa-power.csv")
    ]
