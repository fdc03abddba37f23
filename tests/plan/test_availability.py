"""Plans that are asked for a weather-only energy availability: what it costs, and what fresh years say."""

import datetime
import json
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest

import planner.pipeline
from planner.availability import fleet_curves, plane_classes
from planner.climate import day_hours
from planner.demand import SupplyKit
from planner.outputs import Fleet
from planner.pipeline import plan_folder
from planner.plan import Plan
from planner.reliability import SiteCurve, drawn_years
from tests.climate.years import csv_text
from tests.plan.fleets import Cut
from tests.support import SETTINGS, read_rows, with_cell, write_scenario

pytestmark = pytest.mark.usefixtures("simulated_once")

#: One voltage and one tilt: designs are made for every step of a curve.
QUICK = {"policy__system_voltages_v": "[12]", "climate__tilts_deg": "[60.0]"}
#: How the table of hours is to be read.
FILE_COLUMNS = {"ghi_column": "ghi", "temp_column": "temp", "temp_unit": "C", "time_zone": "UTC"}
FILE_COLUMNS |= {"ghi_unit": "W/m2", "stamp": "start"}
ALONE = {"policy__autonomy_days": "0", "policy__array_to_load_ratio": "0"}


@pytest.fixture
def cut(tmp_path: Path) -> Cut:
    """A site to buy half the catalogue for."""
    return Cut(tmp_path / "fleet", ("ustaoset",)).thin(2, 1)


