"""Each rule of a purchase through a scenario's files, by numbers worked by hand (`tests.plan.purchases`)."""

from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from planner.cli import app
from tests.plan.purchases import (
    MODULE,
    SITE,
    STORE,
    THREE,
    UNITS,
    orders,
    plan_of,
    price,
    problems,
    sites,
    twin,
    write_fleet,
)


def test_like_sites_without_a_rule(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, sites({}, {}))
    assert plan.total_cost == 2 * SITE
    assert plan.manifest["outcome"] == "optimal"
    rows = plan.tables["procurement"]
    assert dict(zip(rows["sku"], rows["quantity_ordered"], strict=True)) == {
        sku: 2 * n for sku, n in UNITS.items()
    }


def test_a_stock_that_runs_out_makes_two_lines(tmp_path: Path) -> None:
    # 12 modules: 7 at 80 are all that north has, 5 at 85
    plan = plan_of(
        tmp_path,
        sites({}, {}, {}),
        prices=[price(MODULE, "80"), price(MODULE, "85", "south")],
        stock=[{"sku": MODULE, "supplier": "north", "stock_qty": "7"}],
    )
    assert orders(plan, MODULE) == [("north", 7, 0, 0, "560.00"), ("south", 5, 0, 0, "425.00")]
    assert plan.total_cost == 3 * SITE + 25
    shares = plan.tables["bill_of_materials"]
    modules = [c for sku, c in zip(shares["sku"], shares["line_cost"], strict=True) if sku == MODULE]
    assert sum(modules) == Decimal("985.00")


def test_packs_are_bought_whole(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, sites({}), stock=[{"sku": MODULE, "supplier": "north", "pack_qty": "7"}])
    assert orders(plan, MODULE) == [("north", 4, 0, 3, "560.00")]
    assert plan.total_cost == SITE + 240  # nobody carries the surplus to the site


def test_a_least_order_and_a_pack(tmp_path: Path) -> None:
    # ceil(max(3, 5) / 2) x 2 = 6 batteries
    terms = {"sku": STORE, "supplier": "north", "min_order_qty": "5", "pack_qty": "2"}
    plan = plan_of(tmp_path, sites({}), stock=[terms])
    assert orders(plan, STORE) == [("north", 3, 0, 3, "1500.00")]
    assert plan.total_cost == SITE + 750


@pytest.mark.parametrize(("need_by", "supplier"), [("2026-12-16", "north"), ("2026-12-15", "south")])
def test_goods_come_in_time(tmp_path: Path, need_by: str, supplier: str) -> None:
    """Three weeks from 25 November are 16 December; one that states no lead time is taken to be in time."""
    plan = plan_of(
        tmp_path,
        sites({}),
        settings={"purchase.need_by": need_by},
        prices=[price(MODULE, "80"), price(MODULE, "95", "south")],
        stock=[{"sku": MODULE, "supplier": "north", "lead_time_weeks": "3"}],
    )
    ((who, *_),) = orders(plan, MODULE)
    assert who == supplier
    assert plan.total_cost == SITE + (60 if supplier == "south" else 0)


def test_without_a_day_lead_times_do_not_count(tmp_path: Path) -> None:
    stock = [{"sku": MODULE, "supplier": "north", "lead_time_weeks": "150"}]
    plan = plan_of(tmp_path, sites({}), stock=stock)
    assert plan.total_cost == SITE
    assert plan.tables["procurement"]["lead_time_weeks"].count(150.0) == 1


@pytest.mark.parametrize(
    ("first", "last", "supplier"),
    [
        ("", "2026-11-25", "north"),
        ("", "2026-11-24", "south"),
        ("2026-11-25", "", "north"),
        ("2026-11-26", "", "south"),
    ],
)
def test_a_price_counts_on_its_days(tmp_path: Path, first: str, last: str, supplier: str) -> None:
    days = {"valid_from": first, "valid_to": last}
    plan = plan_of(tmp_path, sites({}), prices=[price(MODULE, "80", **days), price(MODULE, "85", "south")])
    assert [line[0] for line in orders(plan, MODULE)] == [supplier]
    assert plan.total_cost == SITE + (20 if supplier == "south" else 0)


def test_a_share_of_spares(tmp_path: Path) -> None:
    # 8 modules at sites, 15 % of them 1.2, so 2; they are not carried there
    rules = [{"category": "modules", "spares_share": "0.15"}]
    plan = plan_of(tmp_path, sites({}, {}), tables={"category_rules": rules})
    assert orders(plan, MODULE) == [("north", 8, 2, 0, "800.00")]
    assert plan.total_cost == 2 * SITE + 160


