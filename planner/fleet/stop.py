"""When a search must end before its counted work is done: its time is up, or somebody asked."""

import time
from enum import StrEnum


class Ended(StrEnum):
    """Why a search ended early."""

    TIME_LIMIT = "time_limit"
    INTERRUPT = "interrupt"


class Stop:
    """Asked between steps; a search that it ends keeps the best plan it has."""

    def __init__(self) -> None:
        self.end_s = float("inf")
        self.asked = self.begun = False
        self.why: Ended | None = None

    def begin(self, limit_s: float) -> None:
        """The search begins, and may take so long, s."""
        self.begun, self.end_s = True, time.monotonic() + limit_s

    def ask(self) -> None:
        """End the search at its next step."""
        self.asked = True

    @property
    def left_s(self) -> float:
        """Seconds left."""
        return max(0.0, self.end_s - time.monotonic())

    def due(self) -> bool:
        """Whether to end now; the reason of the first time stays."""
        if self.why is None and self.asked:
            self.why = Ended.INTERRUPT
        elif self.why is None and time.monotonic() >= self.end_s:
            self.why = Ended.TIME_LIMIT
        return self.why is not None