@pytest.fixture(scope="module")
def honest(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    """The plan of the site for 98 %, alone."""
    folder = tmp_path_factory.mktemp("honest") / "fleet"
    return Cut(folder, ("ustaoset",)).thin(2, 1).plan(policy__availability="0.98", **QUICK, **ALONE)


@pytest.fixture(scope="module")
def at_ninety(tmp_path_factory: pytest.TempPathFactory) -> tuple[Plan, Fleet]:
    """The plan of the site for 90 %, alone, with what it was made from."""
    seen = {}

    def keep(fleet: Fleet, kits: list[list[SupplyKit]]) -> list[SiteCurve | None]:
        seen["fleet"] = fleet
        return fleet_curves(fleet, kits)

    cut = Cut(tmp_path_factory.mktemp("ninety") / "fleet", ("ustaoset",)).thin(2, 1)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(planner.pipeline, "fleet_curves", keep)
        plan = cut.plan(policy__availability="0.9", **QUICK, **ALONE)
    return plan, seen["fleet"]


def rows_of(plan: Plan, name: str = "reliability") -> list[dict[str, object]]:
    columns = plan.tables[name]
    return [dict(zip(columns, cells, strict=True)) for cells in zip(*columns.values(), strict=True)]


def test_more_availability_never_costs_less(
    cut: Cut, honest: Plan, at_ninety: tuple[Plan, Fleet]
) -> None:
    costs: list[Decimal] = []
    most = cut.plan(policy__availability="0.999", **QUICK, **ALONE)
    for asked, plan in (("0.9", at_ninety[0]), ("0.98", honest), ("0.999", most)):
        assert plan.manifest["outcome"] == "optimal"
        (row,) = rows_of(plan)
        assert row["availability_asked"] == float(asked)
        assert row["met"]
        assert row["availability_low"] <= row["availability"] <= row["availability_high"]
        assert row["battery_days"] >= row["battery_days_needed"] - 0.01
        costs.append(plan.total_cost)
    assert costs == sorted(costs)
    assert costs[0] < costs[-1]
    # beside a reserve and a ratio it asks for no less than they do alone
    assert cut.plan(**QUICK).total_cost <= cut.plan(policy__availability="0.98", **QUICK).total_cost


def test_without_an_availability_nothing_is_proven(cut: Cut) -> None:
    plan = cut.plan(**QUICK)
    assert rows_of(plan) == []
    assert plan.manifest["availability"]["designs_proven"] == 0


def halved(fleet: Fleet, kits: list[list[SupplyKit]]) -> list[SiteCurve | None]:
    """Curves that ask for half of what they should."""
    made = fleet_curves(fleet, kits)
    return [curve and replace(curve, days=curve.days / 2) for curve in made]


def test_a_miss_raises_the_curve_and_the_plan_says_so(
    cut: Cut, honest: Plan, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = {"policy__availability": "0.98", **QUICK, **ALONE}
    monkeypatch.setattr(planner.pipeline, "fleet_curves", halved)
    missed = cut.plan(reliability__replans_max="0", **asked)
    (row,) = rows_of(missed)
    assert (row["met"], row["curve_raises"]) == (False, 0)
    assert row["availability_high"] < 0.98
    assert missed.manifest["availability"]["missed"] == ["ustaoset"]
    assert "availability-missed" in missed.tables["problems"]["code"]
    assert missed.total_cost < honest.total_cost

    again = cut.plan(reliability__raise_share="0.9", **asked)
    (row,) = rows_of(again)
    assert row["met"]
    assert 1 <= row["curve_raises"] <= 3
    assert again.manifest["availability"]["curves_raised"] == {"ustaoset": row["curve_raises"]}
    assert again.manifest["availability"]["missed"] == []
    assert "curve-raised" in again.tables["problems"]["code"]
    assert again.total_cost >= honest.total_cost


def test_the_fleet_is_planned_again_twice_at_most_if_so_set(
    cut: Cut, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(planner.pipeline, "fleet_curves", halved)
    slowly = {"reliability__raise_share": "0.001", "reliability__replans_max": "2"}
    plan = cut.plan(policy__availability="0.98", **slowly, **QUICK, **ALONE)
    (row,) = rows_of(plan)
    assert (row["curve_raises"], row["met"]) == (2, False)
    asked = plan.tables["problems"]["message"][plan.tables["problems"]["code"].index("availability-missed")]
    assert "2 times" in asked


def hour_by_hour(plan: Plan, light: np.ndarray, lit_h: list[float], reconnect: float) -> float:
    """Share of time with the load served, in plain arithmetic: the day's energy as a half sine of 48 steps.

    The two phases of the plan's own simulation are not in it.
    """
    (design,), months = rows_of(plan, "site_designs"), rows_of(plan, "energy_balance")
    usable, efficiency = float(design["usable_wh"]), 0.86
    month_of = [m for m, n in enumerate((31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)) for _ in range(n)]
    charge, on, lost, steps = usable, True, 0.0, 48
    shape = np.sin(np.pi * (np.arange(steps) + 0.5) / steps)
    shape /= shape.sum()
    for t, relative in enumerate(light.tolist()):
        month = month_of[t % 365]
        row, day_h = months[month], lit_h[month]
        sun = float(row["array_wh_day"]) * relative * shape
        load_w = float(row["net_load_wh_day"]) / 24.0
        for hours, some in ((24.0 - day_h, [0.0]), (day_h / steps, sun.tolist())):
            for energy in some:
                need = load_w * hours
                if not on and charge >= reconnect * usable:
                    on = True
                served = need if on else 0.0
                net = energy - served
                change = net * efficiency if net > 0 else net
                short = max(0.0, -(charge + change))
                charge = min(max(charge + change, 0.0), usable)
                if short > 0:
                    on = False
                if t >= 365:
                    lost += hours if not served else hours * short / need
    return 1.0 - lost / ((len(light) - 365) * 24.0)


def test_the_proof_agrees_with_a_plain_simulation_of_the_plans_tables(
    cut: Cut, at_ninety: tuple[Plan, Fleet]
) -> None:
    plan, fleet = at_ninety
    classes = plane_classes(fleet, [0], np.array([60.0]))
    place = {"latitude_deg": fleet.arrays.latitude_deg, "longitude_deg": fleet.arrays.longitude_deg}
    fresh = drawn_years(classes, years=100, stream=1, **place)[0]
    battery = plan.tables["site_designs"]["battery_sku"][0]
    (store,) = (row for row in cut.rows("catalogue/batteries") if row["sku"] == battery)
    assert float(store["round_trip_efficiency"]) == pytest.approx(0.86, abs=0.11)
    lit = day_hours(fleet.arrays.latitude_deg)[0].tolist()
    (row,) = rows_of(plan)
    plain = hour_by_hour(plan, fresh, lit, 0.2)
    assert 1.0 - plain == pytest.approx(1.0 - float(row["availability"]), rel=0.15)


def test_own_years_of_hours_make_the_curve(tmp_path: Path) -> None:
    random = np.random.default_rng(11)
    hours = []
    for day in range(10 * 365 + 3):
        start = datetime.datetime(2001, 1, 1) + datetime.timedelta(days=day)
        peak = 500.0 * random.uniform(0.1, 1.0)
        for hour in range(24):
            light = peak * max(0.0, float(np.sin(np.pi * (hour + 0.5 - 6.0) / 12.0)))
            hours.append((start + datetime.timedelta(hours=hour), round(light, 1), 10.0))
    row = {"site_id": "0012", "path": "weather/own.csv", "format": "csv"}
    sites = with_cell("sites", 0, latitude_deg="0.5", longitude_deg="1.0", elevation_m="")
    sites["sites"] = sites["sites"][:1]
    settings = SETTINGS + "availability = 0.97\nsystem_voltages_v = [12]\n"
    folder = write_scenario(
        tmp_path / "s",
        settings=settings,
        tables={**sites, "climate_files": [row | FILE_COLUMNS]},
    )
    (folder / "weather").mkdir()
    (folder / "weather" / "own.csv").write_text(csv_text(hours), encoding="utf-8")
    plan, _ = plan_folder(folder, tmp_path / "out")
    (row,) = rows_of(plan)
    assert (row["own_weather"], row["curve_years"], row["fresh_years"]) == (True, 10, 100)
    # ten years cannot resolve 99.9 %, which takes 28: drawn years of the same file do
    plan, _ = plan_folder(folder, tmp_path / "out", overrides={"policy.availability": "0.999"})
    rows = rows_of(plan)
    assert not rows or (rows[0]["own_weather"], rows[0]["curve_years"]) == (False, 100)


def test_a_site_that_no_battery_on_sale_serves_says_what_it_lacks(tmp_path: Path) -> None:
    cells = {"autonomy_days": "0", "array_to_load_ratio": "0", "availability": "0.999"}
    folder = write_scenario(tmp_path / "s", tables=with_cell("sites", 0, **cells))
    batteries = read_rows(folder / "catalogue/batteries.csv")
    batteries[0] |= {"batteries_parallel_max": "1", "batteries_series_max": "1", "capacity_ah": "30"}
    write_scenario(folder, tables=with_cell("sites", 0, **cells) | {"catalogue/batteries": batteries})
    plan, _ = plan_folder(folder, tmp_path / "out")
    refusal = plan.unserved["0012"]
    assert refusal.rule == "battery-availability"
    assert "weather-only energy availability of 99.9 %" in refusal.message
    manifest = json.loads((tmp_path / "out" / "manifest.json").read_text(encoding="utf-8"))
    assert manifest["availability"]["what"] == "weather-only energy availability"
