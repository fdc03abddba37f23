"""Warnings of a plan that many sites share are said once, with the worst of them."""

import re
from pathlib import Path

import numpy as np

from planner.climate.builtin import lookup
from planner.pipeline import plan_fleet
from planner.scenario import read_scenario
from tests.support import table, write_scenario


def test_sites_far_from_the_height_of_their_cell_make_one_warning(tmp_path: Path) -> None:
    """Five sites at one place; the land of their cell is as `lookup` has it, so four lie over 300 m off."""
    land_m = float(lookup(np.array([46.5]), np.array([8.25])).elevation_m[0])
    above_m = {"near": 200.0, "ridge": 450.0, "peak": 900.0, "gorge": -600.0, "shelf": 301.0}
    place = table("sites")[0]
    rows = [
        place | {"site_id": site, "name": site, "elevation_m": f"{land_m + m:.1f}", "autonomy_days": "1"}
        for site, m in above_m.items()
    ]
    folder = write_scenario(tmp_path / "heights", tables={"sites": rows})
    plan = plan_fleet(read_scenario(folder))
    problems = plan.tables["problems"]
    (at,) = [i for i, code in enumerate(problems["code"]) if code == "elevation-differs"]
    assert problems["message"][at].startswith(
        "4 of 5 sites lie far above or below the land of their climate cell"
    )
    assert re.findall(r"(\w+) ([+-]\d+) m", problems["message"][at]) == [
        ("peak", "+900"), ("gorge", "-600"), ("ridge", "+450"),
    ]  # fmt: skip
    assert (problems["site_id"][at], problems["value"][at], problems["limit"][at]) == ("", 900.0, 300.0)
    designs = plan.tables["site_designs"]
    found = dict(zip(designs["site_id"], designs["elevation_difference_m"], strict=True))
    assert {site: round(m) for site, m in found.items()} == {site: round(m) for site, m in above_m.items()}
