"""Property tests draw the same examples on every run, so that a red build is a changed project.

The garbage collector looks for dead rings as seldom as it does in the planner's own processes.
"""

from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from planner.executors import seek_rings_less

settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")
seek_rings_less()

#: The files that take longest, in CPU time: begun first, so that no worker is left with one at the end.
LONGEST = (
    "plan/test_brute.py", "rerun/test_reuse.py", "plan/test_random_plans.py", "plan/test_availability.py",
    "executors/test_plans.py", "plan/test_metamorphic_purchase.py", "sizing/test_shortlist.py",
    "plan/test_stop.py", "plan/test_metamorphic.py", "tables/test_fuzz.py", "fleet/test_brute_force.py",
    "explain/test_site.py",
    "referee/test_cells.py", "referee/test_harmless.py", "plan/test_existing.py", "fleet/test_bound.py",
    "fleet/test_branch.py", "fleet/test_rules_brute_force.py", "designs/test_options.py",
    "referee/test_limits.py", "demand/test_rules.py", "referee/test_fleets.py", "test_readme.py",
)  # fmt: skip


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest files first, the others behind them as they come."""
    ranks = {Path(__file__).parent / name: rank for rank, name in enumerate(LONGEST)}
    assert all(path.exists() for path in ranks)
    items.sort(key=lambda item: ranks.get(item.path, len(ranks)))


@pytest.fixture(scope="module")
def simulated_once() -> Iterator[None]:
    """Plans of a test file that prove the same designs in the same years share one simulation of them.

    What a simulation says, `tests/reliability` tells; here it is a function of its arguments alone.
    """
    import planner.availability

    simulate, known = planner.availability.simulate, {}

    def remembered(days: Any, designs: Any, *, low_charge: float) -> Any:
        arrays = (days, *(getattr(designs, one.name) for one in fields(designs)))
        asked = low_charge, *((values.shape, values.tobytes()) for values in arrays)
        if asked not in known:
            known[asked] = simulate(days, designs, low_charge=low_charge)
        return known[asked]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(planner.availability, "simulate", remembered)
        yield
