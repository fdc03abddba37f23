"""How proven plans of small fleets answer a rule more; no plan is compared with a stored one."""

import random
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path

import pytest

from planner.plan import Plan, write_plan
from tests.plan.fleets import Cut
from tests.plan.test_metamorphic import CENT, SITES, tables_in, times, total
from tests.support import Rows


@dataclass(frozen=True)
class Bought:
    """SKUs on the orders of a fleet without rules, by category, and the units of each."""

    skus: dict[str, list[str]]
    units: dict[str, int]


def bought(plan: Plan) -> Bought:
    rows = plan.tables["procurement"]
    skus: dict[str, list[str]] = {}
    units: dict[str, int] = {}
    for sku, category, number in zip(rows["sku"], rows["category"], rows["quantity_sites"], strict=True):
        skus.setdefault(category, []).append(sku)
        units[sku] = units.get(sku, 0) + number
    return Bought(skus=skus, units=units)


Rule = Callable[[Cut, Bought], dict[str, str]]


def cap(cut: Cut, has: Bought) -> dict[str, str]:
    rows = [{"category": name, "distinct_max": "1"} for name in ("modules", "batteries", "controllers")]
    cut.put("category_rules", rows)
    return {}


def spares(cut: Cut, has: Bought) -> dict[str, str]:
    rows = [{"category": name, "spares_share": "0.1"} for name in ("modules", "switches", "balance")]
    cut.put("category_rules", rows)
    return {}


def lasting_spares(cut: Cut, has: Bought) -> dict[str, str]:
    cut.change("catalogue/batteries", lambda rows: [row | {"mtbf_years": "15"} for row in rows])
    cut.put(
        "category_rules", [{"category": "batteries", "spares_protection": "0.95", "resupply_weeks": "20"}]
    )
    return {}


def taking_on(cut: Cut, has: Bought) -> dict[str, str]:
    cut.put(
        "category_rules",
        [{"category": name, "onboarding_cost": "150"} for name in ("modules", "balance", "batteries")],
    )
    return {}


def forbidden(cut: Cut, has: Bought) -> dict[str, str]:
    rows = [{"sku": has.skus[name][0], "rule": "forbidden"} for name in ("modules", "batteries")]
    cut.put("sku_rules", rows)
    return {}


def required(cut: Cut, has: Bought) -> dict[str, str]:
    fits = [row["sku"] for row in cut.rows("catalogue/balance") if row["kind"] == "enclosure"]
    other = next(sku for sku in reversed(fits) if sku not in has.units)  # the largest holds any battery
    cut.put("sku_rules", [{"sku": other, "rule": "required"}])
    return {}


def lead_time(cut: Cut, has: Bought) -> dict[str, str]:
    return {"purchase__need_by": "2027-01-29"}  # ten weeks


def stock(cut: Cut, has: Bought) -> dict[str, str]:
    """One unit fewer of every SKU than the plan takes of it, at every supplier together."""

    def scarce(rows: Rows) -> Rows:
        kept = [row for row in rows if row["sku"] not in has.units]
        every = {(row["sku"], row["supplier"]) for row in cut.rows("catalogue/prices")}
        told = [
            {"sku": sku, "supplier": supplier, "stock_qty": str(has.units[sku] - 1)}
            for sku, supplier in sorted(every)
            if sku in has.units and has.units[sku] > 1
        ]
        return kept + told

    cut.change("catalogue/stock", scarce)
    return {}


def chemistry(cut: Cut, has: Bought) -> dict[str, str]:
    cut.change("sites", lambda rows: [row | {"region": "one"} for row in rows])
    return {"purchase__one_chemistry_per_region": "true"}


def labour(cut: Cut, has: Bought) -> dict[str, str]:
    cut.change("catalogue/modules", lambda rows: [row | {"install_h": "0.75"} for row in rows])
    return {"purchase__labour_cost_h": "60"}


RULES: list[Rule] = [
    cap, spares, lasting_spares, taking_on, forbidden, required, lead_time, stock, chemistry, labour,
]  # fmt: skip


def free(cut: Cut) -> Cut:
    """No terms of suppliers beside their prices, so that a rule can be added to nothing."""
    return cut.change("catalogue/stock", lambda rows: [row | {"stock_qty": ""} for row in rows])


def thin(folder: Path, *more: str) -> Cut:
    """A fleet to buy half the catalogue for, with two of the three bus voltages."""
    return Cut(folder, (*SITES, *more)).thin(2, 0).buses(12, 24)


def alternatives(folder: Path) -> Cut:
    """One to buy two thirds of it for: where a rule bars parts, others are left. No terms of suppliers."""
    return free(Cut(folder, SITES).thin(3, 0, 1))


