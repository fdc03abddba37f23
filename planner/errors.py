"""Errors a person can act on: a table of problems, and exceptions that carry one."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum


class Severity(StrEnum):
    """An error stops the plan; a warning asks for a second look."""

    ERROR = "error"
    WARNING = "warning"


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One fault of one cell, row, file or setting.

    `code` is stable kebab-case, for people who filter and machines that test; `line` counts the
    header as line 1 in text files, and rows from 1 elsewhere.
    """

    code: str
    message: str
    remedy: str
    severity: Severity = Severity.ERROR
    file: str = ""
    line: int | None = None
    column: str = ""
    value: str = ""
    rule: str = ""

    def __str__(self) -> str:
        place = ":".join(str(part) for part in (self.file, self.line, self.column) if part not in ("", None))
        shown = f" {self.value!r}" if self.value else ""
        return f"{place or 'scenario'}: {self.message}{shown} [{self.code}] {self.remedy}"


class PlannerError(Exception):
    """Base of every error the planner raises on purpose."""


class InputError(PlannerError):
    """The scenario cannot be used; carries every problem found, not the first alone."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: Sequence[Problem] = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class OutputError(PlannerError):
    """The plan folder cannot be written where it was asked for."""


class SolverError(PlannerError):
    """The solver returned no usable plan."""


class WorkerError(PlannerError):
    """The work on sites could not be done where it was asked for."""


class ServiceError(PlannerError):
    """An online service gave no usable answer; `reachable` says whether it answered at all."""

    def __init__(self, message: str, *, reachable: bool) -> None:
        self.reachable = reachable
        super().__init__(message)


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """Why a part, a kit or a site cannot be used: the rule, the value it has, the limit it meets.

    `shortfall` is the distance to the limit in `unit`, zero or more; the smallest relative
    shortfall is the nearest miss.
    """

    rule: str
    subject: str
    message: str
    value: float | None = None
    limit: float | None = None
    unit: str = ""

    @property
    def shortfall(self) -> float:
        """Distance between value and limit, in `unit`; 0 where the rule has no number."""
        if self.value is None or self.limit is None:
            return 0.0
        return abs(self.value - self.limit)
