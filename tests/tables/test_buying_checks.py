"""Faults of the rules of a purchase: each is named with its file, line, column and value, and what to do."""

from pathlib import Path

import pytest

from planner.errors import Problem, Severity
from planner.scenario import check_scenario
from tests.support import Rows, table, with_cell, write_scenario

MODULE, STORE = "M-100/36", "B-AGM (100)"
ERROR, WARNING = Severity.ERROR, Severity.WARNING
Content = dict[str, Rows]

REQUIRED = {"sku": MODULE, "rule": "required"}
APPROVED = {"sku": MODULE, "rule": "approved"}
SHARE = {"category": "modules", "spares_share": "0.1"}
PHASES: Content = {"phases": [{"phase": "1", "budget": "9000"}, {"phase": "2", "budget": "9000"}]}


def problems_of(folder: Path, content: Content) -> list[Problem]:
    return check_scenario(write_scenario(folder, tables=content))


def over(sku: str) -> Content:
    """The part's prices are over on the plan date."""
    rows = table("catalogue/prices")
    return {
        "catalogue/prices": [row | ({"valid_to": "2026-11-24"} if row["sku"] == sku else {}) for row in rows]
    }


def without_price(sku: str) -> Content:
    """Nobody sells the part; without a price a part is a warning of its own."""
    return {"catalogue/prices": [row for row in table("catalogue/prices") if row["sku"] != sku]}


def twice(sku: str) -> Content:
    """A second module."""
    rows = table("catalogue/modules")
    prices = table("catalogue/prices")
    return {
        "catalogue/modules": [*rows, rows[0] | {"sku": sku}],
        "catalogue/prices": [*prices, prices[2] | {"sku": sku}],
    }


SOUND: list[Content] = [
    {"sku_rules": [REQUIRED, {"sku": STORE, "rule": "approved", "reason": "in use"}]},
    {"category_rules": [SHARE | {"distinct_max": "1", "onboarding_cost": "100"}], "sku_rules": [REQUIRED]},
    PHASES | with_cell("sites", 1, ready_phase="2", priority="9"),
]


@pytest.mark.parametrize("content", SOUND)
def test_sound_rules_have_no_problem(tmp_path: Path, content: Content) -> None:
    assert problems_of(tmp_path, content) == []


FAULTS: list[tuple[Content, str, int, str, str, str, str, Severity, str]] = [
    # tables, file, line, column, value, code, words of the message, severity, words of the remedy
    (
        {"sku_rules": [{"sku": STORE, "rule": "approved"}, REQUIRED]} | over(MODULE),
        "sku_rules", 3, "sku", MODULE, "not-for-sale", "2026-11-25", ERROR, "add a price",
    ),
    (
        {"sku_rules": [APPROVED]} | over(MODULE),
        "sku_rules", 2, "sku", MODULE, "not-for-sale", "no SKU approved in modules", ERROR, "approve one",
    ),
    (
        {"sku_rules": [REQUIRED, {"sku": "M-100", "rule": "forbidden"}]},
        "sku_rules", 3, "sku", "M-100", "unknown-reference", "", ERROR, MODULE,
    ),
    (
        {"sku_rules": [REQUIRED | {"rule": "must"}]},
        "sku_rules", 2, "rule", "must", "not-a-choice", "", ERROR, "'required'",
    ),
    (
        {"sku_rules": [REQUIRED, APPROVED]},
        "sku_rules", 3, "sku", MODULE, "duplicate-key", "line 2", ERROR, "delete",
    ),
    (
        twice("M-2") | {"sku_rules": [REQUIRED, REQUIRED | {"sku": "M-2"}]}
        | {"category_rules": [{"category": "batteries"}, {"category": "modules", "distinct_max": "1"}]},
        "category_rules", 3, "distinct_max", "1", "contradiction", "2 SKUs", ERROR, "require fewer",
    ),
    (
        {"category_rules": [SHARE | {"distinct_max": "0"}]},
        "category_rules", 2, "distinct_max", "0", "out-of-range", "", ERROR, "most SKUs",
    ),
    (
        {"category_rules": [SHARE | {"category": "panels"}]},
        "category_rules", 2, "category", "panels", "not-a-choice", "", ERROR, "'modules'",
    ),
    (
        {"category_rules": [SHARE | {"spares_share": "5"}]},
        "category_rules", 2, "spares_share", "5", "out-of-range", "0 to 1", ERROR, "rounded up",
    ),
    (
        {"category_rules": [SHARE | {"onboarding_cost": "-1"}]},
        "category_rules", 2, "onboarding_cost", "-1", "out-of-range", "", ERROR, "once for each SKU",
    ),
    (
        PHASES | with_cell("sites", 1, ready_phase="3"),
        "sites", 3, "ready_phase", "3", "unknown-reference", "the last phase, 2", ERROR, "phases.csv",
    ),
    (
        with_cell("sites", 1, ready_phase="2"),
        "sites", 3, "ready_phase", "2", "not-used", "table of phases", WARNING, "add phases",
    ),
    (
        {"phases": [*PHASES["phases"], {"phase": "2", "budget": "1"}]},
        "phases", 4, "phase", "2", "duplicate-key", "line 3", ERROR, "delete",
    ),
    (
        {"phases": [{"phase": "1", "budget": "9 000"}]},
        "phases", 2, "budget", "9 000", "thousands-separator", "", ERROR, "9000",
    ),
    (
        with_cell("sites", 0, priority="0"),
        "sites", 2, "priority", "0", "out-of-range", "", ERROR, "served first",
    ),
]  # fmt: skip


