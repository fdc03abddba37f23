"""Where watts are saved: today's supply by hand, and panel and battery in the ratio of the watts."""

import json
from decimal import Decimal
from pathlib import Path

import pytest
from typer.testing import CliRunner

from planner.cli import app
from planner.errors import InputError
from planner.savings import savings
from planner.savings.tree import boxes_of, bus_w, with_other, without
from planner.scenario import read_scenario
from planner.tables.existing import TodayRow
from tests.support import SETTINGS, Rows, table, with_cell, write_rows, write_scenario

VALLEY = "NA"
TODAY: Rows = [
    {"site_id": VALLEY, "box": "inverter", "kind": "inverter", "own_w": "7", "efficiency": "0.8"},
    {"site_id": VALLEY, "box": "mains-switch", "kind": "switch", "behind": "inverter", "own_w": "9"},
    {"site_id": VALLEY, "box": "brick", "kind": "adapter", "behind": "inverter", "efficiency": "0.8"},
    {"site_id": VALLEY, "box": "radio", "kind": "device", "behind": "brick", "own_w": "4"},
]


def today(rows: Rows) -> list[TodayRow]:
    return [TodayRow.model_validate({name: cell for name, cell in row.items() if cell}) for row in rows]


def scenario_at(folder: Path, rows: Rows, *, days: str = "1") -> Path:
    """The valley site; its asked autonomy is short, so that one battery serves today's load too."""
    sites = [row | {"autonomy_days": days} for row in table("sites") if row["site_id"] == VALLEY]
    return write_scenario(folder, settings=SETTINGS, tables={"sites": sites, "supply_today": rows})


def test_watts_at_the_bus_by_hand() -> None:
    """Inverter 7 W + (switch 9 W + 4 W / 0.8) / 0.8 = 24.5 W; the rest is worked likewise."""
    boxes = boxes_of(today(TODAY))
    assert bus_w(boxes) == pytest.approx(7 + (9 + 5) / 0.8)
    assert bus_w(without(boxes, "brick")) == pytest.approx(7 + (9 + 4) / 0.8)
    assert bus_w(without(boxes, "inverter")) == pytest.approx(9 + 5)
    on_bus = with_other(boxes, "mains-switch", own_w=3.0, efficiency=0.9, on_bus=True)
    assert bus_w(on_bus) == pytest.approx(7 + 5 / 0.8 + 3)
    in_place = with_other(boxes, "brick", own_w=0.0, efficiency=0.9, on_bus=False)
    assert bus_w(in_place) == pytest.approx(7 + (9 + 4 / 0.9) / 0.8)


def test_a_measured_draw_wins_and_changes_behind_it_show() -> None:
    """An inverter measured at 30 W hides 5.5 W more of its own; without the switch it draws 9 / 0.8 less."""
    rows = [dict(row) for row in TODAY]
    rows[0] |= {"measured_w": "30"}
    boxes = boxes_of(today(rows))
    assert bus_w(boxes) == pytest.approx(30)
    assert bus_w(without(boxes, "mains-switch")) == pytest.approx(30 - 9 / 0.8)


def test_panel_and_battery_follow_the_ratio_of_watts(tmp_path: Path) -> None:
    """Energy and reserve are linear in the load, so needs are too where controllers draw and clip nothing."""
    folder = scenario_at(tmp_path, TODAY)
    ideal = with_cell("catalogue/controllers", 0, own_draw_w="0", pv_input_max_a="200", output_max_a="200")
    write_rows(folder / "catalogue" / "controllers.csv", list(ideal["catalogue/controllers"]))
    scenario = read_scenario(folder)
    rows = {row.replaced: row for row in savings(scenario)}
    assert set(rows) == {"inverter", "mains-switch", "brick", "whole supply"}
    for row in rows.values():
        assert row.array_need_w_today is not None
        assert row.array_need_w_saved is not None
        assert row.battery_need_wh_today is not None
        assert row.battery_need_wh_saved is not None
        watts = row.watts_after / row.watts_today
        array = 1 - row.array_need_w_saved / row.array_need_w_today
        battery = 1 - row.battery_need_wh_saved / row.battery_need_wh_today
        assert battery == pytest.approx(watts, rel=1e-3)  # figures of plans are rounded
        assert array == pytest.approx(watts, rel=2e-3)  # ratios to a thousandth
        assert row.watts_saved > 0
        assert row.array_w_saved is not None
        assert row.array_w_saved >= 0


