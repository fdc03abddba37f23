"""Batches in this process, one after the other."""

from collections.abc import Callable, Iterator, Sequence
from typing import Any


class InProcess:
    """Makes every batch on first use and keeps it."""

    def __init__(self, make: Callable[[Any, Any], Any], shared: Any, parts: Sequence[Any]) -> None:
        self._make, self._shared, self._parts = make, shared, parts
        self._batches: dict[int, Any] = {}

    def run(self, work: Callable[..., Any], arguments: Sequence[tuple[Any, ...]]) -> Iterator[Any]:
        """Results of every batch, in order."""
        for number, some in enumerate(arguments):
            if number not in self._batches:
                self._batches[number] = self._make(self._shared, self._parts[number])
            yield work(self._batches[number], *some)

    def close(self) -> None:
        """Nothing to let go."""
