"""The same plan, byte for byte, from this process, from a pool, and from a cluster; workers may die."""

import os
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import planner.sizing.batches
from planner.errors import WorkerError
from planner.executors.processes import Processes
from planner.pipeline import Machines, plan_folder
from tests.support import Rows, table, write_scenario

SITES, BATCH = 24, 8  # three batches


@pytest.fixture(scope="module", autouse=True)
def small_batches() -> Iterator[None]:
    """Workers are given their batches, so it is enough that this process cuts them smaller."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(planner.sizing.batches, "BATCH_SITES", BATCH)
        yield


@pytest.fixture(scope="module")
def scenario(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Sites along a meridian, and one in the polar night, which has no design."""
    first = table("sites")[0]
    sites: Rows = [
        first
        | {
            "site_id": f"s{i:03d}",
            "latitude_deg": f"{44 + i / 4:.2f}",
            "elevation_m": "400",
            "load_profile": ("camera", "radio")[i % 2],
            "autonomy_days": str(3 + i % 4),
        }
        for i in range(SITES)
    ]
    sites[12] |= {"latitude_deg": "70.00", "longitude_deg": "25.00"}
    return write_scenario(tmp_path_factory.mktemp("scenario"), tables={"sites": sites})


def plan(scenario: Path, out: Path, machines: Machines) -> dict[str, bytes]:
    """Files of a plan but the timings."""
    _, files = plan_folder(scenario, out, machines=machines)
    return {name: (out / name).read_bytes() for name in files if name != "timings.json"}


@pytest.fixture(scope="module")
def alone(scenario: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """The plan made in this process."""
    return plan(scenario, tmp_path_factory.mktemp("alone") / "plan", Machines(workers=1))


def test_a_pool_makes_the_same_plan(scenario: Path, alone: dict[str, bytes], tmp_path: Path) -> None:
    assert b"s012" in alone["problems.csv"]
    assert plan(scenario, tmp_path / "plan", Machines(workers=2)) == alone


def test_a_pool_whose_worker_is_killed_makes_the_same_plan(
    scenario: Path, alone: dict[str, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed from outside after the first pass, as the system does where memory runs out."""
    whole, killed = Processes.run, []

    def run(self: Processes, *given: Any) -> Iterator[Any]:
        if self._known[0] and not killed:
            killed.extend(self._pools[0]._processes)
            os.kill(killed[0], signal.SIGKILL)
        return whole(self, *given)

    monkeypatch.setattr(Processes, "run", run)
    assert plan(scenario, tmp_path / "plan", Machines(workers=2)) == alone
    assert killed


def test_no_cluster_is_a_clear_error(scenario: Path, tmp_path: Path) -> None:
    with pytest.raises(WorkerError, match=r"--cluster"):
        plan(scenario, tmp_path / "plan", Machines(cluster="not an address"))


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    """A Dask cluster of two workers on this machine, where Dask is installed; the last tests share it."""
    distributed = pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    with distributed.LocalCluster(  # type: ignore[attr-defined]
        n_workers=2, threads_per_worker=1, dashboard_address=None
    ) as made:
        yield made


@pytest.mark.filterwarnings("default")  # Dask's own
def test_a_cluster_makes_the_same_plan(
    scenario: Path, alone: dict[str, bytes], tmp_path: Path, cluster: Any
) -> None:
    assert plan(scenario, tmp_path / "plan", Machines(cluster=cluster.scheduler_address)) == alone


@pytest.mark.filterwarnings("default")
def test_a_cluster_whose_worker_is_killed_makes_the_same_plan(
    scenario: Path, alone: dict[str, bytes], tmp_path: Path, cluster: Any
) -> None:
    killed: list[int] = []

    def kill_one(stage: str, done: int, total: int) -> None:
        if stage == "fleet" and not killed:
            killed.append(next(iter(cluster.workers.values())).pid)
            os.kill(killed[0], signal.SIGKILL)

    out = tmp_path / "plan"
    machines = Machines(cluster=cluster.scheduler_address)
    _, files = plan_folder(scenario, out, machines=machines, progress=kill_one)
    assert killed
    assert {n: (out / n).read_bytes() for n in files if n != "timings.json"} == alone
