"""A site explained: what lost and by how much, and what more costs, against every plan of a tiny fleet."""

import ast
import random
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from planner import referee
from planner.explain import Explanation, explain_fleet, explain_site
from planner.explain.binding import MEANINGS
from planner.tables.plan_files import read_plan
from tests.explain.small import OTHER, Every, more_load, plan_small, write_small
from tests.plan.purchases import STORE, price, sites

CENT = Decimal("0.02")  # freight of two sites is rounded once each


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return plan_small(tmp_path_factory.mktemp("explain"))


@pytest.fixture(scope="module")
def first(plan: Path) -> Explanation:
    return explain_site(plan, "s1")


def bought(plan: Path) -> list[dict[str, int]]:
    """Units of each site, from the plan's bill."""
    rows = read_plan(plan).tables["bill_of_materials"]
    names = sorted({row.site_id for row in rows})
    return [{row.sku: row.quantity for row in rows if row.site_id == name} for name in names]


def units_of(row: Any) -> dict[str, int]:
    """Units of a design that is shown."""
    kit = {part.split(" x ", 1)[1]: int(part.split(" x ", 1)[0]) for part in row.supply_kit.split(" + ")}
    return kit | {
        row.module_sku: row.modules,
        row.controller_sku: row.controllers,
        row.battery_sku: row.batteries,
        row.mount_sku: row.mounts,
        row.enclosure_sku: row.enclosures,
    }


def test_the_other_battery_loses_by_hand(first: Explanation) -> None:
    """Six at 240 are 1440; three at 250, as the tier is lost, and three of the other at 245 are 1485.

    A load disconnect beside the controller's terminals costs less: 35, and 0.3 kg at 2.
    """
    box, row = first.site_choices[1:3]
    assert (box.battery_sku, box.cost_more) == (STORE, Decimal("35.60"))
    why = {one.rank: one.why for one in first.choice_reasons}
    assert why[1] == "converters EUR 35.00 more; freight EUR 0.60 more"
    assert (row.battery_sku, row.batteries, row.cost_more) == (OTHER, 3, Decimal("45.00"))
    assert f"the tier from 6 units of {STORE} is lost: 250.00 a unit instead of 240.00" in why[2]
    assert "batteries EUR 45.00 more" in why[2]


def test_what_lost_is_what_every_design_says(plan: Path, first: Explanation) -> None:
    every, own = Every(plan.parent / "scenario"), bought(plan)
    assert len(every.designs[0]) > 4
    costs = every.beside(0, own)
    base = every.cost(own)
    assert units_of(first.site_choices[0]) == own[0]
    others = [(cost - base, units) for cost, units in costs if units != own[0]]
    by_units = {tuple(sorted(units.items())): more for more, units in others}
    shown = [row for row in first.site_choices if row.rank > 0]
    assert len(shown) == 3
    for row in shown:
        assert row.cost_more == pytest.approx(by_units[tuple(sorted(units_of(row).items()))], abs=CENT)
        parts = [one.cost_change for one in first.choice_costs if one.rank == row.rank]
        assert sum(parts, Decimal(0)) == row.cost_more
    assert shown[0].cost_more == pytest.approx(others[0][0], abs=CENT)  # the cheapest of all
    assert [row.cost_more for row in shown] == sorted(row.cost_more for row in shown)


