"""How proven plans of small fleets answer a change of one thing; no plan is compared with a stored one."""

import itertools
import os
import random
import subprocess
import sys
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import pytest

from planner.plan import Plan, write_plan
from planner.tables.plan_rows import PLAN_TABLES
from planner.tables.registry import BY_NAME, Place
from tests.plan.fleets import Cut
from tests.support import Rows

SITES = ("finse", "ustaoset")  # its own irradiation, a camera; built-in climate, a gauge
CENT = Decimal("0.01")


@pytest.fixture
def cut(tmp_path: Path) -> Cut:
    """A fleet to buy half the catalogue for."""
    return half(tmp_path / "fleet")


def half(folder: Path, *more: str) -> Cut:
    """Half the catalogue, and two of the three bus voltages."""
    return Cut(folder, (*SITES, *more)).thin(2, 1).buses(12, 24)


def total(plan: Plan) -> Decimal:
    """Cost of a plan that is proven: to the millionth, which is less than a cent here."""
    assert plan.manifest["outcome"] == "optimal"
    assert not plan.unserved
    return plan.total_cost


def times(factor: str) -> Callable[[str], str]:
    return lambda cell: str(Decimal(cell) * Decimal(factor))


def test_more_load_never_costs_less(cut: Cut) -> None:
    costs = [total(cut.plan(policy__load_margin=margin)) for margin in ("0", "0.1", "0.9")]
    assert costs == sorted(costs)
    assert costs[0] < costs[-1]


def test_one_more_device_never_costs_less(cut: Cut) -> None:
    costs = [total(cut.plan())]
    for device in ("level-radar", "camera-3", "logger"):

        def more(rows: Rows, device: str = device) -> Rows:
            return [
                row | {"quantity": str(int(row["quantity"]) + 1)} if row["device"] == device else row
                for row in rows
            ]

        costs.append(total(cut.change("loads", more).plan()))
    assert costs == sorted(costs)
    assert costs[0] < costs[-1]


def test_more_autonomy_never_costs_less(cut: Cut) -> None:
    costs = [total(cut.plan(policy__autonomy_days=days)) for days in ("2", "5", "12")]
    assert costs == sorted(costs)
    assert costs[0] < costs[-1]


def test_a_higher_ratio_never_costs_less(cut: Cut) -> None:
    costs = [total(cut.plan(policy__array_to_load_ratio=ratio)) for ratio in ("1", "1.1", "1.5")]
    assert costs == sorted(costs)
    assert costs[0] < costs[-1]


def by_capacity(cut: Cut) -> Cut:
    """Batteries cost by the Wh and everything else a cent: the cheapest plan has the least Wh."""
    rated = {
        row["sku"]: Decimal(row["capacity_ah"]) * Decimal(row["nominal_v"])
        for row in cut.rows("catalogue/batteries")
    }

    def price(sku: str) -> dict[str, str]:
        amount = str(rated.get(sku, CENT))
        return {"sku": sku, "supplier": "stativel", "min_qty": "1", "currency": "EUR", "unit_price": amount}

    cut.change("catalogue/prices", lambda rows: [price(sku) for sku in sorted({r["sku"] for r in rows})])
    return cut.each("sites", access_cost=times("0"), freight_per_kg=times("0"))


def test_colder_at_the_same_sun_never_needs_less_battery(tmp_path: Path) -> None:
    months_c = (-9, -9, -7, -3, 2, 7, 9, 8, 4, 0, -5, -8)
    rated_wh = []
    for fall in (0, 4, 8, 16):
        cut = by_capacity(Cut(tmp_path / str(fall), ["finse"]))
        cut.change(
            "site_months",
            lambda rows, fall=fall: [
                row | {"temp_air_c": str(c - fall)} for row, c in zip(rows, months_c, strict=True)
            ],
        )
        cut.change(
            "sites",
            lambda rows, fall=fall: [rows[0] | {"temp_air_min_c": str(-28 - fall), "temp_air_max_c": "20"}],
        )
        plan = cut.plan(policy__installation_cost="0")
        rated_wh.append(plan.tables["site_designs"]["battery_wh"][0])
        assert total(plan) - Decimal(rated_wh[-1]) < 1  # the rest is cents
    assert rated_wh == sorted(rated_wh)
    assert rated_wh[0] < rated_wh[-1]


