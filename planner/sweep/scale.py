"""Scales of a sweep's picture: where values stand along an axis, 0 to 1, and which marks have a label."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import ceil, floor, log10

MARKS_MAX = 7  # labels along an axis
#: Marked losses of each decade, in tenths of it; more of them where all losses lie near each other.
LOSSES, FINE_LOSSES = ("10", "5", "2"), ("10", "8", "6", "5", "4", "3", "2", "1.5")
NEAR = 5.0  # greatest loss over the least
APART = 0.15  # least distance of two labels from each other
DIGITS = 6  # of a simulated availability


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """An axis: its name, the place of each value given, and labelled marks."""

    name: str
    places: Sequence[float | None]
    marks: Sequence[tuple[float, str]]


def in_order(name: str, values: Sequence[str], among: Sequence[str]) -> Scale:
    """Values of a figure varied: by size where all are numbers, else evenly in the order given."""
    try:
        numbers = [float(value) for value in values]
    except ValueError:
        numbers = [float(at) for at in range(len(values))]
    low, high = min(numbers), max(numbers)
    at = [(number - low) / (high - low) if high > low else 0.5 for number in numbers]
    known = dict(zip(values, at, strict=True))
    every = -(-len(values) // MARKS_MAX)
    marks = [(place, value) for place, value in list(zip(at, values, strict=True))[::every]]
    return Scale(name=name, places=[known[value] for value in among], marks=marks)


def by_nines(name: str, availabilities: Sequence[float | None]) -> Scale | None:
    """Availabilities by the logarithm of the loss, which each nine divides by ten; None where all are alike.

    No loss at all stands one step beyond the least loss.
    """
    losses = [None if one is None else round(1.0 - one, DIGITS) for one in availabilities]
    known = {loss for loss in losses if loss is not None}
    some = sorted(known - {0.0})
    if len(known) < 2:
        return None
    tenths = FINE_LOSSES if len(some) > 1 and some[-1] < NEAR * some[0] else LOSSES
    first, last = _step(some[-1], tenths, up=True), _step(some[0], tenths, up=False)
    if first == last:
        last += 1
    most, least = _loss(first, tenths), _loss(last + (0.0 in known), tenths)
    span = _log(most) - _log(least)

    def place(loss: Decimal | float) -> float:
        return (_log(most) - _log(loss or least)) / span

    steps = [_loss(n, tenths) for n in range(first, last + 1)]
    marks = [(place(loss), _percent(loss)) for loss in steps[:: -(-len(steps) // MARKS_MAX)]]
    if 0.0 in known:
        marks = [*(mark for mark in marks if mark[0] <= 1.0 - APART), (1.0, "no loss")]
    return Scale(name=name, places=[None if loss is None else place(loss) for loss in losses], marks=marks)


def _loss(n: int, tenths: Sequence[str]) -> Decimal:
    """The n-th loss to be marked: 1, 0.5, 0.2, 0.1, 0.05 and so on, of coarse ones."""
    decade, step = divmod(n, len(tenths))
    found: Decimal = Decimal(tenths[step]).scaleb(-decade - 1)
    return found


def _step(loss: float, tenths: Sequence[str], *, up: bool) -> int:
    """Number of the nearest of these losses that is no less than a loss, or no more."""
    n = 0
    while float(_loss(n, tenths)) > loss * (1 + 1e-9):
        n += 1
    return n - 1 if up and float(_loss(n, tenths)) < loss * (1 - 1e-9) else n


def _log(loss: Decimal | float) -> float:
    return log10(float(loss))


def _percent(loss: Decimal) -> str:
    """`99.95 %`."""
    return f"{(100 * (1 - loss)).normalize():f} %"


def rounded_marks(low: float, high: float) -> list[float]:
    """Round numbers from `low` to `high`, three to six of them; one where both are alike."""
    if high <= low:
        return [low]
    unit = 10.0 ** floor(log10(high - low))
    for step in (unit * factor for factor in (2.0, 1.0, 0.5, 0.2, 0.1)):
        marks = [n * step for n in range(ceil(low / step - 1e-9), floor(high / step + 1e-9) + 1)]
        if len(marks) >= 3:
            return marks
    return [low, high]
