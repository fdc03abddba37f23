"""Earlier designs that stay unless changing them saves enough; numbers as in `tests.plan.purchases`.

A site with three batteries at 250 costs 2,528.20. What a twin of the battery saves follows from its price.
"""

import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from planner.cli import app
from planner.compare import compare_folders
from planner.errors import InputError
from planner.pipeline import plan_folder
from planner.rerun import plan_again
from planner.tables.plan_files import MANIFEST, SEARCH, TIMINGS, read_plan
from tests.plan.purchases import SITE, STORE, price, sites, twin, write_fleet
from tests.support import Rows

TWIN = "=B-2"  # alike but for its price


def fleet(folder: Path, number: int, *prices: dict[str, str], tables: dict[str, Rows] | None = None) -> Path:
    """Like sites with two batteries to choose from: the known one at 250, and its twin."""
    whole, where = twin("batteries", TWIN) | (tables or {}), sites(*({} for _ in range(number)))
    return write_fleet(folder, where, prices=[price(STORE, "250"), *prices], tables=whole)


def replan(
    folder: Path,
    number: int,
    *prices: dict[str, str],
    share: float,
    tables: dict[str, Rows] | None = None,
    **more: str,
) -> tuple[dict[str, Any], list[str]]:
    """The manifest of a plan made again when the twin's price fell from 260, and each site's battery."""
    plan_folder(fleet(folder / "one", number, price(TWIN, "260"), tables=tables), folder / "earlier")
    later = fleet(folder / "two", number, *prices, tables=tables)
    settings = {"purchase.keep_share": str(share), **more}
    plan, _, _ = plan_again(later, folder / "later", earlier=folder / "earlier", overrides=settings)
    return dict(plan.manifest), list(plan.tables["site_designs"]["battery_sku"])


@pytest.mark.parametrize(("share", "battery"), [(0.0118, TWIN), (0.0119, STORE)])
def test_either_side_of_the_share(tmp_path: Path, share: float, battery: str) -> None:
    """At 240 the twin saves 3 x 10 = 30, and 30 / 2,528.20 is 1.187 %."""
    manifest, batteries = replan(tmp_path, 1, price(TWIN, "240"), share=share)
    assert batteries == [battery]
    said = manifest["kept_designs"]
    stays = battery == STORE
    assert Decimal(manifest["total_cost"]) == (SITE if stays else SITE - 30)
    assert (said["kept"], said["changed"]) == ((["s1"], []) if stays else ([], ["s1"]))
    assert (said["sites_alike"], said["cannot_stay"]) == (0, [])
    assert Decimal(said["cost_over_cheapest"]) == (30 if stays else 0)
    # the bound is that of the cheapest plan, and the gap is the distance from it
    assert Decimal(manifest["best_bound"]) == pytest.approx(SITE - 30, abs=Decimal("0.01"))
    assert manifest["mip_gap"] == pytest.approx(30 / float(SITE) if stays else 0.0, abs=1e-5)
    assert manifest["outcome"] == ("designs_kept" if stays else "optimal")
    assert manifest["audit"]["passed"]


def test_a_saving_of_the_share_itself_is_not_more(tmp_path: Path) -> None:
    """With 471.80 more of labour a site costs 3,000, of which 1 % is the 30 saved."""
    labour = {"policy.installation_cost": "971.80"}
    plan_folder(fleet(tmp_path / "one", 1, price(TWIN, "260")), tmp_path / "earlier", overrides=labour)
    assert read_plan(tmp_path / "earlier").tables["site_designs"][0].site_cost == 3000
    later = fleet(tmp_path / "two", 1, price(TWIN, "240"))
    for share, battery in (("0.01", STORE), ("0.009999", TWIN)):
        settings = labour | {"purchase.keep_share": share}
        plan, _, _ = plan_again(later, tmp_path / "later", earlier=tmp_path / "earlier", overrides=settings)
        assert plan.tables["site_designs"]["battery_sku"] == [battery]


@pytest.mark.parametrize(("share", "battery"), [(0.0170, TWIN), (0.0179, STORE)])
def test_tiers_are_counted(tmp_path: Path, share: float, battery: str) -> None:
    """Six twins at 235 cost 1,410, three at the 245 of fewer 735, three known ones 750.

    Alone, one of the two sites would go back for 75 (2.97 %), both together for 90: 45 each, 1.78 %.
    """
    ladder = [price(TWIN, "245"), price(TWIN, "235", min_qty="6")]
    manifest, batteries = replan(tmp_path, 2, *ladder, share=share)
    assert batteries == [battery, battery]
    over = Decimal(manifest["kept_designs"]["cost_over_cheapest"])
    assert over == (90 if battery == STORE else 0)
    assert Decimal(manifest["total_cost"]) == 2 * SITE - 90 + over


