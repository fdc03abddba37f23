"""Arrow's arrays of plain values. `pyarrow.array` loads pandas first, longer work than a plan's tables."""

import datetime
from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal
from typing import Any

import numpy as np
from numpy.typing import NDArray

EPOCH = datetime.date(1970, 1, 1)  # from which Arrow counts days
WIDTH, PRECISION = 16, 38  # bytes and digits of a decimal


def arrow_array(values: Sequence[Any], kind: type, *, scale: int = 0) -> Any:
    """An array of texts, truth values, numbers, dates or Decimals of a scale, or None where there is none.

    Raises
    ------
    OverflowError
        A number is too large for its kind.
    """
    import pyarrow as pa

    if kind is str:
        builder = pa.lib.StringBuilder()
        builder.append_values(values)
        return builder.finish()
    if kind is Decimal:
        words = b"".join(_decimal(value or Decimal(0), scale) for value in values)
        return _made(pa.decimal128(PRECISION, scale), values, words)
    types = {bool: pa.bool_(), int: pa.int64(), float: pa.float64(), datetime.date: pa.date32()}
    return _made(types[kind], values, WORDS[kind](values))


def _made(kind: Any, values: Sequence[Any], words: bytes) -> Any:
    import pyarrow as pa

    there = np.array([value is not None for value in values], dtype=bool)
    known = None if there.all() else pa.py_buffer(_bits(there))
    return pa.Array.from_buffers(kind, len(values), [known, pa.py_buffer(words)])


def _bits(truths: NDArray[np.bool_]) -> bytes:
    return bytes(np.packbits(truths, bitorder="little"))


def _decimal(value: Decimal, scale: int) -> bytes:
    """A Decimal of no more decimals than the scale; exact, where arithmetic of Decimals would round."""
    sign, digits, exponent = value.as_tuple()
    assert isinstance(exponent, int)  # of a number
    whole: int = int("".join(map(str, digits))) * 10 ** (scale + exponent)
    if whole >= 10**PRECISION:
        raise OverflowError(f"{value} has more than {PRECISION} digits")
    return (-whole if sign else whole).to_bytes(WIDTH, "little", signed=True)


WORDS: Mapping[type, Callable[[Sequence[Any]], bytes]] = {
    bool: lambda values: _bits(np.array([value is True for value in values], dtype=bool)),
    int: lambda values: np.array([value or 0 for value in values], dtype="<i8").tobytes(),
    float: lambda values: np.array(
        [0.0 if value is None else value for value in values], dtype="<f8"
    ).tobytes(),
    datetime.date: lambda values: np.array(
        [0 if value is None else (value - EPOCH).days for value in values], dtype="<i4"
    ).tobytes(),
}
