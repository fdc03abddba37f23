"""Warnings of a plan that many sites share are said once, with the worst of them."""

import re
from pathlib import Path

import numpy as np

from planner.climate.builtin import lookup
from planner.pipeline import plan_fleet
from planner.scenario import read_scenario
from tests.support import Rows, table, write_scenario


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


def test_inrush_through_boxes_that_do_not_say_what_they_bear(tmp_path: Path) -> None:
    """A pump of 20 W that starts with 900 W, behind an inverter of 90 % that idles at 2 W: 1002 W at the bus.

    Over 11 V that is 91.09 A, past a disconnect of 30 A.
    """
    pump = {
        "device": "pump", "supply": "ac", "input_min_v": "220", "input_max_v": "240", "average_w": "1",
        "max_w": "20", "surge_w": "900", "data_ports": "0", "schedule": "always",
    }  # fmt: skip
    inverter = {
        "sku": "INV", "maker": "Ostrel", "weight_kg": "2", "kind": "inverter", "input_min_v": "10",
        "input_max_v": "17", "output_v": "230", "output_hz": "50", "output_max_w": "300", "surge_w": "900",
        "efficiency": "0.9", "own_draw_w": "2", "volume_l": "2", "isolated": "true",
    }  # fmt: skip
    price = table("catalogue/prices")[2] | {"sku": "INV"}
    place = table("sites")[0] | {"autonomy_days": "1", "load_profile": "well", "system_voltage_v": "12"}

    def warnings(name: str, **states: str) -> Rows:
        boxes = [table("catalogue/converters")[0] | states, inverter]
        folder = write_scenario(
            tmp_path / name,
            tables={
                "sites": [place],
                "devices": [*table("devices"), pump],
                "loads": [{"load_profile": "well", "device": "pump", "quantity": "1", "cable_m": "3"}],
                "catalogue/converters": boxes,
                "catalogue/controllers": [table("catalogue/controllers")[0] | {"load_terminal_max_a": ""}],
                "catalogue/prices": [*table("catalogue/prices"), price],
            },
        )
        plan = plan_fleet(read_scenario(folder))
        assert plan.unserved == {}
        columns = plan.tables["problems"]
        rows = [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]
        return [row for row in rows if row["code"] == "inrush-not-checked"]

    (row,) = warnings("silent")
    assert (row["sku"], row["value"], row["limit"], row["unit"]) == ("D-30", 91.09, 30.0, "A")
    assert "write its surge_a" in row["message"]
    assert warnings("stated", surge_a="120") == []
