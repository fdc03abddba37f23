"""Break-even prices: worked by hand, found by every plan at many prices, and where there is none."""

import csv
import json
from decimal import Decimal
from pathlib import Path

import pytest
from typer.testing import CliRunner

from planner.cli import app
from planner.errors import InputError
from planner.explain import break_even, explain_fleet, explain_site
from planner.tables.explained_rows import BreakEvenRow
from tests.explain.small import OTHER, TIERS, Every, plan_small, write_small
from tests.plan.purchases import CONTROLLER, MODULE, STORE, price, sites
from tests.support import table

TOLERANCE = 0.002
DEAR, BARRED, UNPRICED = "C-48 (tall)", "B/barred", "B-no-price"


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Beside both batteries one that is forbidden, one without a price, and a controller for no bus here."""
    battery, controller = table("catalogue/batteries")[0], table("catalogue/controllers")[0]
    tall = {"sku": DEAR, "system_voltage_min_v": "48", "system_voltage_max_v": "48"}
    tables = {
        "catalogue/batteries": [battery, *(battery | {"sku": sku} for sku in (OTHER, BARRED, UNPRICED))],
        "catalogue/controllers": [controller, controller | tall],
        "sku_rules": [{"sku": BARRED, "rule": "forbidden"}],
    }
    prices = [*TIERS, price(BARRED, "1"), price(DEAR, "9"), price(CONTROLLER, "10")]
    return plan_small(tmp_path_factory.mktemp("break-even"), prices=prices, tables=tables)


@pytest.fixture(scope="module")
def rows(plan: Path) -> list[BreakEvenRow]:
    return break_even(plan, [OTHER, STORE, MODULE], tolerance=TOLERANCE, workers=1)


def test_where_the_other_battery_enters_by_hand(rows: list[BreakEvenRow]) -> None:
    """Six of the known one cost 1440: six of the other do at 240, of which 245 is 1.0208 times as much."""
    row = rows[0]
    assert (row.sku, row.event, row.quantity, row.price_now) == (OTHER, "enters", 0, Decimal("245.00"))
    assert row.price is not None
    assert float(row.price) == pytest.approx(240.0, rel=TOLERANCE)
    assert (row.quantity_below, row.quantity_above) == (6, 0)
    assert (row.planned_below, row.planned_above, row.agrees, row.note) == (6, 0, True, "")


def test_where_the_known_battery_leaves_by_hand(rows: list[BreakEvenRow]) -> None:
    """All six at once, as six of the other cost 1470: its least quantity then costs 250 x 245 / 240."""
    known = [row for row in rows if row.sku == STORE]
    assert [row.event for row in known] == ["leaves"]
    assert known[0].price is not None
    assert float(known[0].price) == pytest.approx(250 * 245 / 240, rel=TOLERANCE)
    assert known[0].agrees is True
    assert known[0].factor_below is not None
    assert known[0].factor_above is not None
    assert known[0].factor_above / known[0].factor_below <= 1 + TOLERANCE


def test_what_nothing_can_replace_stays(rows: list[BreakEvenRow]) -> None:
    row = rows[-1]
    assert (row.sku, row.event, row.price, row.agrees) == (MODULE, "", None, None)
    assert row.note == "it stays at 100 times its price: 2 of the sites, as s1, have no other design"


def test_every_plan_at_many_prices_finds_the_same(tmp_path: Path) -> None:
    """Tiers of both batteries, so that the first to enter is one site's, or all at once: by every plan."""
    prices = [
        price(STORE, "250"),
        price(OTHER, "262"),
        price(OTHER, "255", min_qty="4"),
        price(OTHER, "253", min_qty="6"),
    ]
    plan = plan_small(tmp_path / "plan", prices=prices)
    (row,) = break_even(plan, [OTHER], tolerance=TOLERANCE, check=False, workers=1)

    def enters(factor: Decimal) -> bool:
        scaled = [one.copy() for one in prices]
        for one in scaled[1:]:
            one["unit_price"] = str((Decimal(one["unit_price"]) * factor).quantize(Decimal("0.0001")))
        every = Every(write_small(tmp_path / f"at-{factor}", prices=scaled))
        plain = every.best()
        without = [[units for units in some if OTHER not in units] for some in every.designs]
        return plain < min(every.cost([one, other]) for one in without[0] for other in without[1])

    assert row.event == "enters"
    assert not enters(Decimal(1))
    low, high = Decimal(str(row.factor_below)), Decimal(str(row.factor_above))
    assert enters(low - Decimal("0.001"))
    assert not enters(high + Decimal("0.001"))
    assert float(low) < 1500 / (6 * 253) < float(high)  # all six at once, by hand


