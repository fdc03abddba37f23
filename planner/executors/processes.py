"""Batches in worker processes of this machine, each with the same worker throughout.

Every worker is a pool of one process, so that a batch meets again what it has computed. A worker that dies
is started anew and makes its batches again.

Workers are forked from a server, a process that has loaded the modules of the work and does nothing else, so
that each begins at once. They are not forked from this one: a fork copies the locks of threads that it does
not copy, such as those that draw the progress. Where there is no such server, each is spawned.
"""

import os
import pickle
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError, Future, ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from multiprocessing import get_all_start_methods, get_context, parent_process
from threading import Thread
from typing import Any

from planner.errors import WorkerError
from planner.executors import seek_rings_less

START_METHOD = "forkserver" if "forkserver" in get_all_start_methods() else "spawn"
Sent = tuple[ProcessPoolExecutor, "Future[Any]"]  # work, and the pool that it was given to
RESTARTS_MAX = 5  # of one worker; a batch that kills it each time must end the run

#: In a worker: how batches are made, and those made. Empty elsewhere.
_making: list[tuple[Callable[[Any, Any], Any], Any]] = []
_batches: dict[int, Any] = {}


def start_server(make: Callable[[Any, Any], Any]) -> None:
    """Let the server load the module that makes batches, if there is one to start; returns at once.

    An interrupt from the terminal reaches every process there; who leads the workers decides what it ends.
    """
    if START_METHOD != "forkserver":
        return
    from multiprocessing import forkserver, resource_tracker

    resource_tracker.ensure_running()  # first, as its start lets through what is blocked below
    get_context(START_METHOD).set_forkserver_preload([make.__module__])
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})  # server and workers inherit it
    try:
        forkserver.ensure_running()
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _begin(packed: bytes) -> None:
    """Take on how batches are made, and what they share: packed once for all workers."""
    seek_rings_less()
    Thread(target=_leave_with_leader, daemon=True).start()
    _making[:] = [pickle.loads(packed)]


def _leave_with_leader() -> None:
    """End this worker when the process that leads it has died without a word."""
    leader = parent_process()
    if leader is not None:
        leader.join()
        os._exit(1)


def _run(number: int, part: Any, work: Callable[..., Any], some: tuple[Any, ...]) -> Any:
    """Work on a batch, in the worker; its part comes with the first work on it."""
    if number not in _batches:
        make, shared = _making[0]
        _batches[number] = make(shared, part)
    return work(_batches[number], *some)


def each_in_processes(
    work: Callable[[Any, Any], Any], shared: Any, parts: Sequence[Any], *, workers: int
) -> Iterator[Any]:
    """`work(shared, part)` of each part, in order; here, for those that a worker which dies leaves behind.

    The workers begin at once, whenever the results are asked for; where nobody wants them any more, what is
    not begun is left.
    """
    start_server(work)
    context, begin = get_context(START_METHOD), pickle.dumps((work, shared))
    pool = ProcessPoolExecutor(workers, context, initializer=_begin, initargs=(begin,))
    starter = ThreadPoolExecutor(1)  # a process is there when the server has loaded; not to wait for that
    results = starter.submit(pool.map, _once, parts)
    starter.shutdown(wait=False)
    every = _with_rest(pool, results, work, shared, parts)
    next(every)  # begun: it lets the workers go, even if no result is ever asked for
    return every


def _with_rest(
    pool: ProcessPoolExecutor,
    results: "Future[Iterator[Any]]",
    work: Callable[[Any, Any], Any],
    shared: Any,
    parts: Sequence[Any],
) -> Iterator[Any]:
    """First nothing, then the results."""
    done = 0
    with suppress(BrokenProcessPool):
        try:
            yield None
            for result in results.result():
                done += 1
                yield result
        finally:
            pool.shutdown(cancel_futures=True)
    yield from (work(shared, part) for part in parts[done:])


def _once(part: Any) -> Any:
    """A part's result, in the worker."""
    work, shared = _making[0]
    return work(shared, part)


class Processes:
    """A fixed number of workers; batch b is always with worker b modulo that number."""

    def __init__(
        self, make: Callable[[Any, Any], Any], shared: Any, parts: Sequence[Any], *, workers: int
    ) -> None:
        start_server(make)
        self._begin, self._parts = pickle.dumps((make, shared)), parts
        self._pools = [self._pool() for _ in range(workers)]
        self._known: list[set[int]] = [set() for _ in range(workers)]  # batches that a worker has
        self._restarts = [0] * workers

    def _pool(self) -> ProcessPoolExecutor:
        return ProcessPoolExecutor(1, get_context(START_METHOD), initializer=_begin, initargs=(self._begin,))

    def run(self, work: Callable[..., Any], arguments: Sequence[tuple[Any, ...]]) -> Iterator[Any]:
        """Results of every batch, in order; the work begins at once, whenever they are asked for.

        Raises
        ------
        WorkerError
            A worker died again and again.
        """
        waiting = {b: self._submit(b, work, some) for b, some in enumerate(arguments)}
        return self._results(waiting, work, arguments)

    def _results(
        self, waiting: dict[int, Sent], work: Callable[..., Any], arguments: Sequence[tuple[Any, ...]]
    ) -> Iterator[Any]:
        for b in range(len(arguments)):
            while True:
                pool, future = waiting[b]
                try:
                    result = future.result()
                    break
                except (BrokenProcessPool, CancelledError):
                    if pool is self._pools[b % len(self._pools)]:  # or it was restarted for other work
                        self._restart(b % len(self._pools))
                    lost = range(b, len(arguments), len(self._pools))
                    waiting |= {i: self._submit(i, work, arguments[i]) for i in lost if not _done(waiting[i])}
            del waiting[b]
            yield result

    def _submit(self, b: int, work: Callable[..., Any], some: tuple[Any, ...]) -> Sent:
        worker = b % len(self._pools)
        part = None if b in self._known[worker] else self._parts[b]
        try:
            future = self._pools[worker].submit(_run, b, part, work, some)
        except BrokenProcessPool:  # it died between two runs
            self._restart(worker)
            future = self._pools[worker].submit(_run, b, self._parts[b], work, some)
        self._known[worker].add(b)
        return self._pools[worker], future

    def _restart(self, worker: int) -> None:
        self._restarts[worker] += 1
        if self._restarts[worker] > RESTARTS_MAX:
            raise WorkerError(
                f"a worker process died {self._restarts[worker]} times, perhaps for lack of memory; "
                "try fewer of them with --workers"
            )
        self._pools[worker].shutdown(wait=False, cancel_futures=True)
        self._pools[worker], self._known[worker] = self._pool(), set()

    def close(self) -> None:
        """Let the workers end."""
        for pool in self._pools:
            pool.shutdown(cancel_futures=True)


def _done(sent: Sent) -> bool:
    """Whether work has a result, rather than a dead worker."""
    _, future = sent
    return future.done() and not future.cancelled() and not isinstance(future.exception(), BrokenProcessPool)
