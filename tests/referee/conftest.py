"""One plan for all tests of the referee."""

from pathlib import Path

import pytest

from planner.scenario import Scenario
from tests.referee.plans import Planned


@pytest.fixture(scope="session")
def original(tmp_path_factory: pytest.TempPathFactory) -> Planned:
    return Planned.make(tmp_path_factory.mktemp("referee"))


@pytest.fixture(scope="session")
def scenario(original: Planned) -> Scenario:
    return original.read()


@pytest.fixture
def planned(original: Planned, tmp_path: Path) -> Planned:
    return original.copy(tmp_path / "copy")
