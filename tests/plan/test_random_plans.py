"""No plan of a random fleet breaks a rule, as far as plain arithmetic over its tables can tell.

`RANDOM_FLEETS` asks for more of them than the suite's few, as in
`RANDOM_FLEETS=2000 pytest tests/plan/test_random_plans.py`.
"""

import os
from pathlib import Path
from random import Random

import pytest

from planner.pipeline import plan_fleet
from planner.scenario import read_scenario
from tests.plan.random_fleets import write_fleet
from tests.plan.recheck_site import broken

FLEETS = int(os.environ.get("RANDOM_FLEETS", "80"))


@pytest.mark.parametrize("seed", range(FLEETS))
def test_no_plan_breaks_a_rule(tmp_path: Path, seed: int) -> None:
    scenario = read_scenario(write_fleet(tmp_path / "fleet", Random(seed)))
    assert broken(scenario, plan_fleet(scenario)) == []