def test_the_plans_watts_and_money(tmp_path: Path) -> None:
    """The plan's supply: the radio's 4 W at a passive port (with the cable), and the switch's own 3 W."""
    scenario = read_scenario(scenario_at(tmp_path, TODAY))
    ranked = savings(scenario)
    rows = {row.replaced: row for row in ranked}
    whole, switch = rows["whole supply"], rows["mains-switch"]
    # 4 W at 24 V over 30 m of 12.5 ohm per 100 m: 0.1 W lost; the switch gives PoE at 0.9
    cable_w = (4 / 24) ** 2 * 12.5 * 0.3
    assert whole.watts_after == pytest.approx(3 + (4 + cable_w) / 0.9, abs=0.05)
    assert whole.by == switch.by == "1 x S-8#W"
    assert whole.part_cost == switch.part_cost == Decimal("310.00")
    # a switch of 3 W on the bus in place of 9 W behind the inverter, whose own 7 W stay
    assert switch.watts_saved == pytest.approx(9 / 0.8 - 3)
    assert rows["brick"].part_cost == 0
    assert [row.rank for row in ranked] == [1, 2, 3, 4]
    nets = [row.net_saved for row in ranked if row.net_saved is not None]
    assert nets == sorted(nets, reverse=True)
    for row in ranked:
        assert row.net_saved is not None
        assert row.cost_saved is not None
        assert row.net_saved == row.cost_saved - row.part_cost


def test_a_stated_swap_takes_the_place(tmp_path: Path) -> None:
    rows = [dict(row) for row in TODAY]
    rows[1] |= {"swap_sku": "S-8#W"}
    found = {row.replaced: row for row in savings(read_scenario(scenario_at(tmp_path, rows)))}
    assert found["mains-switch"].watts_saved == pytest.approx(9 / 0.8 - 3)


def test_a_load_that_nothing_carries_is_said(tmp_path: Path) -> None:
    rows = [dict(row) for row in TODAY]
    rows[0] |= {"own_w": "2500"}
    found = savings(read_scenario(scenario_at(tmp_path, rows)))
    assert all(row.net_saved is None and row.note for row in found)
    assert {row.watts_saved > 2000 for row in found if row.replaced in ("inverter", "whole supply")} == {True}


@pytest.mark.parametrize(
    ("box", "cells", "code"),
    [
        (1, {"behind": "nothing"}, "bad-supply"),
        (1, {"behind": "radio"}, "bad-supply"),
        (0, {"behind": "brick"}, "bad-supply"),
        (0, {"behind": "inverter"}, "bad-supply"),
        (0, {"measured_w": "17"}, "measured-below"),  # (9 + 5) / 0.8 = 17.5 W hang on it
        (1, {"swap_sku": "S-9"}, "unknown-reference"),
        (1, {"site_id": "0013"}, "unknown-reference"),
    ],
)
def test_faults_of_the_table(tmp_path: Path, box: int, cells: dict[str, str], code: str) -> None:
    rows = [dict(row) for row in TODAY]
    rows[box] |= cells
    with pytest.raises(InputError) as caught:
        read_scenario(scenario_at(tmp_path, rows))
    assert code in {problem.code for problem in caught.value.problems}


def test_command(tmp_path: Path) -> None:
    folder = scenario_at(tmp_path / "scenario", TODAY)
    run = CliRunner().invoke(app, ["savings", str(folder), "--json", "--out", str(tmp_path / "out")])
    assert run.exit_code == 0, run.output
    assert [row["rank"] for row in json.loads(run.stdout)] == [1, 2, 3, 4]
    assert (tmp_path / "out" / "savings.csv").read_text().startswith("rank,site_id,replaced,")
    write_scenario(tmp_path / "none")
    run = CliRunner().invoke(app, ["savings", str(tmp_path / "none"), "--json"])
    assert (run.exit_code, json.loads(run.stdout)[0]["file"]) == (3, "supply_today.csv")