@pytest.fixture(scope="module")
def without_rules(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    """The plan that each rule is added to."""
    return alternatives(tmp_path_factory.mktemp("free") / "fleet").plan()


@pytest.mark.parametrize("rule", RULES)
def test_a_rule_more_never_lowers_the_cost(tmp_path: Path, rule: Rule, without_rules: Plan) -> None:
    """The terms of `stock` itself replace packs and least orders: compared with none."""
    cut, before = alternatives(tmp_path / "fleet"), without_rules
    if rule is stock:
        cut.change("catalogue/stock", lambda rows: [rows[0] | {"pack_qty": "1", "min_order_qty": "1"}])
        before = cut.plan()
    settings = rule(cut, bought(before))
    after = cut.plan(**settings)
    assert total(after) >= total(before) - CENT * len(SITES)
    if rule in (spares, lasting_spares, taking_on, labour, forbidden, required):
        assert total(after) > total(before)


def test_a_budget_that_reaches_changes_nothing_and_a_smaller_one_serves_fewer(tmp_path: Path) -> None:
    cut = thin(tmp_path / "fleet")
    whole = cut.plan()
    same = cut.plan(purchase__budget=str(total(whole) + 1))
    assert total(same) == total(whole)
    assert same.tables["procurement"] == whole.tables["procurement"]
    less = cut.plan(purchase__budget=str(total(whole) - 1))
    assert len(less.unserved) == 1
    assert less.total_cost <= total(whole) - 1
    assert {refusal.rule for refusal in less.unserved.values()} == {"beyond-budget"}


def with_rules(cut: Cut) -> dict[str, str]:
    """Several rules at once, none of which limits the number of units."""
    rows = [
        {"category": name, "distinct_max": most, "onboarding_cost": "90", "spares_share": "0.1"}
        for name, most in (("modules", "1"), ("batteries", "2"), ("controllers", "1"), ("switches", "2"))
    ]
    cut.put("category_rules", rows)
    barred = cut.rows("catalogue/modules")[3]["sku"]
    cut.put("sku_rules", [{"sku": barred, "rule": "forbidden"}])
    return {"purchase__one_chemistry_per_region": "true", "purchase__need_by": "2027-01-31"}


def test_twice_the_sites_never_cost_more_than_twice_with_rules(tmp_path: Path) -> None:
    cut = free(thin(tmp_path / "fleet"))
    settings = with_rules(cut)
    once = total(cut.plan(**settings))
    for name in ("sites", "site_months"):
        cut.change(name, lambda rows: rows + [row | {"site_id": row["site_id"] + "-b"} for row in rows])
    assert total(cut.plan(**settings)) <= 2 * once


def test_scaled_prices_scale_the_total_with_rules(tmp_path: Path) -> None:
    """Ten times every price: rounding of a unit's price and of freight may differ by half a cent each."""
    cut = thin(tmp_path / "fleet")
    settings = with_rules(cut)
    one = cut.plan(**settings)
    cut.each("catalogue/prices", unit_price=times("10"))
    cut.each("sites", access_cost=times("10"), freight_per_kg=times("10"))
    cut.each("category_rules", onboarding_cost=times("10"))
    ten = cut.plan(policy__installation_cost="9000", **settings)
    units = max(sum(plan.tables["procurement"]["quantity_ordered"]) for plan in (one, ten))
    assert abs(total(ten) - 10 * total(one)) <= (units + len(SITES)) * (10 + 1) * CENT / 2


def test_order_of_rules_changes_no_byte(tmp_path: Path) -> None:
    cut = thin(tmp_path / "fleet")
    settings = with_rules(cut)
    cut.put("phases", [{"phase": "2", "budget": "60000"}, {"phase": "1", "budget": "6000"}])
    write_plan(cut.plan(**settings), tmp_path / "one")
    write_plan(cut.plan(**settings), tmp_path / "again")
    shuffle = random.Random(20261120)
    for name in ("category_rules", "sku_rules", "phases", "sites", "catalogue/prices", "catalogue/stock"):
        cut.change(name, lambda rows: shuffle.sample(rows, len(rows)))
    write_plan(cut.plan(**settings), tmp_path / "two")
    for path in tables_in(tmp_path / "one"):
        assert path.read_bytes() == (tmp_path / "again" / path.name).read_bytes(), path.name
        if path.stem != "problems":  # those of inputs name their line
            assert path.read_bytes() == (tmp_path / "two" / path.name).read_bytes(), path.name


def test_more_money_never_serves_fewer(tmp_path: Path) -> None:
    cut = thin(tmp_path / "fleet", "haukeli")
    whole = cut.plan().total_cost
    served = []
    for share in ("0.2", "0.5", "0.8", "1"):
        plan = cut.plan(purchase__budget=str(whole * Decimal(share) + 1))
        assert plan.total_cost <= whole * Decimal(share) + 1
        served.append(plan.manifest["sites_planned"])
    assert served == sorted(served)
    assert served[-1] == 3