def test_a_watt_and_a_day_against_every_plan(plan: Path, first: Explanation, tmp_path: Path) -> None:
    """The same load and the same days written into the tables, and every plan of them priced."""
    every, own = Every(plan.parent / "scenario"), bought(plan)
    base, free = every.cost(own), every.best()
    assert base == pytest.approx(free, abs=CENT)  # the plan is the cheapest of all
    days = [{"autonomy_days": "3"}, {}]
    asks = {
        "watt": (5, write_small(tmp_path / "watt", **more_load(0, 5))),
        "day of autonomy": (1, write_small(tmp_path / "day", where=sites(*days))),
    }
    rows = {row.change: row for row in first.marginal_costs}
    for change, (units, folder) in asks.items():
        then, row = Every(folder), rows[change]
        fixed = then.beside(0, own)[0][0] - base
        assert row.cost_as_bought is not None
        assert row.cost_free is not None
        assert row.each_as_bought is not None
        assert fixed > 0
        assert row.cost_as_bought == pytest.approx(fixed, abs=CENT)
        assert row.each_as_bought == pytest.approx(fixed / units, abs=CENT)
        assert row.cost_free == pytest.approx(then.best() - free, abs=CENT)
        assert row.cost_free <= row.cost_as_bought
    assert (rows["day of autonomy"].before, rows["day of autonomy"].after) == ("2", "3")
    assert rows["class of availability"].note == "no availability is asked"
    assert rows["class of availability"].cost_as_bought is None


def test_a_tier_that_only_all_sites_reach_together(tmp_path: Path) -> None:
    """A day more takes s1 a fourth battery, and 60 of freight. As bought that is 250, as six at 250 are in no
    tier; with all seven of the other at 238 it is 1666 - 1500 = 166.
    """
    prices = [price(STORE, "250"), price(OTHER, "251"), price(OTHER, "238", min_qty="7")]
    plan = plan_small(tmp_path, prices=prices)
    assert [units[STORE] for units in bought(plan)] == [3, 3]
    then = Every(write_small(tmp_path / "then", prices=prices, where=sites({"autonomy_days": "3"}, {})))
    assert {units.get(STORE, 0) + units.get(OTHER, 0) for units in then.designs[0]} == {4}
    row = explain_site(plan, "s1").marginal_costs[1]
    assert (row.cost_as_bought, row.cost_free) == (Decimal("310.00"), Decimal("226.00"))


@pytest.mark.parametrize("seed", range(4))
def test_prices_at_random_against_every_plan(seed: int, tmp_path: Path) -> None:
    """Three sites, tiers of both batteries at random: what lost, a day more as bought and with tiers free."""
    draw = random.Random(seed)
    prices = [
        price(sku, str(draw.randint(240, 260) - 4 * step), min_qty=str(1 + 3 * step))
        for sku in (STORE, OTHER)
        for step in range(4)
    ]
    plan = plan_small(tmp_path, prices=prices, where=sites({}, {}, {}))
    every, own = Every(tmp_path / "scenario"), bought(plan)
    base = every.cost(own)
    assert base == pytest.approx(every.best(), abs=CENT)
    found, s = explain_site(plan, "s2"), 1
    others = [cost - base for cost, units in every.beside(s, own) if units != own[s]]
    assert found.site_choices[1].cost_more == pytest.approx(others[0], abs=CENT)
    day = found.marginal_costs[1]
    then = Every(write_small(tmp_path / "then", prices=prices, where=sites({}, {"autonomy_days": "3"}, {})))
    assert day.cost_as_bought == pytest.approx(then.beside(s, own)[0][0] - base, abs=CENT)
    assert day.cost_free == pytest.approx(then.best() - base, abs=CENT)
    assert day.cost_free is not None
    assert day.cost_free <= day.cost_as_bought


def test_the_fleet_adds_up_what_sites_ask(plan: Path, first: Explanation, tmp_path: Path) -> None:
    """A day more at both sites: each alone, the other as bought; and every plan of both together."""
    found = {row.change: row for row in explain_fleet(plan).marginal_costs}
    every, own = Every(plan.parent / "scenario"), bought(plan)
    then = Every(write_small(tmp_path / "both", where=sites(*[{"autonomy_days": "3"}] * 2)))
    day = found["day of autonomy"]
    alone = sum(then.beside(s, own)[0][0] - every.cost(own) for s in (0, 1))
    assert day.sites == 2
    assert day.cost_as_bought == pytest.approx(alone, abs=CENT)
    assert day.cost_free == pytest.approx(then.best() - every.best(), abs=CENT)
    assert day.each_free == pytest.approx((then.best() - every.best()) / 2, abs=CENT)
    assert found["watt"].units == 5


