"""Ctrl-C: the first one ends a search with the best plan so far, the next gives up."""

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from planner.fleet.stop import Stop


@contextmanager
def stop_on_interrupt() -> Iterator[Stop]:
    """A stop that an interrupt asks once the search has begun; before that, an interrupt gives up."""
    stop = Stop()

    def handle(number: int, frame: FrameType | None) -> None:
        if not stop.begun or stop.asked:
            raise KeyboardInterrupt
        stop.ask()

    before = signal.signal(signal.SIGINT, handle)
    try:
        yield stop
    finally:
        signal.signal(signal.SIGINT, before)
