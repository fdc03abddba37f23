"""Plans of least capital and of least lifetime cost."""

import re
from decimal import Decimal
from pathlib import Path

import pytest

from planner.plan import Plan
from planner.scenario import check_scenario
from tests.plan.fleets import Cut
from tests.support import SETTINGS, write_scenario

QUICK = {"policy__system_voltages_v": "[12]", "climate__tilts_deg": "[60.0]"}


@pytest.fixture
def cut(tmp_path: Path) -> Cut:
    """A site with a visit that costs something, and dear batteries that last beside cheap ones."""
    cut = Cut(tmp_path / "fleet", ("ustaoset",))
    cut.change("sites", lambda rows: [row | {"access_cost": "400", "freight_per_kg": "2"} for row in rows])
    return cut.change(
        "catalogue/batteries",
        lambda rows: [
            row | {"life_years": "3" if row["chemistry"] == "gel" else "16"} for row in rows
        ],
    )


def lifetime(plan: Plan) -> Decimal:
    assert plan.manifest["outcome"] == "optimal"
    return Decimal(plan.manifest["lifetime_cost"])


def test_each_objective_is_best_at_its_own_cost(cut: Cut) -> None:
    capital, years = cut.plan(**QUICK), cut.plan(objective="lifetime", **QUICK)
    assert capital.total_cost < years.total_cost
    assert lifetime(years) < lifetime(capital)
    assert capital.manifest["objective"] == str(capital.total_cost) == capital.manifest["total_cost"]
    assert years.manifest["objective"] == years.manifest["lifetime_cost"]
    for plan in (capital, years):
        rows = plan.tables["site_designs"]
        later = sum(rows["replacement_cost"], Decimal(0))
        assert lifetime(plan) == plan.total_cost + later
        assert rows["lifetime_cost"][0] == rows["site_cost"][0] + rows["replacement_cost"][0]
        gap = Decimal(plan.manifest["objective"]) - Decimal(plan.manifest["best_bound"])
        assert 0 <= gap <= Decimal("0.02")


def test_replacements_by_hand(cut: Cut) -> None:
    # 3 years of calendar life at a cool site: bought at 3, 6 and 9 years of ten
    plan = cut.plan(lifetime__horizon_years="10", lifetime__discount_rate="0.04", **QUICK)
    row = {name: cells[0] for name, cells in plan.tables["site_designs"].items()}
    assert row["battery_life_years"] == 3.0
    bill = plan.tables["bill_of_materials"]
    units = bill["quantity"][bill["sku"].index(row["battery_sku"])]
    (battery,) = (r for r in cut.rows("catalogue/batteries") if r["sku"] == row["battery_sku"])
    tiers = [r for r in cut.rows("catalogue/prices") if r["sku"] == row["battery_sku"]]
    rates = {r["currency"]: Decimal(r["rate"]) for r in cut.rows("catalogue/fx")} | {"EUR": Decimal(1)}
    first = [r for r in tiers if int(r["min_qty"]) == 1]
    price = min(round(Decimal(r["unit_price"]) * rates[r["currency"]], 2) for r in first)
    each = units * (float(price) + 2.0 * float(battery["weight_kg"])) + 400.0
    assert float(row["replacement_cost"]) == pytest.approx(each * (1.04**-3 + 1.04**-6 + 1.04**-9), abs=0.02)


def test_cycling_wears_a_battery_out_before_its_age_does(cut: Cut) -> None:
    aged = cut.plan(**QUICK).tables["site_designs"]
    cut.change("catalogue/batteries", lambda rows: [row | {"cycle_life": "60"} for row in rows])  # of half
    worn = cut.plan(**QUICK).tables["site_designs"]
    assert worn["battery_life_years"][0] < aged["battery_life_years"][0]
    # 30 rated capacities; each year takes less of them than all nights from the rated energy that it has
    night_wh = worn["daily_depth"][0] * worn["battery_wh"][0]
    assert worn["battery_life_years"][0] <= 30 / (365 * 0.3 * night_wh / worn["battery_wh"][0])


def test_a_budget_does_not_go_with_lifetime(tmp_path: Path) -> None:
    text = SETTINGS.replace("currency", 'objective = "lifetime"\ncurrency') + "\n[purchase]\nbudget = 5000\n"
    (found,) = check_scenario(write_scenario(tmp_path, settings=text))
    assert (found.code, found.file, found.column) == ("budget-of-capital", "scenario.toml", "objective")
    assert re.search(r"purchase\.budget", found.message)
