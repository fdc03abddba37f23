"""Parts that stand at sites: no price, no freight; what must be kept is in the design or blocks it."""

from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from planner.pipeline import plan_fleet
from planner.plan import Plan
from planner.scenario import read_scenario
from tests.plan.fleets import Cut
from tests.support import SETTINGS, Rows, table, write_rows, write_scenario

POLICY = "autonomy_days = 2\ninstallation_cost = 500\n\n[solver]\ngap = 0.0"
MODULE, STORE, CONTROLLER, SWITCH, MOUNT, BOX = "M-100/36", "B-AGM (100)", "C-20+L", "S-8#W", "MT-4", "EN-60"
#: Units of a design of the one site, found without gear; with a single part of each kind there is no other.
UNITS = {STORE: 3, CONTROLLER: 1, BOX: 1, MODULE: 4, MOUNT: 1, SWITCH: 1}


def gear(units: dict[str, int], keep: str = "may", site: str = "0012") -> Rows:
    """Rows of parts that stand at a site."""
    return [{"site_id": site, "sku": sku, "quantity": str(n), "keep": keep} for sku, n in units.items()]


def plan_of(
    folder: Path, existing: Rows, *, unsold: tuple[str, ...] = (), parts: Rows | None = None, **site: str
) -> Plan:
    """One site of the minimal scenario, a single part of each kind for sale; access 100, freight 2 a kg."""
    tables: dict[str, Any] = {
        "sites": [table("sites")[0] | {"access_cost": "100", "freight_per_kg": "2"} | site],
        "loads": [row for row in table("loads") if row["load_profile"] == "camera"],
        "catalogue/prices": [row for row in table("catalogue/prices") if row["sku"] not in unsold],
    }
    if existing:
        tables["existing"] = existing
    if parts:
        tables["catalogue/batteries"] = [*table("catalogue/batteries"), *parts]
    write_scenario(folder, settings=SETTINGS.replace("autonomy_days = 4", POLICY), tables=tables)
    return plan_fleet(read_scenario(folder))


def bill(plan: Plan) -> dict[str, tuple[int, int, str]]:
    """Quantity, those kept, and cost of each SKU."""
    rows = plan.tables["bill_of_materials"]
    columns = (rows[name] for name in ("quantity", "quantity_kept", "line_cost"))
    return {sku: (n, kept, str(cost)) for sku, n, kept, cost in zip(rows["sku"], *columns, strict=True)}


def ordered(plan: Plan) -> dict[str, int]:
    """Units on the orders for sites."""
    rows = plan.tables["procurement"]
    return dict(zip(rows["sku"], rows["quantity_sites"], strict=True))


def unserved(plan: Plan) -> Any:
    """The refusal of the one site, as its row of problems."""
    rows = plan.tables["problems"]
    at = rows["severity"].index("unserved")
    return {name: values[at] for name, values in rows.items()}


def test_without_gear_everything_is_bought(tmp_path: Path) -> None:
    # goods 3 x 250 + 120 x 0.085 = 10.20 + 140 + 4 x 80 + 90 + 310 = 1,620.20; 3 x 30 + 1.2 + 12 + 4 x 7.5
    # + 20 + 0.8 = 154 kg at 2 = 308; access 100, labour 500
    plan = plan_of(tmp_path, [])
    assert {sku: n for sku, (n, _, _) in bill(plan).items()} == UNITS == ordered(plan)
    assert plan.total_cost == Decimal("2528.20")


def test_what_stands_there_costs_no_price_and_no_freight(tmp_path: Path) -> None:
    # two modules less: 2 x 80, and 2 x 7.5 kg at 2; the box: 140, and 12 kg at 2; labour and access stay
    plan = plan_of(tmp_path, gear({MODULE: 2, BOX: 1}))
    assert bill(plan)[MODULE] == (4, 2, "160.00")
    assert bill(plan)[BOX] == (1, 1, "0.00")
    assert ordered(plan) == {sku: n for sku, n in UNITS.items() if sku != BOX} | {MODULE: 2}
    assert plan.total_cost == Decimal("2528.20") - 160 - 30 - 140 - 24
    assert plan.manifest["costs"]["freight"] == "254.00"


def test_more_than_is_needed_stays_unused(tmp_path: Path) -> None:
    plan = plan_of(tmp_path, gear({STORE: 9, MODULE: 40}))
    assert bill(plan)[STORE] == (3, 3, "0.00")
    assert bill(plan)[MODULE] == (4, 4, "0.00")