def test_one_site_stays_and_one_leaves(tmp_path: Path) -> None:
    """Each change saves 30: more than 1 % of 2,528.20 at s1, less than that of 3,528.20 at s2."""
    where = sites({}, {"access_cost": "1100"})
    for name, cost in (("one", "260"), ("two", "240")):
        prices = [price(STORE, "250"), price(TWIN, cost)]
        write_fleet(tmp_path / name, where, prices=prices, tables=twin("batteries", TWIN))
    plan_folder(tmp_path / "one", tmp_path / "earlier")
    settings = {"purchase.keep_share": "0.01"}
    plan, _, changed = plan_again(
        tmp_path / "two", tmp_path / "later", earlier=tmp_path / "earlier", overrides=settings
    )
    assert plan.tables["site_designs"]["battery_sku"] == [TWIN, STORE]
    said = plan.manifest["kept_designs"]
    assert (said["kept"], said["changed"], said["cost_over_cheapest"]) == (["s2"], ["s1"], "30.00")
    assert changed is not None
    assert [row.site_id for row in changed.changed_sites] == ["s1"]


def test_sites_that_save_more_together_change_together(tmp_path: Path) -> None:
    """The twin's ladder is incremental: of six, three at 245 save 15 and the next three at 230 save 60.

    A site alone saves 15 beside one that stayed, and costs 60 to bring back beside one that left.
    """
    ladder = [
        price(TWIN, "245", tier_kind="incremental"),
        price(TWIN, "230", min_qty="4", tier_kind="incremental"),
    ]
    _, batteries = replan(tmp_path, 2, *ladder, share=0.0148)  # 37.42 each, 74.83 of the 75 saved
    assert batteries == [TWIN, TWIN]
    manifest, batteries = replan(tmp_path / "more", 2, *ladder, share=0.0149)  # 37.67 each, 75.34
    assert batteries == [STORE, STORE]
    assert manifest["kept_designs"]["cost_over_cheapest"] == "75.00"


def test_stock_and_budget_come_first(tmp_path: Path) -> None:
    """Three known batteries are left, enough for one of the two sites; money for none."""
    stock = [{"sku": STORE, "supplier": "north", "stock_qty": "3"}]
    plan_folder(fleet(tmp_path / "one", 2, price(TWIN, "260")), tmp_path / "earlier")
    later = fleet(tmp_path / "two", 2, price(TWIN, "240"), tables={"catalogue/stock": stock})
    for budget, batteries in (("5200", [STORE, TWIN]), ("5010", [TWIN, TWIN])):  # 2 x 2,498.20 = 4,996.40
        settings = {"purchase.keep_share": "0.1", "purchase.budget": budget}
        plan, _, _ = plan_again(later, tmp_path / "later", earlier=tmp_path / "earlier", overrides=settings)
        assert plan.tables["site_designs"]["battery_sku"] == batteries
        assert plan.manifest["kept_designs"]["kept"] == (["s1"] if STORE in batteries else [])


def test_one_kind_of_battery_stays_one_kind(tmp_path: Path) -> None:
    """With one battery allowed, no site can go back alone; all of them together can."""
    rules = [{"category": "batteries", "distinct_max": "1"}]
    tables = {"category_rules": rules}
    _, batteries = replan(tmp_path, 3, price(TWIN, "240"), share=0.012, tables=tables)
    assert batteries == [STORE] * 3


def test_what_is_no_longer_sold_cannot_stay(tmp_path: Path) -> None:
    plan_folder(fleet(tmp_path / "one", 1, price(TWIN, "260")), tmp_path / "earlier")
    later = fleet(tmp_path / "two", 1, price(TWIN, "300"))
    path = later / "catalogue" / "prices.csv"
    lines = [line for line in path.read_text().splitlines() if not line.startswith(STORE)]
    path.write_text("\n".join(lines) + "\n")
    settings = {"purchase.keep_share": "1"}
    plan, _, _ = plan_again(later, tmp_path / "later", earlier=tmp_path / "earlier", overrides=settings)
    assert plan.tables["site_designs"]["battery_sku"] == [TWIN]
    assert plan.manifest["kept_designs"]["cannot_stay"] == ["s1"]


def test_a_design_that_a_rule_forbids_cannot_stay(tmp_path: Path) -> None:
    """Three days instead of two take more batteries than the earlier design has."""
    days = {"policy.autonomy_days": "3"}
    manifest, batteries = replan(tmp_path, 1, price(TWIN, "240"), share=1.0, **days)
    assert batteries == [TWIN]
    assert manifest["kept_designs"]["cannot_stay"] == ["s1"]


