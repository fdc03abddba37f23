"""Designs of a pool, against a walk over them one by one."""

import numpy as np
import pytest
from scipy import sparse

from planner.fleet.pool import Column, Designs


@pytest.mark.parametrize("most", [2, 40, 2**31 - 1])
def test_distinct_designs_are_the_first_of_those_alike(most: int) -> None:
    """With counts so great, too, that numbers of 64 bits do not tell all designs apart."""
    rng = np.random.default_rng(most)
    size, names = 400, Column.__dataclass_fields__
    values = {name: rng.integers(0, 2, size) * (most - 1) for name in names}
    values["charge_setpoint_v"] = values["charge_setpoint_v"] / 3
    few = rng.choice(list(names), 11, replace=False)
    column = Column(**{name: one * (name not in few) for name, one in values.items()})
    designs = Designs(
        site=np.sort(rng.integers(0, 3, size)),
        column=column,
        usage=sparse.csr_matrix(np.arange(size, dtype=float)[:, None]),
        other_cost=np.arange(size, dtype=float),
    )
    rows = list(zip(designs.site.tolist(), *(one.tolist() for _, one in column.items()), strict=True))
    first = sorted({row: d for d, row in reversed(list(enumerate(rows)))}.values())
    assert 10 < len(first) < size
    found = designs.distinct()
    assert found.other_cost.tolist() == first
    assert found.usage.toarray()[:, 0].tolist() == first
    assert found.distinct() is found