@pytest.mark.parametrize("keep", ["may", "must"])
@pytest.mark.parametrize("unsold", [(), (STORE, MODULE, MOUNT)])
def test_a_site_that_has_everything_buys_nothing(tmp_path: Path, keep: str, unsold: tuple[str, ...]) -> None:
    rows = gear({sku: n for sku, n in UNITS.items() if sku not in (MOUNT, BOX)}, keep)
    plan = plan_of(tmp_path, rows + gear({MOUNT: 1, BOX: 1}), unsold=unsold)
    assert plan.total_cost == Decimal("600.00")  # access and labour
    assert plan.tables["procurement"]["sku"] == []
    assert bill(plan) == {sku: (n, n, "0.00") for sku, n in UNITS.items()}
    assert plan.manifest["outcome"] == "optimal"
    assert plan.manifest["best_bound"] == "600.00"


def test_all_that_must_be_kept_is_in_the_design(tmp_path: Path) -> None:
    # nine modules of 0.67 m2 need 2 mounts of 4 m2, since floor(4 / 0.67) = 5; 2,528.20 - 4 x 80 - 4 x 15 for
    # modules, + 90 + 2 x 20 for the mount
    plan = plan_of(tmp_path, gear({MODULE: 9}, "must"))
    assert bill(plan)[MODULE] == (9, 9, "0.00")
    assert bill(plan)[MOUNT] == (2, 0, "180.00")
    assert plan.total_cost == Decimal("2528.20") - 380 + 130


def test_switches_that_must_be_kept_all_draw(tmp_path: Path) -> None:
    """The second switch draws 3 W beside the first, around the clock."""
    plan = plan_of(tmp_path, gear({SWITCH: 2}, "must"))
    assert bill(plan)[SWITCH] == (2, 2, "0.00")
    free = plan_of(tmp_path / "free", gear({SWITCH: 2}))
    assert bill(free)[SWITCH] == (1, 1, "0.00")
    more = [p.tables["site_designs"]["load_w"][0] for p in (plan, free)]
    assert more[0] - more[1] == pytest.approx(3.0 * 1.1, abs=0.02)  # the load's margin; no disconnect is used


@pytest.mark.parametrize(
    ("units", "value", "limit", "unit"),
    [
        ({STORE: 5}, 5, 4, "units"),  # the maker's most in parallel, where none is stated
        ({CONTROLLER: 9}, 9, 4, "units"),  # policy.controllers_max
        ({SWITCH: 5}, 5, 3, "units"),  # policy.switches_max
        ({MODULE: 200}, 200, 36, "units"),  # 25 A / (6.1 A x 1.25) = 3 strings of 3 on each of 4 controllers
    ],
)
def test_a_site_that_only_kept_parts_block_is_told_so(
    tmp_path: Path, units: dict[str, int], value: float, limit: float, unit: str
) -> None:
    problem = unserved(plan_of(tmp_path, gear(units, "must")))
    ((sku, number),) = units.items()
    assert (problem["code"], problem["site_id"], problem["subject"]) == ("kept-parts", "0012", sku)
    assert f"{number} x {sku} must be kept" in problem["message"]
    assert (problem["value"], problem["limit"], problem["unit"]) == (value, limit, unit)


def test_room_for_modules_that_must_be_kept(tmp_path: Path) -> None:
    # 9 x 1.0 x 0.67 m2 = 6.03 m2
    problem = unserved(plan_of(tmp_path, gear({MODULE: 9}, "must"), module_area_max_m2="5"))
    assert (problem["code"], problem["subject"], problem["unit"]) == ("kept-parts", MODULE, "m2")
    assert problem["value"] == pytest.approx(6.03)
    assert problem["limit"] == 5


def test_a_kept_battery_that_does_not_stand_the_cold(tmp_path: Path) -> None:
    """The enclosure reaches -30 C here: the air's minimum and nothing on top of it."""
    parts = [table("catalogue/batteries")[0] | {"sku": "B-5", "temp_min_c": "5", "charge_temp_min_c": "5"}]
    plan = plan_of(
        tmp_path, gear({"B-5": 2}, "must"), parts=parts, temp_air_min_c="-30", enclosure_damping_k="0"
    )
    problem = unserved(plan)
    assert (problem["code"], problem["subject"]) == ("kept-parts", "B-5")
    assert (problem["value"], problem["limit"], problem["unit"]) == (-30.0, 5.0, "C")
    free = plan_of(
        tmp_path / "may", gear({"B-5": 2}), parts=parts, temp_air_min_c="-30", enclosure_damping_k="0"
    )
    assert "B-5" not in bill(free)