def test_rules_of_the_purchase_stay_kept(tmp_path: Path) -> None:
    """With one battery allowed, and all six of the known one held, nothing can be added; nor another used."""
    rule = {"category": "batteries", "distinct_max": "1"}
    stock = [{"sku": STORE, "supplier": "north", "stock_qty": "6", "pack_qty": "1"}]
    plan = plan_small(tmp_path, tables={"category_rules": [rule]}, stock=stock)
    found = explain_site(plan, "s2")
    assert all(row.battery_sku == STORE for row in found.site_choices)
    day = found.marginal_costs[1]
    assert day.cost_as_bought is None
    assert "beside the rest" in day.note


def test_an_availability_asked_goes_up_a_class(tmp_path: Path) -> None:
    asked = {"availability": "0.9", "autonomy_days": "0", "array_to_load_ratio": "0"}
    plan = plan_small(tmp_path, where=sites(asked, {}))
    row = explain_site(plan, "s1", free=False).marginal_costs
    assert (row[2].before, row[2].after) == ("0.9", "0.95")
    assert row[2].cost_as_bought is not None
    assert row[2].cost_as_bought >= 0
    assert row[2].cost_free is None  # not asked for
    assert row[1].note == "no days of autonomy are asked"


def test_rules_that_bind(plan: Path, first: Explanation) -> None:
    """Against the plan's own figures: its worst month's ratio, what its battery gives."""
    design = read_plan(plan).tables["site_designs"][0]
    rules = {row.rule: row for row in first.binding_rules}
    assert [row.rule for row in first.binding_rules[:2]] == ["array-to-load-ratio", "autonomy"]
    shares = [row.margin_share for row in first.binding_rules[2:]]
    assert shares == sorted(shares)
    ratio = rules["array-to-load-ratio"]
    assert ratio.value == pytest.approx(design.array_to_load_ratio, abs=2e-3)
    assert (ratio.limit, ratio.subject) == (1.1, f"month {design.design_month}")
    less = design.array_to_load_ratio * (design.modules_parallel - 1) / design.modules_parallel
    assert less < 1.1
    words, value, end = ratio.one_less.rpartition("about ")[0], *ratio.one_less.split("about ")[1].split(": ")
    assert (words, end) == ("with a string of modules less ", "broken")
    assert float(value) == pytest.approx(less, abs=2e-3)
    autonomy = rules["autonomy"]
    assert autonomy.value == pytest.approx(design.usable_wh, abs=1)
    assert "broken" in autonomy.one_less  # three batteries are the fewest that carry two days


#: Limits of the audit that a design meets by whole numbers, by choice, or within the band of its second sky.
MET_ANYHOW = {
    "cell-temperature",
    "clearness",
    "clipped-share",
    "controller-clips",
    "controller-idle",
    "controller-voltage",
    "four-pairs",
    "injector-class",
    "kept-in-use",
    "load-terminals",
    "lowest-bus",
    "plane-of-array",
    "port-class",
    "port-once",
    "setpoint-high",
    "setpoint-low",
    "setpoint-made",
}


def test_every_limit_of_the_audit_has_words() -> None:
    """Each rule of a site that the audit weighs has a meaning, or is one that no design comes near."""
    rules = set()
    for name in ("ports", "bus", "array", "battery", "energy", "costs"):
        tree = ast.parse((Path(referee.__file__).parent / f"{name}.py").read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") in ("at_least", "at_most"):
                rule = node.args[0]
                assert isinstance(rule, ast.Constant)
                rules.add(rule.value)
    assert rules == set(MEANINGS) | MET_ANYHOW
    assert not set(MEANINGS) & MET_ANYHOW
