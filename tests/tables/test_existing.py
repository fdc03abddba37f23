"""Faults of the table of parts at sites: each is named with its line, and what to do."""

from pathlib import Path

import pytest

from planner.errors import Problem, Severity
from planner.scenario import check_scenario, read_scenario
from planner.tables.existing import Keep
from tests.support import Rows, table, write_scenario

SOUND = [{"site_id": "0012", "sku": "B-AGM (100)", "quantity": "2", "keep": "must"}]


def problems_of(folder: Path, rows: Rows, **tables: Rows) -> list[Problem]:
    return check_scenario(write_scenario(folder, tables={"existing": rows} | tables))


@pytest.mark.parametrize(
    ("cells", "code", "column", "remedy"),
    [
        ({"site_id": "12"}, "unknown-reference", "site_id", "'0012'"),
        ({"sku": "B-AGM(100)"}, "unknown-reference", "sku", "'B-AGM (100)'"),
        ({"quantity": "0"}, "out-of-range", "quantity", "units"),
        ({"quantity": "1.5"}, "not-a-whole-number", "quantity", "decimals"),
        ({"keep": "yes"}, "not-a-choice", "keep", "'may'"),
        ({"sku": "MT-4"}, "keep-not-possible", "keep", "write may"),
        ({"sku": "D-30"}, "keep-not-possible", "keep", "write may"),
    ],
)
def test_a_faulty_row_is_named(
    tmp_path: Path, cells: dict[str, str], code: str, column: str, remedy: str
) -> None:
    (problem,) = problems_of(tmp_path, [*SOUND, SOUND[0] | {"site_id": "NA"} | cells])
    assert (problem.code, problem.column, problem.line) == (code, column, 3)
    assert (problem.file, problem.severity) == ("existing.csv", Severity.ERROR)
    assert remedy in problem.remedy


def test_a_part_stands_once_at_a_site(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, [*SOUND, SOUND[0] | {"keep": "may"}])
    assert (problem.code, problem.line) == ("duplicate-key", 3)


def test_two_batteries_that_must_be_kept_make_no_design(tmp_path: Path) -> None:
    """The same at two sites is sound, as are a battery and a module, and two where one may go."""
    other = {"catalogue/batteries": [*table("catalogue/batteries"), table("catalogue/batteries")[0]]}
    other["catalogue/batteries"][1] = other["catalogue/batteries"][0] | {"sku": "B-2"}
    price = next(row for row in table("catalogue/prices") if row["sku"] == "B-AGM (100)") | {"sku": "B-2"}
    other["catalogue/prices"] = [*table("catalogue/prices"), price]
    beside = SOUND[0] | {"sku": "B-2"}
    (problem,) = problems_of(tmp_path / "two", [*SOUND, beside], **other)
    assert (problem.code, problem.line, problem.value) == ("kept-apart", 3, "B-2")
    assert "B-AGM (100) on line 2" in problem.message
    for rows in ([beside | {"site_id": "NA"}], [beside | {"keep": "may"}], [beside | {"sku": "M-100/36"}]):
        assert problems_of(tmp_path / "sound", [*SOUND, *rows], **other) == []


def test_a_part_needs_no_price(tmp_path: Path) -> None:
    prices = [row for row in table("catalogue/prices") if row["sku"] != "B-AGM (100)"]
    (problem,) = problems_of(tmp_path, SOUND, **{"catalogue/prices": prices})
    assert (problem.code, problem.severity) == ("not-for-sale", Severity.WARNING)
    assert "only where it stands" in problem.message


def test_blank_cells_stand_for_one_unit_that_may_be_kept(tmp_path: Path) -> None:
    write_scenario(tmp_path, tables={"existing": [{"site_id": "0012", "sku": "S-8#W"}]})
    (row,) = read_scenario(tmp_path).tables.existing
    assert (row.quantity, row.keep) == (1, Keep.MAY)
