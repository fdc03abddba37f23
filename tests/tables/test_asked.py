"""What may be left out beside an availability, and which targets the simulated years can resolve."""

from pathlib import Path

import pytest

from planner.errors import Problem
from planner.scenario import check_scenario, read_scenario
from planner.settings import years_needed
from planner.sites import site_arrays
from tests.support import SETTINGS, table, with_cell, write_scenario


def problems(folder: Path, settings: str = SETTINGS, **cells: str) -> list[Problem]:
    """Problems of the minimal scenario with other cells of its first site."""
    return check_scenario(write_scenario(folder, settings=settings, tables=with_cell("sites", 0, **cells)))


def policy(**values: float) -> str:
    lines = "\n".join(f"{name} = {value}" for name, value in values.items())
    return SETTINGS.replace("autonomy_days = 4", lines)


@pytest.mark.parametrize(("column", "value"), [("autonomy_days", "0"), ("array_to_load_ratio", "0.9")])
def test_without_an_availability_something_must_size_a_site(tmp_path: Path, column: str, value: str) -> None:
    (found,) = problems(tmp_path / "alone", **{column: value})
    assert (found.code, found.file, found.line, found.column) == ("nothing-asked", "sites.csv", 2, column)
    assert "0012" in found.message
    assert "availability" in found.remedy
    assert not problems(tmp_path / "with", **{column: value, "availability": "0.99"})


def test_a_policy_that_sizes_nothing_is_named_once_a_site_without_its_own(tmp_path: Path) -> None:
    found = problems(tmp_path, settings=policy(autonomy_days=0))
    assert [(one.file, one.line, one.column) for one in found] == [
        ("scenario.toml", 7, "policy.autonomy_days")
    ]
    assert "0012" in found[0].message  # the other site states its own


def test_a_site_may_stand_back_from_the_policys_availability(tmp_path: Path) -> None:
    asked = policy(autonomy_days=0, array_to_load_ratio=0, availability=0.99)
    assert not problems(tmp_path / "all", settings=asked)
    found = problems(tmp_path / "back", settings=asked, availability="0")
    assert {one.column for one in found} == {"policy.autonomy_days", "policy.array_to_load_ratio"}


def test_no_reserve_can_be_refilled_in_days(tmp_path: Path) -> None:
    cells = {"autonomy_days": "0", "availability": "0.99"}
    (found,) = problems(tmp_path, recovery_days_max="20", **cells)
    assert "recovery_days_max" in found.message


@pytest.mark.parametrize(
    ("availability", "hours_a_year", "years"),
    # Hours of a year of 8760 h: Wenham et al., Applied Photovoltaics (99.99 %: 52.56 min). Years by hand: ten
    # lost days over the days that the target leaves a year.
    [(0.99, 87.6, 3), (0.999, 8.76, 28), (0.9999, 0.876, 274), (0.99999, 0.0876, 2740)],
)
def test_years_that_resolve_a_target(availability: float, hours_a_year: float, years: int) -> None:
    assert (1 - availability) * 8760 == pytest.approx(hours_a_year)
    assert years_needed(availability) == years
    assert (years - 1) * hours_a_year < 240 <= years * hours_a_year


def test_a_target_finer_than_the_years_is_refused_with_the_years_it_takes(tmp_path: Path) -> None:
    (found,) = problems(tmp_path / "fine", availability="0.9999")
    assert (found.code, found.line, found.column) == ("availability-unresolved", 2, "availability")
    assert "274 years" in found.message
    assert "100 years" in found.message
    assert "reliability.years = 274" in found.remedy
    more = SETTINGS + "\n[reliability]\nyears = 274\n"
    assert not problems(tmp_path / "more", settings=more, availability="0.9999")


@pytest.mark.parametrize("value", ["1", "99.9", "-0.1"])
def test_an_availability_is_a_share_under_one(tmp_path: Path, value: str) -> None:
    (found,) = problems(tmp_path, availability=value)
    assert (found.code, found.column) == ("out-of-range", "availability")


def test_blank_cells_take_the_policys(tmp_path: Path) -> None:
    rows = table("sites")
    rows[1] |= {"availability": "0.95"}
    write_scenario(tmp_path, settings=SETTINGS + "availability = 0.99\n", tables={"sites": rows})
    scenario = read_scenario(tmp_path)
    assert site_arrays(scenario.tables.sites, scenario.settings).availability.tolist() == [0.99, 0.95]
