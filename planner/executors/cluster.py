"""Batches on the workers of a Dask cluster.

What all batches share, each batch's part, and each batch made of them are tasks of the cluster, so Dask makes
those anew that are lost with a worker. Work on a batch goes to the worker that holds it.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import Any

from planner.errors import WorkerError

TRIES = 5  # deaths of workers that a batch may see before the run ends
PATIENCE_S = 20  # for the scheduler to answer, and the first worker to come


class Cluster:
    """Batches as futures of a Dask scheduler."""

    def __init__(
        self, make: Callable[[Any, Any], Any], shared: Any, parts: Sequence[Any], *, address: str
    ) -> None:
        try:
            from distributed import Client
        except ImportError as error:
            raise WorkerError("--cluster needs Dask: pip install 'offgrid-fleet-planner[cluster]'") from error
        try:
            self._client = Client(address, timeout=PATIENCE_S)
        except (OSError, ValueError) as error:
            raise WorkerError(
                f"no Dask scheduler answers at {address!r} ({error}); give --cluster host:port"
            ) from error
        self._client.wait_for_workers(1, timeout=PATIENCE_S)
        common = self._client.submit(_same, shared, pure=False)
        self._batches = [self._client.submit(make, common, part, pure=False, retries=TRIES) for part in parts]

    def run(self, work: Callable[..., Any], arguments: Sequence[tuple[Any, ...]]) -> Iterator[Any]:
        """Results of every batch, in order; the work begins at once."""
        waiting = [
            self._client.submit(work, batch, *some, pure=False, retries=TRIES)
            for batch, some in zip(self._batches, arguments, strict=True)
        ]
        return self._results(waiting)

    def _results(self, waiting: list[Any]) -> Iterator[Any]:
        while waiting:
            yield waiting.pop(0).result()

    def close(self) -> None:
        """Forget the batches and leave the cluster."""
        self._batches.clear()
        self._client.close()


def _same(shared: Any) -> Any:
    return shared
