"""Property tests draw the same examples on every run, so that a red build is a changed project.

The garbage collector looks for dead rings as seldom as it does in the planner's own processes.
"""

from collections.abc import Iterator
from dataclasses import fields
from typing import Any

import pytest
from hypothesis import settings

from planner.executors import seek_rings_less

settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")
seek_rings_less()

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
