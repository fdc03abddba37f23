"""Kinds of rows and columns, against NumPy's `unique` and the months of a year one by one."""

import numpy as np
import pytest

from planner.designs.codes import distinct, ranked, starts
from planner.designs.strings import months_that_ask


@pytest.mark.parametrize("number", [0, 1, 40])
def test_distinct_codes_are_those_of_unique(number: int) -> None:
    code = np.random.default_rng(number).integers(0, 25, number)
    found, place = distinct(code, 25)
    values, inverse = np.unique(code, return_inverse=True)
    assert found.tolist() == values.tolist()
    assert place.tolist() == inverse.tolist()


@pytest.mark.parametrize("number", [0, 1, 60])
def test_ranked_rows_are_those_of_unique(number: int) -> None:
    rng = np.random.default_rng(number)
    columns = [rng.integers(0, 3, number), rng.choice([0.5, 0.25, 13.6], number), rng.integers(0, 2, number)]
    first, kind = ranked(*columns)
    values, index, inverse = np.unique(
        np.column_stack(columns), axis=0, return_index=True, return_inverse=True
    )
    assert np.column_stack(columns)[first].tolist() == values.tolist()
    assert first.tolist() == index.tolist()
    assert kind.tolist() == inverse.ravel().tolist()


def test_rows_start_where_any_column_changes() -> None:
    assert starts(np.array([1, 1, 1, 2]), np.array([0.0, 0.0, 1.0, 1.0])).tolist() == [
        True,
        False,
        True,
        True,
    ]
    assert starts(np.zeros(0)).tolist() == []


@pytest.mark.parametrize("seed", range(20))
def test_no_other_month_asks_for_most(seed: int) -> None:
    """Of loads with a course over the year and suns that are dim in winter; also without any load."""
    rng = np.random.default_rng(seed)
    course = 1 + 0.3 * np.cos(np.arange(12) * np.pi / 6)
    need = rng.uniform(0.0, 500.0, (30, 1)) * course * rng.uniform(0.9, 1.1, (30, 12))
    need[: seed % 3] = 0.0
    per_scale = rng.uniform(0.2, 0.3, (4, 1)) * (1 + 2 * np.cos(np.arange(12) * np.pi / 12) ** 4)
    months = months_that_ask(need, per_scale)
    asked = need[:, None, :] * per_scale
    assert (asked[:, :, months].max(axis=2, initial=0.0) == asked.max(axis=2)).all()
    assert len(months) < 12
