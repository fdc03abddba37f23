"""The figures of supply kits that decide designs, as arrays."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import overload

import numpy as np
from numpy.typing import NDArray

from planner.demand import SupplyKit
from planner.tables.rows import BusGrounding

FIGURES = (
    "input_min_v",
    "input_max_v",
    "max_current_a",
    "surge_current_a",
    "load_terminal",
    "volume_l",
    "temp_min_c",
    "temp_max_c",
)


@dataclass(frozen=True, slots=True, eq=False)
class Kits(Sequence[SupplyKit]):
    """Kits (K), whose figures are worked out once: many sites ask for them.

    `figures` has each of `FIGURES` (K,), `grounded` the kits whose boxes accept an earthed pole (K,). Kits of
    the same number in `window` (K,) accept the same window of the bus.
    """

    every: tuple[SupplyKit, ...]
    figures: dict[str, NDArray[np.float64]] = field(repr=False)
    grounded: dict[BusGrounding, NDArray[np.bool_]] = field(repr=False)
    window: NDArray[np.int64] = field(repr=False)

    @overload
    def __getitem__(self, k: int) -> SupplyKit: ...
    @overload
    def __getitem__(self, k: slice) -> tuple[SupplyKit, ...]: ...
    def __getitem__(self, k: int | slice) -> SupplyKit | tuple[SupplyKit, ...]:
        return self.every[k]

    def __len__(self) -> int:
        return len(self.every)

    def take(self, places: NDArray[np.int64]) -> "Kits":
        """The kits at some places."""
        return Kits(
            tuple(self.every[k] for k in places.tolist()),
            {name: values[places] for name, values in self.figures.items()},
            {pole: kits[places] for pole, kits in self.grounded.items()},
            self.window[places],
        )


def as_kits(kits: Sequence[SupplyKit]) -> Kits:
    """Some kits with their figures."""
    if isinstance(kits, Kits):
        return kits
    known: dict[tuple[float, float], int] = {}
    windows = ((kit.input_min_v, kit.input_max_v) for kit in kits)
    return Kits(
        tuple(kits),
        {name: np.array([getattr(kit, name) for kit in kits], dtype=float) for name in FIGURES},
        {pole: np.array([pole in kit.groundings for kit in kits], dtype=bool) for pole in BusGrounding},
        np.array([known.setdefault(window, len(known)) for window in windows], dtype=np.int64),
    )