@pytest.mark.parametrize(
    ("content", "name", "line", "column", "value", "code", "message", "severity", "remedy"), FAULTS
)
def test_a_fault_is_named(
    tmp_path: Path,
    content: Content,
    name: str,
    line: int,
    column: str,
    value: str,
    code: str,
    message: str,
    severity: Severity,
    remedy: str,
) -> None:
    found = [problem for problem in problems_of(tmp_path, content) if problem.file == f"{name}.csv"]
    assert [problem.code for problem in found] == [code]
    problem = found[0]
    assert (problem.line, problem.column, problem.value) == (line, column, value)
    assert problem.severity is severity
    assert message in problem.message
    assert remedy in problem.remedy


@pytest.mark.parametrize(
    ("stated", "missing"), [("spares_protection", "resupply_weeks"), ("resupply_weeks", "spares_protection")]
)
def test_a_protection_needs_its_lead_time_and_the_other_way(
    tmp_path: Path, stated: str, missing: str
) -> None:
    content = {"category_rules": [{"category": "batteries", stated: "0.9"}], **lasting()}
    (problem,) = problems_of(tmp_path, content)
    assert (problem.code, problem.column, problem.line) == ("missing-value", missing, 2)
    assert stated in problem.message
    assert f"leave {stated} blank" in problem.remedy


def lasting() -> Content:
    """Batteries that state an MTBF."""
    return with_cell("catalogue/batteries", 0, mtbf_years="12")


def test_a_protection_without_an_mtbf_counts_for_nothing(tmp_path: Path) -> None:
    rules = {"category_rules": [{"category": "batteries", "spares_protection": "0.9", "resupply_weeks": "8"}]}
    (problem,) = problems_of(tmp_path, rules)
    assert (problem.code, problem.severity, problem.line) == ("not-used", WARNING, 2)
    assert (problem.column, problem.value) == ("spares_protection", "0.9")
    assert "mtbf_years" in problem.remedy
    assert problems_of(tmp_path / "stated", rules | lasting()) == []


def test_all_faults_come_in_one_go(tmp_path: Path) -> None:
    content = (
        {"sku_rules": [REQUIRED], "category_rules": [{"category": "batteries", "resupply_weeks": "9"}]}
        | with_cell("sites", 1, ready_phase="7")
        | PHASES
        | over(MODULE)
    )
    errors = {problem.file for problem in problems_of(tmp_path, content) if problem.severity is ERROR}
    assert {"sku_rules.csv", "category_rules.csv", "sites.csv"} <= errors
