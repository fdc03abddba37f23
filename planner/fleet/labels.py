"""The modes that each use of a SKU may be bought in, and the cheapest of them at some multipliers."""

from dataclasses import dataclass, replace

import numpy as np

from planner.fleet.buying import FloatArray, IntArray
from planner.fleet.curves import Curves
from planner.fleet.market import BoolArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Labels:
    """Labels (L) of uses (U), which come in blocks of as many labels each.

    Of a block, the first labels of all its uses come first, then the second ones, and so on: what is least
    of each use is so found at once.

    Attributes
    ----------
    mode, units, share : (L,)
        Mode, units of the use, and place of the pair of its site and the mode.
    first, step, count : (U,)
        A use's first label, how far on the next one is, and how many it has.
    ends : (B,)
        End of each block's uses.
    closed : (N,)
        Labels that are none: of modes that are closed, or of uses that no mode holds.
    """

    mode: IntArray
    units: FloatArray
    share: IntArray
    first: IntArray
    step: IntArray
    count: IntArray
    ends: IntArray
    closed: IntArray

    def cost(self, mu: FloatArray, shares: FloatArray) -> FloatArray:
        """Cost of each label (L,) at multipliers of modes (V,) and pairs (P,)."""
        each = mu[self.mode]
        each *= self.units
        each += shares[self.share]
        each[self.closed] = np.inf
        return np.asarray(each)

    def least(self, cost: FloatArray) -> FloatArray:
        """Least cost of each use (U,), from that of labels (L,)."""
        found = np.empty(len(self.first))
        begin = 0
        for end in self.ends.tolist():
            first, width = int(self.first[begin]), end - begin
            block = cost[first : first + width * int(self.count[begin])].reshape(-1, width)
            np.minimum.reduce(block, axis=0, out=found[begin:end])
            begin = end
        return found

    def cheapest(self, uses: IntArray, cost: FloatArray) -> IntArray:
        """First label of least cost of some uses (N,), from the cost of labels (L,)."""
        number = np.arange(int(self.count.max(initial=1)))[:, None]
        at = self.first[uses] + self.step[uses] * np.minimum(number, self.count[uses] - 1)
        return np.asarray(at[cost[at].argmin(axis=0), np.arange(len(uses))])

    def without(self, curves: Curves) -> "Labels":
        """The same where some modes of the curves are closed."""
        closed = np.flatnonzero(curves.high[self.mode] < self.units)
        return replace(self, closed=np.union1d(self.closed, closed))


def make_labels(
    modes: IntArray, barred: BoolArray, units: FloatArray, pair: IntArray
) -> tuple[Labels, IntArray]:
    """Labels of uses (U) with so many units, and the pairs (P,) of a site and a mode that they have.

    `modes` (U, M) are those that a use may have, but for `barred` ones, and `pair` (U, M) the numbers of
    their pairs; uses come sorted by how many they have.
    """
    fits = ~barred
    never = ~fits.any(axis=1)
    fits[never, 0] = True  # closed
    count = fits.sum(axis=1)
    ends = np.flatnonzero(np.diff(count, append=-1)) + 1
    width = np.diff(ends, prepend=0)
    size = width * count[ends - 1]
    first = np.repeat(np.cumsum(size) - size - (ends - width), width) + np.arange(len(count))
    step = np.repeat(width, width)
    use, place = np.nonzero(fits)
    rank = np.arange(len(use)) - np.repeat(np.cumsum(count) - count, count)
    order = np.argsort(first[use] + rank * step[use])
    use, place = use[order], place[order]
    pairs, share = np.unique(pair[use, place], return_inverse=True)
    labels = Labels(
        mode=modes[use, place],
        units=units[use],
        share=share,
        first=first,
        step=step,
        count=count,
        ends=ends,
        closed=first[never],
    )
    return labels, pairs