def test_spares_that_outlast_the_resupply(tmp_path: Path) -> None:
    # 6 batteries of MTBF 2 years, a year to resupply: mean 3, so 6 spares at 95 % (Poisson tables)
    rules = [{"category": "batteries", "spares_protection": "0.95", "resupply_weeks": "52.17857"}]
    plan = plan_of(
        tmp_path,
        sites({}, {}),
        tables={"category_rules": rules, **twin("batteries", "B-2", mtbf_years="9")},
        prices=[price(STORE, "250")],
    )
    assert orders(plan, STORE) == [("north", 6, 0, 0, "1500.00")]  # states no MTBF
    tables = {"category_rules": rules, **twin("batteries", "B-2", mtbf_years="2")}
    plan = plan_of(tmp_path / "two", sites({}, {}), tables=tables, prices=[price("B-2", "250"), no_store()])
    assert orders(plan, "B-2") == [("north", 6, 6, 0, "3000.00")]
    assert plan.total_cost == 2 * SITE + 1500


def no_store() -> dict[str, str]:
    """The battery's price is over."""
    return price(STORE, "250", valid_to="2026-01-31")


def test_taking_a_sku_on_costs_once(tmp_path: Path) -> None:
    rules = [{"category": name, "onboarding_cost": "75"} for name in ("batteries", "balance")]
    plan = plan_of(tmp_path, sites({}, {}), tables={"category_rules": rules})
    assert plan.manifest["costs"]["onboarding"] == "225.00"  # a battery, a mount, an enclosure
    assert plan.total_cost == 2 * SITE + 225


TWO = [price(MODULE, "80"), price("M-2", "90")]
SCARCE = [{"sku": MODULE, "supplier": "north", "stock_qty": "7"}]


def test_a_cap_on_the_skus_of_a_category(tmp_path: Path) -> None:
    """Of 7 modules at 80 one site takes 4, and the other 4 at 90; with one SKU both take those at 90."""
    content: dict[str, Any] = {"prices": TWO, "stock": SCARCE}
    two = plan_of(tmp_path / "two", sites({}, {}), tables=twin("modules", "M-2"), **content)
    assert two.total_cost == 2 * SITE + 40
    rules = {"category_rules": [{"category": "modules", "distinct_max": "1"}]}
    one = plan_of(tmp_path / "one", sites({}, {}), tables=twin("modules", "M-2") | rules, **content)
    assert one.total_cost == 2 * SITE + 80
    assert orders(one, "M-2") == [("north", 8, 0, 0, "720.00")]


@pytest.mark.parametrize(
    ("rules", "added", "dear"),
    [
        ([], 0, 0),
        ([{"sku": "M-2", "rule": "required"}], 40, 4),  # one of the two sites uses it
        ([{"sku": "M-2", "rule": "approved"}], 80, 8),
        ([{"sku": MODULE, "rule": "forbidden"}], 80, 8),
        ([{"sku": MODULE, "rule": "approved"}, {"sku": "M-2", "rule": "approved"}], 0, 0),
        ([{"sku": MODULE, "rule": "approved"}, {"sku": "M-2", "rule": "required"}], 40, 4),
    ],
)
def test_lists(tmp_path: Path, rules: list[dict[str, str]], added: int, dear: int) -> None:
    tables = twin("modules", "M-2") | ({"sku_rules": rules} if rules else {})
    plan = plan_of(tmp_path, sites({}, {}), tables=tables, prices=TWO)
    assert plan.total_cost == 2 * SITE + added
    assert sum(units for _, units, *_ in orders(plan, "M-2")) == dear


@pytest.mark.parametrize(
    ("alike", "regions", "added"),
    [("false", ("r", "r"), 30), ("true", ("r", "r"), 60), ("true", ("r", "q"), 30), ("true", ("", ""), 30)],
)
def test_one_chemistry_in_a_region(tmp_path: Path, alike: str, regions: tuple[str, str], added: int) -> None:
    """AGM at 250 for one site, gel at 260 for any; a site without a region is one of its own."""
    plan = plan_of(
        tmp_path,
        sites(*({"region": name} for name in regions)),
        settings={"purchase.one_chemistry_per_region": alike},
        tables=twin("batteries", "B-gel", chemistry="gel"),
        prices=[price(STORE, "250"), price("B-gel", "260")],
        stock=[{"sku": STORE, "supplier": "north", "stock_qty": "5"}],
    )
    assert plan.total_cost == 2 * SITE + added


def test_chargeable_weight_and_labour_of_parts(tmp_path: Path) -> None:
    # 4 modules of 10 kg instead of 7.5 at 2 = 20 more; half an hour each at 40 = 80 beside the 500
    first = {"freight_kg": "10", "install_h": "0.5"}
    tables = twin("modules", "M-2", **first)
    plan = plan_of(
        tmp_path,
        sites({}),
        settings={"purchase.labour_cost_h": "40"},
        tables=tables,
        prices=[price("M-2", "80"), price(MODULE, "300")],
    )
    assert plan.manifest["costs"]["freight"] == "328.00"
    assert plan.manifest["costs"]["installation"] == "580.00"
    assert plan.total_cost == SITE + 100


