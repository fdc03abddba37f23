"""Small whole numbers that stand for kinds of rows and columns, and the kinds among them."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from planner.designs.inputs import BoolArray, IntArray


def distinct(code: IntArray, size: int) -> tuple[IntArray, IntArray]:
    """The codes that occur, rising, and the place of each code among them.

    Like `np.unique` with its inverse, without sorting: of codes below a `size` that is no more than some
    ten thousand.
    """
    seen = np.zeros(size, dtype=bool)
    seen[code] = True
    found = np.flatnonzero(seen)
    place = np.empty(size, dtype=np.int64)
    place[found] = np.arange(len(found))
    return found, place[code]


def starts(*columns: NDArray[np.generic]) -> BoolArray:
    """Rows that differ from the row before in some column; the first does."""
    differs = np.zeros(len(columns[0]), dtype=bool)
    differs[:1] = True
    for column in columns:
        differs[1:] |= column[1:] != column[:-1]
    return differs


def ranked(*columns: NDArray[Any]) -> tuple[IntArray, IntArray]:
    """Kinds of rows that are alike in all columns, by the first column, then the next: one row of each, and
    the kind of every row."""
    order = np.lexsort(columns[::-1])
    first = starts(*(column[order] for column in columns))
    kind = np.empty(len(order), dtype=np.int64)
    kind[order] = np.cumsum(first) - 1
    return order[first], kind
