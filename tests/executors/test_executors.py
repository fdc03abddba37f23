"""Executors against plain sums: batches stay with their worker, and survive its death."""

import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from planner.errors import WorkerError
from planner.executors import Executor, InProcess, each, make_executor
from planner.executors.processes import Processes
from tests.executors.work import Numbers, die, fail, marked, scaled, scaled_or_die, total, total_or_die

PARTS = [[b, b + 1] for b in range(5)]
SUMS = [3 * (2 * b + 1) for b in range(5)]


@pytest.fixture(params=[1, 2])
def executor(request: pytest.FixtureRequest) -> Iterator[Executor]:
    made = make_executor(Numbers, 3, PARTS, sites=10, workers=request.param)
    yield made
    made.close()


def test_results_come_in_order_from_batches_that_stay(executor: Executor) -> None:
    for again in (1, 2):
        found = list(executor.run(total, [(100 * b,) for b in range(5)]))
        assert [value for value, _, _ in found] == [SUMS[b] + 100 * b for b in range(5)]
        assert [calls for _, calls, _ in found] == [again] * 5
    workers = [pid for _, _, pid in found]
    assert len(set(workers)) == (1 if isinstance(executor, InProcess) else 2)


def test_work_in_processes_begins_before_its_results_are_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    executor, begun, submit = Processes(Numbers, 3, PARTS, workers=2), list[int](), Processes._submit
    monkeypatch.setattr(Processes, "_submit", lambda s, b, *more: begun.append(b) or submit(s, b, *more))
    results = executor.run(total, [(0,)] * 5)
    assert begun == list(range(5))
    assert [value for value, _, _ in results] == SUMS
    executor.close()


def test_what_work_raises_is_raised(executor: Executor) -> None:
    with pytest.raises(ValueError, match="batch of 2"):
        list(executor.run(fail, [()] * 5))
    assert [value for value, _, _ in executor.run(total, [(0,)] * 5)] == SUMS


def test_a_killed_worker_is_replaced_and_makes_its_batches_again(tmp_path: Path) -> None:
    executor = Processes(Numbers, 3, PARTS, workers=2)
    first = list(executor.run(total, [(0,)] * 5))
    assert list(executor.run(total_or_die, [(str(tmp_path / "mark"),)] * 5)) == SUMS
    assert (tmp_path / "mark").exists()
    again = list(executor.run(total, [(0,)] * 5))
    executor.close()
    assert [value for value, _, _ in again] == SUMS
    assert [calls for _, calls, _ in again] == [1, 2, 1, 2, 1]  # batches 0, 2 and 4 were with the dead worker
    assert {pid for _, _, pid in first[1::2]} == {pid for _, _, pid in again[1::2]}


def test_work_of_two_kinds_outlives_a_worker_that_dies_at_the_first(tmp_path: Path) -> None:
    """One restart is enough, and the work that the dead worker had still to do is done by the new one."""
    executor = Processes(Numbers, 3, PARTS, workers=2)
    one = executor.run(total_or_die, [(str(tmp_path / "mark"),)] * 5)
    two = executor.run(total, [(10 * b,) for b in range(5)])
    assert list(one) == SUMS
    assert (tmp_path / "mark").exists()
    assert [value for value, _, _ in two] == [SUMS[b] + 10 * b for b in range(5)]
    assert sum(executor._restarts) == 1
    executor.close()


def test_a_worker_that_dies_each_time_ends_the_run() -> None:
    executor = Processes(Numbers, 3, PARTS, workers=2)
    with pytest.raises(WorkerError, match="--workers"):
        list(executor.run(die, [()] * 5))
    executor.close()


def test_an_interrupt_from_the_terminal_leaves_workers_at_work() -> None:
    """It reaches every process there; the one that leads them decides."""
    executor = Processes(Numbers, 3, PARTS, workers=2)
    first = list(executor.run(total, [(0,)] * 5))
    for worker in {pid for _, _, pid in first}:
        os.kill(worker, signal.SIGINT)
    again = list(executor.run(total, [(0,)] * 5))
    executor.close()
    assert [(value, calls + 1, pid) for value, calls, pid in first] == again


@pytest.mark.parametrize("workers", [1, 2])
def test_each_part_once_in_order(workers: int) -> None:
    found = list(each(scaled, 7, range(20), sites=1, workers=workers))
    assert [value for value, _ in found] == [7 * number for number in range(20)]
    assert (os.getpid() in {pid for _, pid in found}) == (workers == 1)


@pytest.mark.parametrize("asked", [0, 1])
def test_what_nobody_waits_for_any_more_is_left(tmp_path: Path, asked: int) -> None:
    """After an error elsewhere, a process that ends would else wait for work that it has no use for."""
    every = each(marked, str(tmp_path), range(300), sites=1, workers=2)
    assert [next(every) for _ in range(asked)] == list(range(asked))
    while not list(tmp_path.iterdir()):
        time.sleep(0.01)
    del every
    seen = -1
    while seen < (begun := len(list(tmp_path.iterdir()))):  # until nothing more is begun
        seen = begun
        time.sleep(0.3)
    assert begun < 300


def test_parts_that_a_dead_worker_leaves_are_made_here(tmp_path: Path) -> None:
    mark = tmp_path / "mark"
    assert list(each(scaled_or_die, str(mark), range(9), sites=1, workers=2)) == list(range(9))
    assert mark.exists()


def test_small_fleets_and_single_batches_stay_in_this_process() -> None:
    assert isinstance(make_executor(Numbers, 3, PARTS, sites=10), InProcess)
    assert isinstance(make_executor(Numbers, 3, PARTS[:1], sites=10, workers=2), InProcess)