def test_what_a_site_lacks_counts_what_stands_there(tmp_path: Path) -> None:
    """No battery carries 60 days, one at the site that nobody sells included."""
    parts = [table("catalogue/batteries")[0] | {"sku": "B-5"}]
    problem = unserved(plan_of(tmp_path, gear({"B-5": 2}), parts=parts, autonomy_days="60"))
    assert problem["code"] == "battery-size"
    assert "the largest battery that it may have" in problem["message"]


def test_the_part_that_blocks_is_named_among_several(tmp_path: Path) -> None:
    rows = gear({STORE: 5, MODULE: 4, SWITCH: 1}, "must")
    assert unserved(plan_of(tmp_path, rows))["subject"] == STORE
    rows = gear({STORE: 5, CONTROLLER: 9}, "must")  # each blocks alone, so no one of them decides
    assert unserved(plan_of(tmp_path / "both", rows))["subject"] == f"{STORE}, {CONTROLLER}"


def test_a_site_blocked_in_any_case_hears_of_that(tmp_path: Path) -> None:
    rows = gear({STORE: 5}, "must")
    problem = unserved(plan_of(tmp_path, rows, autonomy_days="30"))
    assert problem["code"] == "battery-size"


def test_too_few_of_what_nobody_sells_serve_no_site(tmp_path: Path) -> None:
    assert bill(plan_of(tmp_path, gear({STORE: 3}), unsold=(STORE,)))[STORE] == (3, 3, "0.00")
    assert unserved(plan_of(tmp_path / "few", gear({STORE: 2}), unsold=(STORE,)))["code"] == "battery-size"
    plan = plan_of(tmp_path / "mount", gear({MOUNT: 1, MODULE: 6}, "may"), unsold=(MOUNT,))
    assert bill(plan)[MOUNT] == (1, 1, "0.00")
    rows = gear({MOUNT: 1}) + gear({MODULE: 6}, "must")  # five modules are the most on a mount
    problem = unserved(plan_of(tmp_path / "full", rows, unsold=(MOUNT,)))
    assert (problem["code"], problem["subject"]) == ("kept-parts", MODULE)


SITES = ("finse", "ustaoset")


@pytest.fixture(scope="module")
def cut(tmp_path_factory: pytest.TempPathFactory) -> Cut:
    return Cut(tmp_path_factory.mktemp("fleet") / "fleet", SITES).thin(3, 0, 1)


@pytest.fixture(scope="module")
def without_gear(cut: Cut) -> Plan:
    """The plan of the fleet where nothing stands."""
    (cut.folder / "existing.csv").unlink(missing_ok=True)
    return cut.plan()


def total(cut: Cut, rows: Rows) -> Decimal:
    """Cost of a proven plan of the fleet with gear."""
    write_rows(cut.folder / "existing.csv", rows)
    return proven(cut.plan())


def proven(plan: Plan) -> Decimal:
    assert plan.manifest["outcome"] == "optimal"
    assert not plan.unserved
    return plan.total_cost


@pytest.mark.parametrize(
    "units",
    [
        {"SV 130-36 (polar)": 3},
        {"AK 12-100 LL": 2, "TDV-50/36 M": 1},
        {"MK-T10 (75)": 2, "STV GF-4.4": 1, "SPK 12/54-80": 1},
        {"PV-4E/W": 1, "VLB 12-50": 6},
    ],
)
def test_gear_never_adds_cost_and_a_duty_to_keep_it_never_saves(
    cut: Cut, without_gear: Plan, units: dict[str, int]
) -> None:
    costs = [proven(without_gear)]
    some = dict(list(units.items())[:1])
    costs += [total(cut, gear(rows, site="ustaoset")) for rows in (some, units)]
    assert costs == sorted(costs, reverse=True)
    kept = gear(some, "must", "ustaoset")
    assert total(cut, kept + gear(units, site="ustaoset")[1:]) >= costs[-1]


def test_a_fleet_that_has_its_own_plan_buys_nothing(cut: Cut, without_gear: Plan) -> None:
    rows = without_gear.tables["bill_of_materials"]
    stands = zip(rows["site_id"], rows["sku"], rows["quantity"], strict=True)
    write_rows(
        cut.folder / "existing.csv", [{"site_id": s, "sku": k, "quantity": str(n)} for s, k, n in stands]
    )
    plan = cut.plan()
    assert plan.tables["procurement"]["sku"] == []
    fees = [Decimal(row["access_cost"]) for row in cut.rows("sites")]
    assert plan.total_cost == sum(fees) + 2 * 900
