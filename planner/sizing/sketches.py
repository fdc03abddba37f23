"""Sketches of sites as bytes, to travel and to be kept; what is read back is checked.

No price decides a sketch, so it serves a plan at other prices too. A plan's folder may come from a stranger:
sketches are arrays alone, and each of their numbers must be a place that there is.
"""

from collections.abc import Mapping, Sequence
from itertools import accumulate
from math import prod
from typing import Any

import numpy as np
from numpy.typing import NDArray

from planner.designs import Sketch
from planner.fleet.shortlist import Draft
from planner.sizing.ground import Fleet
from planner.sizing.site import drafts
from planner.tables.arrays import Shapes, pack_arrays, sizes_of, unpack_arrays

BATCH_MAX_BYTES = 256 << 20  # of a batch's sketches unpacked: hundreds of times what they take
#: With sizes as named in `Sketch`.
SHAPES: Shapes = {
    "kit_l": (np.float64, "J"),
    **dict.fromkeys(("band", "battery", "series", "most", "level"), (np.int16, "P")),
    "blocks": (np.uint8, "PO"),
    **dict.fromkeys(("module", "controller", "draw"), (np.int16, "N")),
    **dict.fromkeys(("modules", "controllers", "charge"), (np.uint8, "LN")),
}
#: Beside the numbers of all sketches (N): sites (S), and the shape of each array of one or two dimensions.
PACKED: Shapes = {
    **dict.fromkeys(("site", "number"), (np.int64, "S")),
    **{f"{name}_shape": (np.int64, f"N{len(sizes)}") for name, (_, sizes) in SHAPES.items()},
}
#: What the numbers of an array are places in.
PLACES = {
    "band": "J", "battery": "B", "level": "L", "module": "M", "controller": "C", "draw": "O",
}  # fmt: skip


def pack_sketches(sites: Mapping[int, Sequence[Sketch]]) -> bytes:
    """Sketches by site; the same ones give the same bytes."""
    every = [sketch for some in sites.values() for sketch in some]
    arrays: dict[str, NDArray[Any]] = {
        "site": np.array(list(sites), dtype=np.int64),
        "number": np.array([len(some) for some in sites.values()], dtype=np.int64),
    }
    for name, (kind, sizes) in SHAPES.items():
        parts = [getattr(sketch, name) for sketch in every]
        arrays[name] = np.concatenate([np.zeros(0, kind), *(part.ravel() for part in parts)])
        shapes = np.array([part.shape for part in parts], dtype=np.int64)
        arrays[f"{name}_shape"] = shapes.reshape(len(parts), len(sizes))
    return pack_arrays(arrays)


def unpack_sketches(data: bytes) -> dict[int, list[Sketch]]:
    """What was packed.

    Raises
    ------
    ValueError, KeyError
        It was not.
    """
    a = unpack_arrays(data, most_bytes=BATCH_MAX_BYTES)
    sizes_of(a, PACKED, {"1": 1, "2": 2})
    columns = {name: _parts(a[name], a[f"{name}_shape"], kind) for name, (kind, _) in SHAPES.items()}
    every = [
        Sketch(**dict(zip(columns, one, strict=True))) for one in zip(*columns.values(), strict=True)
    ]
    numbers = a["number"].tolist()
    if sum(numbers) != len(every):
        raise ValueError("sketches are left over")
    ends = accumulate(numbers)
    sites = zip(a["site"].tolist(), numbers, ends, strict=True)
    return {site: every[end - number : end] for site, number, end in sites}


def _parts(flat: NDArray[Any], shapes: NDArray[Any], kind: type[np.generic]) -> list[NDArray[Any]]:
    """Arrays of some shapes (n, dimensions) that stand one after the other."""
    sizes = [prod(shape) for shape in shapes.tolist()]
    if flat.dtype != kind or flat.ndim != 1 or (shapes < 0).any() or sum(sizes) != len(flat):
        raise ValueError("sketches are of another kind or size")
    ends = list(accumulate(sizes))
    return [
        flat[end - size : end].reshape(shape)
        for end, size, shape in zip(ends, sizes, shapes.tolist(), strict=True)
    ]


def kept_drafts(fleet: Fleet, i: int, sketches: Sequence[Sketch]) -> list[Draft]:
    """Drafts of the i-th site, known to have designs, with sketches that were kept.

    Raises
    ------
    ValueError
        The sketches are not of this site's kits and parts.
    """
    found = list(drafts(fleet, i, fleet.gear[i], known=True, sketches=sketches))
    if len(found) != len(sketches) or not all(map(fits, found)):
        raise ValueError("sketches are of other sites")
    return found


def fits(draft: Draft) -> bool:
    """Whether a draft's sketch is of its bands and parts, and no number in it leads astray.

    Raises
    ------
    ValueError
        Its arrays are of another kind or size.
    """
    sketch, parts = arrays_of(draft.sketch), draft.parts
    kits = draft.bands.least
    counts = len(kits), len(parts.module), len(parts.battery), len(parts.controller)
    sizes = sizes_of(sketch, SHAPES, dict(zip("JMBC", counts, strict=True)))
    bands, _, batteries, controllers = counts
    rows = bands * batteries * max(1, controllers)  # one for each setpoint of a controller at most
    pairs = sketch["module"].astype(np.int64) * controllers + sketch["controller"]
    return (
        sizes["P"] <= rows
        and sizes["L"] <= rows
        and sizes["O"] <= controllers
        and bool((np.diff(pairs) > 0).all())
        and np.array_equal(sketch["kit_l"], [kit.volume_l for kit in kits])
        and all(int(sketch[name].max(initial=-1)) < sizes[of] for name, of in PLACES.items())
        and all(one.min(initial=0) >= 0 for one in sketch.values())
    )


def arrays_of(sketch: Sketch) -> dict[str, NDArray[Any]]:
    """A sketch's arrays by name."""
    return {name: getattr(sketch, name) for name in SHAPES}


def alike(one: Sequence[Draft], other: Sequence[Draft]) -> bool:
    """Whether drafts have the same sketches."""
    return len(one) == len(other) and all(
        np.array_equal(mine, theirs)
        for a, b in zip(one, other, strict=True)
        for mine, theirs in zip(arrays_of(a.sketch).values(), arrays_of(b.sketch).values(), strict=True)
    )