def test_a_design_that_no_plan_would_look_at_stays(tmp_path: Path) -> None:
    """Four times the price: far from every candidate of the cheapest plan, but a design all the same."""
    dear = [price(STORE, "1000"), price(TWIN, "240")]
    plan_folder(fleet(tmp_path / "one", 1, price(TWIN, "260")), tmp_path / "earlier")
    later = write_fleet(tmp_path / "two", sites({}), prices=dear, tables=twin("batteries", TWIN))
    settings = {"purchase.keep_share": "1"}  # 2,528.20, and the twins save 3 x 760 = 2,280
    plan, _, _ = plan_again(later, tmp_path / "later", earlier=tmp_path / "earlier", overrides=settings)
    assert plan.tables["site_designs"]["battery_sku"] == [STORE]
    assert plan.total_cost == SITE + 2250
    assert plan.manifest["kept_designs"]["cost_over_cheapest"] == "2280.00"


def test_without_a_share_the_plan_is_that_of_a_first_run(tmp_path: Path) -> None:
    plan_folder(fleet(tmp_path / "one", 2, price(TWIN, "260")), tmp_path / "earlier")
    later = fleet(tmp_path / "two", 2, price(TWIN, "240"))
    plan_again(later, tmp_path / "again", earlier=tmp_path / "earlier")
    plan_folder(later, tmp_path / "fresh")
    own = {MANIFEST, TIMINGS, SEARCH}  # how it was found
    names = sorted(path.name for path in (tmp_path / "fresh").iterdir() if path.name not in own)
    for name in names:
        assert (tmp_path / "again" / name).read_bytes() == (tmp_path / "fresh" / name).read_bytes(), name


def test_same_bytes_again_and_in_another_currency_refused(tmp_path: Path) -> None:
    replan(tmp_path, 2, price(TWIN, "240"), share=0.0119)
    names = {path.name for path in (tmp_path / "later").iterdir()} - {"timings.json"}
    first = {name: (tmp_path / "later" / name).read_bytes() for name in names}
    settings = {"purchase.keep_share": "0.0119"}
    plan_again(tmp_path / "two", tmp_path / "later", earlier=tmp_path / "earlier", overrides=settings)
    assert first == {name: (tmp_path / "later" / name).read_bytes() for name in names}
    rates = [{"currency": "EUR", "rate": "11.7", "date": "2026-11-20", "source": "invented"}]
    abroad = fleet(tmp_path / "three", 2, price(TWIN, "240"), tables={"catalogue/fx": rates})
    settings["currency"] = "NOK"
    with pytest.raises(InputError) as caught:
        plan_again(abroad, tmp_path / "other", earlier=tmp_path / "earlier", overrides=settings)
    assert [problem.code for problem in caught.value.problems] == ["two-currencies"]
    assert not (tmp_path / "other").exists()


def test_command_says_what_stays(tmp_path: Path) -> None:
    plan_folder(fleet(tmp_path / "one", 1, price(TWIN, "260")), tmp_path / "earlier")
    later = fleet(tmp_path / "two", 1, price(TWIN, "240"))
    asked = ["--set", "purchase.keep_share=0.0119"]
    run = CliRunner().invoke(
        app, ["plan", str(later), "-o", str(tmp_path / "p"), "--from", str(tmp_path / "earlier"), *asked]
    )
    assert run.exit_code == 0, run.output
    assert "1 site kept, as a change saves 1.19 % of its cost or less" in run.stderr
    assert "keeping them costs 30.00 EUR over the cheapest plan found" in run.stderr
    run = CliRunner().invoke(app, ["plan", str(later), "-o", str(tmp_path / "q"), *asked])
    assert "purchase.keep_share does nothing without --from" in run.stderr
    assert "kept_designs" not in json.loads((tmp_path / "q" / "manifest.json").read_text())


def test_causes_are_traced_by_plans_that_keep_designs_too(tmp_path: Path) -> None:
    """The price alone lets s1 leave for 30, as in the plan; s2 would save 30 more, were it not to stay."""
    where = sites({}, {"access_cost": "1100"})
    for name, cost, stock in (("one", "260", "90"), ("two", "240", "80")):
        prices = [price(STORE, "250"), price(TWIN, cost)]
        terms = [{"sku": TWIN, "supplier": "north", "stock_qty": stock}]
        write_fleet(tmp_path / name, where, prices=prices, stock=terms, tables=twin("batteries", TWIN))
    plan_folder(tmp_path / "one", tmp_path / "earlier")
    settings = {"purchase.keep_share": "0.01"}
    plan_again(tmp_path / "two", tmp_path / "later", earlier=tmp_path / "earlier", overrides=settings)
    found = compare_folders(tmp_path / "earlier", tmp_path / "later", workers=1)
    assert [(row.site_id, row.cause) for row in found.changed_sites] == [("s1", "prices")]
    costs = {row.group: row.cost_alone for row in found.causes}
    assert costs == {"prices": -30, "stock": 0, "jointly": 0}