def test_a_budget_serves_by_priority_then_the_cheapest(tmp_path: Path) -> None:
    # s3 first, for 3,328.20; beside it s2 for 2,528.20 rather than s1 for 2,578.20: 5,856.40
    plan = plan_of(tmp_path, THREE, settings={"purchase.budget": "7000"})
    assert plan.total_cost == Decimal("5856.40")
    assert plan.tables["site_designs"]["site_id"] == ["s2", "s3"]
    assert plan.manifest["sites_unserved"] == 1
    assert plan.manifest["outcome"] == "optimal"
    row = problems(plan, "s1")
    assert (row["severity"], row["code"], row["unit"]) == ("unserved", "beyond-budget", "currency")
    assert (row["value"], row["limit"]) == (8434.60, 7000.0)  # 5,856.40 + 2,578.20
    assert row["shortfall"] == pytest.approx(1434.60)
    assert "2,578" in row["message"]
    assert "5,856" in row["message"]


@pytest.mark.parametrize(
    ("budget", "served"),
    [("8434.70", ["s1", "s2", "s3"]), ("8434.50", ["s2", "s3"]), ("5000", ["s3"]), ("3300", ["s1"])],
)
def test_who_waits(tmp_path: Path, budget: str, served: list[str]) -> None:
    """Where the budget does not reach for the first priority, the second is served from what there is."""
    plan = plan_of(tmp_path, THREE, settings={"purchase.budget": budget})
    expected = ["s2"] if served == ["s1"] else served  # s2 is the cheaper of its priority
    assert plan.tables["site_designs"]["site_id"] == expected
    assert plan.manifest["sites_served_most"] == len(expected)
    assert set(plan.unserved) == {"s1", "s2", "s3"} - set(expected)
    assert plan.total_cost <= Decimal(budget)


def test_a_budget_for_nobody_is_a_plan_without_sites(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, THREE, settings={"purchase.budget": "2000"})
    assert plan.total_cost == 0
    assert plan.manifest["outcome"] == "none_served"
    assert {refusal.rule for refusal in plan.unserved.values()} == {"beyond-budget"}
    assert problems(plan, "s2")["value"] == 2528.20


def test_who_waits_is_told_by_the_exit_code(tmp_path: Path) -> None:
    folder = write_fleet(tmp_path / "fleet", THREE)
    command = ["plan", str(folder), "--out", str(tmp_path / "plan"), "--set", "purchase.budget=7000"]
    done = CliRunner().invoke(app, command)
    assert done.exit_code == 4, done.stderr
    assert "s1 is not served: it waits: it would add 2,578" in done.stderr
    assert "[beyond-budget]" in done.stderr


def test_a_stock_that_does_not_reach_for_all(tmp_path: Path) -> None:
    # 7 modules serve one site of two, the one of the first priority though it is dearer
    where = sites({"priority": "2"}, {"access_cost": "500"})
    plan = plan_of(tmp_path, where, stock=SCARCE)
    assert plan.tables["site_designs"]["site_id"] == ["s2"]
    assert problems(plan, "s1")["code"] == "beyond-stock"
    assert plan.total_cost == SITE + 400


def phases(*budgets: str) -> list[dict[str, str]]:
    return [{"phase": str(n), "budget": budget} for n, budget in enumerate(budgets, 1)]


def test_phases_spend_what_they_have_and_leave_the_rest(tmp_path: Path) -> None:
    """s2 is cheaper than s1; s3 is ready in the second phase though it comes first."""
    where = sites({"access_cost": "150", "priority": "2"}, {"priority": "2"}, {"ready_phase": "2"})
    plan = plan_of(tmp_path, where, tables={"phases": phases("3000", "3000", "3000")})
    rows = plan.tables["site_designs"]
    assert dict(zip(rows["site_id"], rows["phase"], strict=True)) == {"s2": 1, "s3": 2, "s1": 3}
    # 3,000 - 2,528.20 = 471.80; + 3,000 - 2,528.20 = 943.60; + 3,000 - 2,578.20 = 1,365.40
    money = [
        (p["phase"], p["budget"], p["available"], p["spent"], p["sites"]) for p in plan.manifest["phases"]
    ]
    assert money == [
        (1, "3000", "3000", "2528.20", 1),
        (2, "3000", "3471.80", "2528.20", 1),
        (3, "3000", "3943.60", "2578.20", 1),
    ]


def test_phases_together_are_a_budget(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, sites({}, {}), tables={"phases": phases("3000", "2000")})
    assert len(plan.unserved) == 1
    assert {refusal.rule for refusal in plan.unserved.values()} == {"beyond-budget"}
    whole = plan_of(tmp_path / "more", sites({}, {}), tables={"phases": phases("3000", "2100")})
    assert not whole.unserved
    assert sorted(whole.tables["site_designs"]["phase"]) == [1, 2]


def test_the_smaller_of_budget_and_phases_counts(tmp_path: Path) -> None:
    tables = {"phases": phases("3000", "3000")}
    plan = plan_of(tmp_path, sites({}, {}), settings={"purchase.budget": "3000"}, tables=tables)
    assert len(plan.unserved) == 1