def test_scaled_prices_scale_the_total(cut: Cut) -> None:
    """Ten times every price: rounding of a unit's price and of freight may differ by half a cent each."""
    one = cut.plan()
    for name, columns in (
        ("catalogue/prices", ("unit_price",)),
        ("sites", ("access_cost", "freight_per_kg")),
    ):
        cut.each(name, **dict.fromkeys(columns, times("10")))
    ten = cut.plan(policy__installation_cost="9000")
    units = max(sum(plan.tables["procurement"]["quantity_ordered"]) for plan in (one, ten))
    assert abs(total(ten) - 10 * total(one)) <= (units + len(SITES)) * (10 + 1) * CENT / 2


def test_order_of_rows_changes_nothing(tmp_path: Path) -> None:
    cut = Cut(tmp_path / "fleet", SITES)
    write_plan(cut.plan(), tmp_path / "one")
    shuffle = random.Random(20261120)
    for name, spec in BY_NAME.items():
        path = name if spec.place is Place.SCENARIO else f"catalogue/{name}"
        if (cut.folder / f"{path}.csv").exists():
            cut.change(path, lambda rows, name=name: shuffled(rows, shuffle, ports=name == "switch_ports"))
    write_plan(cut.plan(), tmp_path / "two")
    for path in tables_in(tmp_path / "one"):
        if path.stem != "problems":  # those of inputs name their line
            assert path.read_bytes() == (tmp_path / "two" / path.name).read_bytes(), path.name


def tables_in(folder: Path) -> list[Path]:
    """Every table of a plan in both of its forms."""
    files = sorted(path for path in folder.iterdir() if path.suffix in (".csv", ".parquet"))
    assert len(files) == 2 * len(PLAN_TABLES)
    return files


def shuffled(rows: Rows, shuffle: random.Random, *, ports: bool) -> Rows:
    """Rows in another order; a switch's ports keep theirs, which numbers them."""
    if not ports:
        return shuffle.sample(rows, len(rows))
    groups = [list(group) for _, group in itertools.groupby(rows, key=lambda row: row["sku"])]
    return [row for group in shuffle.sample(groups, len(groups)) for row in group]


def test_twice_the_sites_never_cost_more_than_twice(tmp_path: Path) -> None:
    cut = half(tmp_path / "fleet", "haukeli")
    once = total(cut.plan())
    for name in ("sites", "site_months"):
        cut.change(name, lambda rows: rows + [row | {"site_id": row["site_id"] + "-b"} for row in rows])
    assert total(cut.plan()) <= 2 * once


def test_a_part_taken_away_never_makes_the_plan_cheaper(cut: Cut) -> None:
    plan = cut.plan()
    best = total(plan)
    for category in ("modules", "batteries", "controllers", "balance"):
        bought = {
            sku
            for sku, kind in zip(
                plan.tables["procurement"]["sku"], plan.tables["procurement"]["category"], strict=True
            )
            if kind == category
        }
        gone = sorted(bought)[0]
        without = half(cut.folder.with_name(f"without-{category}"))
        without.change(
            "catalogue/prices", lambda rows, gone=gone: [row for row in rows if row["sku"] != gone]
        )
        assert total(without.plan()) >= best, gone


def test_threads_and_hash_seeds_change_no_byte(cut: Cut, tmp_path: Path) -> None:
    for seed, threads in (("1", "1"), ("2", "2")):
        subprocess.run(
            [sys.executable, "-m", "planner", "plan", str(cut.folder), "--quiet",
             "--out", str(tmp_path / seed), "--set", f"solver.threads={threads}"],
            check=True, env=os.environ | {"PYTHONHASHSEED": seed},
        )  # fmt: skip
    for path in tables_in(tmp_path / "1"):
        assert path.read_bytes() == (tmp_path / "2" / path.name).read_bytes(), path.name
