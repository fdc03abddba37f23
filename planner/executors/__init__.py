"""Work on batches of sites: in this process, in a pool of processes, or on a Dask cluster.

A batch is made once, where its work is done, and stays there: `make(shared, part)` makes it from what all
batches share and from its own part; `work(batch, *arguments)` is then run on it, again and again. A batch may
keep what it has computed, but must give the same results without: one that is lost with its worker is made
anew.
"""

import gc
import os
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Protocol

from planner.executors.in_process import InProcess

Make = Callable[[Any, Any], Any]
Work = Callable[..., Any]
BATCH_SITES = 12  # sites of a batch: few enough to keep all workers busy to the end
COLLECT_EVERY = 200_000  # new objects before the youngest are looked through; Python's own is 700 to 10,000
COLLECT_OLDER_EVERY = 20  # such looks before older ones are
POOL_SITES = 20  # smaller fleets are done before a pool of processes has started

__all__ = [
    "BATCH_SITES", "Executor", "InProcess", "Make", "Work", "cpus", "each", "get_ready",
    "make_executor", "seek_rings_less",
]


class Executor(Protocol):
    """Runs work on every batch."""

    def run(self, work: Work, arguments: Sequence[tuple[Any, ...]]) -> Iterator[Any]:
        """Results of `work(batch, *arguments)` for each batch with its arguments, in the order of batches."""
        ...

    def close(self) -> None:
        """Let workers go."""
        ...


def seek_rings_less() -> None:
    """Let Python look for dead rings of objects less often, in a process that is the planner's own.

    A run makes millions of rows and few rings: a tenth to a fifth of its time would go into looking.
    """
    gc.set_threshold(COLLECT_EVERY, COLLECT_OLDER_EVERY, COLLECT_OLDER_EVERY)


def cpus() -> int:
    """Processors that this process may use."""
    affinity = getattr(os, "sched_getaffinity", None)
    return len(affinity(0)) if affinity else os.cpu_count() or 1


def get_ready(make: Make, *, sites: int, workers: int | None = None, cluster: str | None = None) -> None:
    """Let worker processes load while other work goes on, where `make_executor` will want some."""
    if cluster is None and _processes(sites, workers) > 1:
        from planner.executors.processes import start_server

        start_server(make)


def _processes(sites: int, workers: int | None) -> int:
    """Processes asked for, or as many as the fleet deserves."""
    return workers or (cpus() if sites > POOL_SITES else 1)


def each(
    work: Make, shared: Any, parts: Sequence[Any], *, sites: int, workers: int | None = None
) -> Iterator[Any]:
    """`work(shared, part)` of each part once, in order; in processes where `make_executor` has some."""
    number = min(_processes(sites, workers), len(parts))
    if number <= 1:
        return (work(shared, part) for part in parts)
    from planner.executors.processes import each_in_processes

    return each_in_processes(work, shared, parts, workers=number)


def make_executor(
    make: Make,
    shared: Any,
    parts: Sequence[Any],
    *,
    sites: int,
    workers: int | None = None,
    cluster: str | None = None,
) -> Executor:
    """The executor asked for.

    Parameters
    ----------
    make, shared, parts
        What batches are made of; all must be picklable for workers elsewhere.
    sites : int
        In all batches.
    workers : int or None
        Processes; 1: this one; None: one for each processor, for fleets of more than `POOL_SITES`.
    cluster : str or None
        Address of a Dask scheduler, which takes precedence.

    Raises
    ------
    WorkerError
        No cluster answers there, or the extra `cluster` is not installed.
    """
    if cluster is not None:
        from planner.executors.cluster import Cluster

        return Cluster(make, shared, parts, address=cluster)
    number = min(_processes(sites, workers), len(parts))
    if number <= 1:
        return InProcess(make, shared, parts)
    from planner.executors.processes import Processes

    return Processes(make, shared, parts, workers=number)
