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
    the same number in `bus` (K,) are alike in what they ask of the bus, so the same batteries and controllers
    suit them.
    """

    every: tuple[SupplyKit, ...]
    figures: dict[str, NDArray[np.float64]] = field(repr=False)
    grounded: dict[BusGrounding, NDArray[np.bool_]] = field(repr=False)
    bus: NDArray[np.int64] = field(repr=False)

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
            self.bus[places],
        )


def as_kits(kits: Sequence[SupplyKit]) -> Kits:
    """Some kits with their figures."""
    if isinstance(kits, Kits):
        return kits
    known: dict[tuple[float, ...], int] = {}
    return Kits(
        tuple(kits),
        {name: np.array([getattr(kit, name) for kit in kits], dtype=float) for name in FIGURES},
        {pole: np.array([pole in kit.groundings for kit in kits], dtype=bool) for pole in BusGrounding},
        np.array([known.setdefault(_bus(kit), len(known)) for kit in kits], dtype=np.int64),
    )


def _bus(kit: SupplyKit) -> tuple[float, ...]:
    """What a kit asks of the bus: its window, and its currents where load terminals carry them."""
    terminals = (kit.max_current_a, kit.surge_current_a) if kit.load_terminal else ()
    return kit.input_min_v, kit.input_max_v, *terminals