def test_replacements_count_where_lifetime_costs_are_least(tmp_path: Path) -> None:
    """Each battery is replaced at its own least quantity's price, so 250 against 245 weighs beside tiers."""
    plan = plan_small(tmp_path, overrides={"objective": "lifetime"})
    known, other = break_even(plan, [STORE, OTHER], tolerance=TOLERANCE, workers=1)
    assert (known.event, other.event) == ("enters", "leaves")
    assert known.agrees is True
    assert other.agrees is True


def test_what_cannot_enter_says_why(plan: Path) -> None:
    found = {row.sku: row for row in break_even(plan, [BARRED, UNPRICED, DEAR], check=False, workers=1)}
    assert "sku_rules forbid it" in found[BARRED].note
    assert "no price" in found[UNPRICED].note
    assert "no site has a design with it at any price; at s1: " in found[DEAR].note
    assert all(row.event == "" and row.price is None for row in found.values())


def test_unknown_skus_and_tolerances_are_all_named(plan: Path) -> None:
    with pytest.raises(InputError) as caught:
        break_even(plan, ["B-AGM (10)", OTHER, "../nothing"], tolerance=0.9)
    problems = {problem.value: problem for problem in caught.value.problems}
    assert set(problems) == {"B-AGM (10)", "../nothing", "0.9"}
    assert problems["B-AGM (10)"].remedy == f"did you mean {STORE!r}?"


def test_commands(plan: Path, tmp_path: Path) -> None:
    def run(*arguments: str) -> tuple[int, str, str]:
        done = CliRunner().invoke(app, [*arguments, "--workers", "1"])
        return done.exit_code, done.stdout, done.stderr

    code, said, _ = run("explain", str(plan), "s1", "--json", "--no-free")
    assert code == 0
    assert {row["battery_sku"] for row in json.loads(said)["site_choices"]} == {STORE, OTHER}
    out = tmp_path / "out"
    assert run("explain", str(plan), "s1", "--no-free", "--quiet", "--out", str(out))[:2] == (0, "")
    cells = list(csv.DictReader((out / "site_choices.csv").read_text(encoding="utf-8").splitlines()))
    assert f"'{OTHER}" in {row["battery_sku"] for row in cells}  # no spreadsheet runs it
    code, said, _ = run("break-even", str(plan), OTHER, "--no-check", "--json")
    assert code == 0
    assert json.loads(said)[0]["event"] == "enters"
    code, said, _ = run("explain", str(plan), "S1x", "--json")
    assert code == 3
    assert json.loads(said)[0]["remedy"] == "did you mean 's1'?"
    assert run("break-even", str(plan), "=cmd|' /C calc'!A0")[0] == 3
    assert run("explain", str(tmp_path / "none"), "s1")[0] == 3
    assert run("break-even", str(plan))[0] == 2


def test_sites_that_the_plan_does_not_serve(tmp_path: Path) -> None:
    """No battery of this size carries s2 for sixty days."""
    plan = plan_small(tmp_path / "one", where=sites({}, {"autonomy_days": "60"}))
    with pytest.raises(InputError) as caught:
        explain_site(plan, "s2")
    (problem,) = caught.value.problems
    assert (problem.code, problem.value) == ("unknown-site", "s2")
    assert problem.message.startswith("has no design in this plan: battery")
    assert [row.sites for row in explain_fleet(plan, free=False).marginal_costs] == [1, 1, 0]
    none = plan_small(tmp_path / "none", where=sites({"autonomy_days": "60"}))
    with pytest.raises(InputError) as caught:
        explain_fleet(none)
    assert caught.value.problems[0].code == "nothing-served"
