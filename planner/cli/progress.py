"""Progress of long work on standard error, on terminals only."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def progress(*, quiet: bool) -> Iterator[Callable[[str, int, int], None]]:
    """A reporter `(stage, done, total)` that draws a bar with the time left; silent in pipes."""
    if quiet or not sys.stderr.isatty():
        yield lambda stage, done, total: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn

    parts = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn(), TimeRemainingColumn())
    with Progress(*parts, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("read", total=None)
        yield lambda stage, done, total: bar.update(
            task, description=stage, completed=done, total=total if total > 1 else None
        )
