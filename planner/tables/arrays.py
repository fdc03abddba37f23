"""Arrays by name in a zip archive, each as a file of NumPy's own; none that holds objects, so no code."""

import io
import zipfile
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from planner.tables.archive import UNPACKED_MAX_BYTES, unpack

SUFFIX = ".npy"
DAY_ONE = (1980, 1, 1, 0, 0, 0)  # the same bytes on any day; a zip archive knows none before
LEVEL = 3  # of deflate: half the time of its usual 6; sketches take 8 kB a site instead of 5


def pack_arrays(arrays: Mapping[str, NDArray[Any]]) -> bytes:
    """An archive that `numpy.load` reads too. Plain bytes are taken to be packed already."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        for name, values in arrays.items():
            member, entry = io.BytesIO(), zipfile.ZipInfo(f"{name}{SUFFIX}", DAY_ONE)
            np.lib.format.write_array(member, np.asarray(values), allow_pickle=False)
            packed = zipfile.ZIP_STORED if values.dtype == np.uint8 else zipfile.ZIP_DEFLATED
            archive.writestr(entry, member.getvalue(), packed, LEVEL)
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
