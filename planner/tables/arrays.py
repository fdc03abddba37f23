"""Arrays by name in a zip archive, each as a file of NumPy's own; none that holds objects, so no code."""

import io
import zipfile
from collections.abc import Collection, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from planner.tables.archive import UNPACKED_MAX_BYTES, unpack

#: Of arrays by name: the kind of their numbers, and a letter for the size of each dimension.
Shapes = Mapping[str, tuple[type[np.generic], str]]
SUFFIX = ".npy"
DAY_ONE = (1980, 1, 1, 0, 0, 0)  # the same bytes on any day; a zip archive knows none before
LEVEL = 3  # of deflate: half the time of its usual 6; sketches take 8 kB a site instead of 5


def pack_arrays(arrays: Mapping[str, NDArray[Any]], *, stored: Collection[str] = ()) -> bytes:
    """An archive that `numpy.load` reads too; arrays that packing would not make smaller are `stored`."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        for name, values in arrays.items():
            member, entry = io.BytesIO(), zipfile.ZipInfo(f"{name}{SUFFIX}", DAY_ONE)
            np.lib.format.write_array(member, np.asarray(values), allow_pickle=False)
            way = zipfile.ZIP_STORED if name in stored else zipfile.ZIP_DEFLATED
            archive.writestr(entry, member.getvalue(), way, LEVEL)
    return stream.getvalue()


def unpack_arrays(data: bytes, *, most_bytes: int = UNPACKED_MAX_BYTES) -> dict[str, NDArray[Any]]:
    """What was packed.

    Raises
    ------
    ArchiveError, ValueError
        It was not.
    """
    return {
        name.removesuffix(SUFFIX): np.load(io.BytesIO(one), allow_pickle=False)
        for name, one in unpack(data, most_bytes=most_bytes).items()
    }


def sizes_of(
    arrays: Mapping[str, NDArray[Any]], shapes: Shapes, sizes: Mapping[str, int] | None = None
) -> dict[str, int]:
    """Size by letter of arrays of these shapes, some known before.

    Raises
    ------
    ValueError, KeyError
        An array is of another kind or size, or is not there.
    """
    found = dict(sizes or {})
    for name, (kind, letters) in shapes.items():
        one = arrays[name]
        if not np.issubdtype(one.dtype, kind) or one.ndim != len(letters):
            raise ValueError(f"{name} is of another kind")
        for letter, size in zip(letters, one.shape, strict=True):
            if found.setdefault(letter, size) != size:
                raise ValueError(f"{name} is of another size")
    return found
