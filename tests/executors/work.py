"""Batches and work on them that spawned workers can import."""

import os
import signal
import time
from pathlib import Path


class Numbers:
    """A batch: numbers, and how often work was done on this copy of it."""

    def __init__(self, factor: int, numbers: list[int]) -> None:
        self.numbers = [factor * n for n in numbers]
        self.calls = 0


def total(batch: Numbers, more: int) -> tuple[int, int, int]:
    """Sum of a batch and something; how often it was asked, and in which process."""
    batch.calls += 1
    return sum(batch.numbers) + more, batch.calls, os.getpid()


def total_or_die(batch: Numbers, mark: str) -> int:
    """Sum of a batch; the worker that first finds no mark leaves one and kills itself."""
    if batch.numbers[0] == 0 and not Path(mark).exists():
        Path(mark).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return sum(batch.numbers)


def scaled(factor: int, number: int) -> tuple[int, int]:
    """A product, and the process it was made in."""
    return factor * number, os.getpid()


def scaled_or_die(mark: str, number: int) -> int:
    """A number; the process that comes to 3 before there is a mark leaves one and kills itself."""
    if number == 3 and not Path(mark).exists():
        Path(mark).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def marked(folder: str, number: int) -> int:
    """A number, some time after a mark of it stands in a folder."""
    (Path(folder) / str(number)).touch()
    time.sleep(0.02)
    return number


def die(batch: Numbers) -> None:
    """Kill the worker, always."""
    os.kill(os.getpid(), signal.SIGKILL)


def fail(batch: Numbers) -> None:
    """Raise what work may raise."""
    raise ValueError(f"batch of {len(batch.numbers)}")
