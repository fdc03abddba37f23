"""Which assemblies of boxes another one beats whatever the prices, batteries and sites are."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

EPS = 1e-9
ROUND = 6  # places of sums: those of equals are equal


@dataclass(frozen=True, slots=True, kw_only=True)
class Merits:
    """What counts in a comparison: boxes, mean W by schedule, further numbers that are better when less."""

    units: Counter[str]
    watts: dict[str, float]
    costs: tuple[float, ...]


def undominated(merits: Sequence[Merits]) -> NDArray[np.bool_]:
    """Which ones none beats (N,): a part of the same boxes and no number worse; of equals, the first stays.

    Boxes are compared by SKU, as any price may change: a kit with fewer boxes of another SKU beats nothing.
    """
    skus = sorted({sku for one in merits for sku in one.units})
    schedules = sorted({name for one in merits for name in one.watts})
    table = np.array(
        [
            [one.units.get(sku, 0) for sku in skus]
            + [one.watts.get(name, 0.0) for name in schedules]
            + list(one.costs)
            for one in merits
        ]
    )
    # Only what comes to no more altogether can beat a row, so each is compared with the kept ones before it.
    order = np.argsort(table.sum(axis=1).round(ROUND), kind="stable")
    kept, number = np.empty((table.shape[1], len(merits))), 0  # numbers of one kind side by side
    keep = np.ones(len(merits), dtype=bool)
    for i in order.tolist():
        keep[i] = not (kept[:, :number] <= table[i, :, None] + EPS).all(axis=0).any()
        if keep[i]:
            kept[:, number] = table[i]
            number += 1
    return keep
