"""Sites of the bundled fleet that the tests of this room share."""

import pytest

from planner.grounds import choose_tilts, fleet_kits, prepare
from planner.scenario import read_scenario
from planner.sizing import Fleet
from tests.plan.fleets import Cut

NAMES = ("achnasheen", "finse", "hveravellir")


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    """Some sites with the northern parts; one has other kits than the others."""
    cut = Cut(tmp_path_factory.mktemp("sizing") / "fleet", NAMES)
    made = prepare(read_scenario(cut.folder))
    fleet_kits(made)
    made.tilts[:] = choose_tilts(made)
    return made
