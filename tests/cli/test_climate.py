"""`planner climate` as a shell sees it."""

import json
import subprocess
import sys
from pathlib import Path

from typer.testing import CliRunner, Result

from planner.cli import app
from planner.cli.climate import SOURCES
from planner.climate.services import FIRST_YEAR, LAST_YEAR, Source
from tests.climate.service import serving
from tests.support import write_scenario


def planner(*arguments: str | Path, cache: Path | None = None) -> Result:
    environment = {"NO_PROXY": "*"} | ({"XDG_CACHE_HOME": str(cache)} if cache else {})
    return CliRunner(env=environment).invoke(app, ["climate", *map(str, arguments)])


def test_show_as_tab_separated_text(tmp_path: Path) -> None:
    done = planner("show", write_scenario(tmp_path), "--site", "NA")
    assert done.exit_code == 0, done.stderr
    header, *rows = (line.split("\t") for line in done.stdout.splitlines())
    assert header[:5] == ["site_id", "month", "ghi_wh_m2_day", "climate_margin", "climate_source"]
    assert [row[1] for row in rows] == [str(month) for month in range(1, 13)]
    assert {row[0] for row in rows} == {"NA"}


def test_show_as_json_and_with_other_settings(tmp_path: Path) -> None:
    folder = write_scenario(tmp_path)
    plain = json.loads(planner("show", folder, "--json").stdout)
    half = json.loads(planner("show", folder, "--json", "--set", "climate.margin=0.45").stdout)
    assert len(plain) == 24
    assert {row["climate_margin"] for row in plain} == {0.9}  # the default, over the built-in climate
    for one, other in zip(plain, half, strict=True):
        assert abs(one["ghi_wh_m2_day"] - 2 * other["ghi_wh_m2_day"]) < 0.3
        assert one["poa_wh_m2_day"] > other["poa_wh_m2_day"]
        assert one["temp_source"] == "built-in"


def test_show_names_what_is_wrong(tmp_path: Path) -> None:
    folder = write_scenario(tmp_path)
    done = planner("show", folder, "--site", "N")
    assert done.exit_code == 3
    assert "unknown-site" in done.stderr
    (folder / "climate_files.csv").write_text("site_id,path,format\nNA,no.epw,epw\n", encoding="utf-8")
    done = planner("show", folder)
    assert done.exit_code == 3
    assert "missing-file" in done.stderr


def test_fetch_then_show(tmp_path: Path) -> None:
    folder = write_scenario(tmp_path / "scenario")
    years = ("--start", "2019", "--end", "2019")
    with serving() as service:
        done = planner(
            "fetch", folder, "--url", service.url + "/nasa", *years, "--json", cache=tmp_path / "cache"
        )
        again = planner("fetch", folder, "--url", service.url + "/nasa", *years, cache=tmp_path / "cache")
        assert len(service.asked) == 2
    assert done.exit_code == 0, done.stderr
    assert [row["outcome"] for row in json.loads(done.stdout)] == ["written", "written"]
    assert "2 written, 0 failed" in done.stderr
    assert again.exit_code == 0
    assert again.stdout.count("kept") == 2
    assert list((tmp_path / "cache").rglob("*.csv"))
    rows = json.loads(planner("show", folder, "--json").stdout)
    assert {row["climate_source"] for row in rows} == {
        "climate/0012_nasa-power.csv",
        "climate/NA_nasa-power.csv",
    }
    assert {row["climate_margin"] for row in rows} == {0.95}


def test_fetch_without_a_network(tmp_path: Path) -> None:
    folder = write_scenario(tmp_path / "scenario")
    offline = ("--url", "http://127.0.0.1:9/", "--tries", "1", "--cache", tmp_path / "cache")
    done = planner("fetch", folder, *offline)
    assert done.exit_code == 7
    assert "is there a network?" in done.stdout
    assert "0 written, 2 failed" in done.stderr
    quiet = planner("fetch", folder, *offline, "--quiet")
    assert (quiet.exit_code, quiet.stdout) == (7, "")
    assert "is there a network?" in quiet.stderr


def test_usage(tmp_path: Path) -> None:
    folder = write_scenario(tmp_path)
    assert planner("fetch", folder, "--source", "oracle").exit_code == 2
    assert planner("fetch", folder, "--url", "file:///etc/passwd").exit_code == 2
    assert planner("fetch", folder, "--start", "2020", "--end", "2019").exit_code == 2
    assert planner("fetch", folder, "--tries", "0").exit_code == 2
    assert planner("fetch", tmp_path / "none").exit_code == 3


def test_the_help_says_what_the_services_module_does() -> None:
    assert tuple(source.value for source in Source) == SOURCES
    done = planner("fetch", "--help")
    assert str(FIRST_YEAR) in done.stdout
    assert str(LAST_YEAR) in done.stdout


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys; sys.argv = ['planner', 'climate', 'fetch', '--help']\n"
        "from planner.cli import main\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        "print('LOADED', *{name.partition('.')[0] for name in sys.modules})"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.rpartition("LOADED")[2].split())
    assert loaded & {"pandas", "numpy", "pvlib", "pulp", "scipy", "pyarrow", "requests"} == set()
