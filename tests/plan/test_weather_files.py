"""A plan from weather files: provenance in its tables and manifest, and the same bytes each time."""

import hashlib
import json
from pathlib import Path

import pandas as pd
import pytest

from planner.pipeline import plan_folder
from tests.climate.years import epw_text, year
from tests.support import write_scenario


@pytest.fixture
def scenario(tmp_path: Path) -> Path:
    row = {"site_id": "NA", "path": "alps.epw", "format": "epw", "margin": "0.97"}
    folder = write_scenario(tmp_path / "scenario", tables={"climate_files": [row]})
    hours = year(2021, offset_h=1, longitude_deg=9.5)
    text = epw_text(hours, latitude=48.0, longitude=9.5, offset_h=1)  # 83 km away: a warning
    (folder / "alps.epw").write_text(text, encoding="utf-8")
    return folder


def test_provenance_and_repetition(scenario: Path, tmp_path: Path) -> None:
    for name in ("one", "two"):
        plan_folder(scenario, tmp_path / name)
    manifest = json.loads((tmp_path / "one" / "manifest.json").read_text(encoding="utf-8"))
    assert manifest["inputs"]["alps.epw"] == hashlib.sha256((scenario / "alps.epw").read_bytes()).hexdigest()
    assert "climate_files.csv" in manifest["inputs"]
    designs = pd.read_parquet(tmp_path / "one" / "site_designs.parquet").set_index("site_id")
    assert (designs.climate_source["NA"], designs.climate_margin["NA"]) == ("alps.epw", 0.97)
    problems = pd.read_parquet(tmp_path / "one" / "problems.parquet")
    assert "far-from-site" in set(problems.code)
    for path in (tmp_path / "one").iterdir():
        if path.name != "timings.json":
            assert path.read_bytes() == (tmp_path / "two" / path.name).read_bytes(), path.name
