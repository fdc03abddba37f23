"""Grey spells: the only days on which a battery can fail.

Between two dusks at which the battery is full lies a spell. Let d be the deficit that an endless battery
would have, from full, with the load always on:

    d[t+1] = e[t] + dark[t+1]                        at dawn, the day's deepest
    e[t+1] = max(0, d[t+1] - gain[t+1])              at dusk; 0 is full (the queue of Lindley 1952)
           = X[t+1] - min(0, X[1], ..., X[t+1]),     X the running sum of dark - gain

so that a hundred years of a column are a cumulative sum and a cumulative minimum. Three facts follow:

1. A battery of any size is at least as full as the endless one is (a disconnected load takes less, and a
   charge never leaves a full battery's reach), so it is full wherever the endless one is: spells can be
   simulated apart, each from a full battery.
2. The peak of d over all spells is the least battery that never fails (sequent peak: Thomas and Burden 1963).
3. In a spell of peak P, a battery B < P leaves at least P - B unserved, whatever it does; one of B >= P
   leaves nothing. So spells with P <= B can be left out, and the sum of (P - B) over the others bounds the
   battery from below.

Self-discharge depends on the battery. The endless battery's deficit takes it as if the largest battery asked
about stood full, so facts 1 and 2 err to the safe side; fact 3 takes none.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from planner.reliability.store import Floats

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Spells:
    """Spells (N,) of one column: first dusk, days, deepest deficit, and the same without self-discharge."""

    start: IntArray
    length: IntArray
    peak: FloatArray
    peak_least: FloatArray

    def moved(self, start: IntArray) -> "Spells":
        """The same with other first dusks."""
        return replace(self, start=start)

    def ending_after(self, dusk: int) -> "Spells":
        """Those that end at a later dusk."""
        late = self.start + self.length > dusk
        return Spells(**{name: getattr(self, name)[late] for name in self.__dataclass_fields__})

    def dates(self) -> IntArray:
        """All their days, in order."""
        before = np.cumsum(self.length) - self.length
        return np.asarray(np.arange(self.length.sum()) + np.repeat(self.start + 1 - before, self.length))


def find_spells(
    gain: Floats, dark: Floats, *, drain: float = 0.0, deeper_than: float = 0.0
) -> Spells:
    """Spells of a column that begins with a full battery at the dusk of day 0.

    Parameters
    ----------
    gain, dark : (T,)
        What each day charges, and what the dark before it takes; those of day 0 are not used.
    drain : float
        Self-discharge a day.
    deeper_than : float
        Spells of no greater peak are left out.
    """
    rise = (dark - gain).astype(np.float64) + drain
    rise[0] = 0.0
    total = np.cumsum(rise)
    dusk = total - np.minimum.accumulate(total)
    dawn = dusk[:-1] + dark[1:] + drain  # of day t + 1
    full = np.flatnonzero(dusk == 0.0)
    deep = np.flatnonzero(dawn > deeper_than)
    spell = np.searchsorted(full, deep, side="right") - 1
    first = np.flatnonzero(np.diff(spell, prepend=-1))  # of the deep days of each spell
    start = full[spell[first]]
    end = np.append(full, len(dawn))[spell[first] + 1]
    drained = drain * (deep - full[spell] + 1)
    return Spells(
        start=start, length=end - start, peak=_greatest(dawn[deep], first),
        peak_least=_greatest(dawn[deep] - drained, first),
    )


def _greatest(values: FloatArray, first: IntArray) -> FloatArray:
    """Greatest value of each run that begins at `first`."""
    return np.maximum.reduceat(values, first) if len(first) else np.zeros(0)


def least_battery(peak: FloatArray, unserved: float) -> float:
    """Battery below which spells of these peaks leave more than `unserved` for certain.

    The root B of `sum(max(peak - B, 0)) = unserved`: the greatest of `(P1 + ... + Pj - unserved) / j` over
    the j highest peaks.
    """
    highest = -np.sort(-peak)
    if not len(highest):
        return 0.0
    return float(np.max((np.cumsum(highest) - unserved) / np.arange(1, len(highest) + 1)))
