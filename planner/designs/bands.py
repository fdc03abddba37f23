"""Kits in bands that ask for nearly the same: one stands for all of a band, so most are ruled out unsized.

A profile may have hundreds of kits that differ in a few watts. What no design of a band's stand-in can cost
less than, beside the kit, no design of its kits can.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from planner.demand import SupplyKit
from planner.designs.inputs import FloatArray, IntArray, SiteInputs
from planner.designs.kits import Kits, as_kits

WIDTH = 1.05  # greatest draw of a band over its least


@dataclass(frozen=True, slots=True, kw_only=True)
class Bands:
    """The band (J) of each kit (K,), and its stand-ins: one asks no more of any part than the band's kits,
    the other no less. `order` has the kits (K,) by band, `first` the first of each there (J,)."""

    band: IntArray
    order: IntArray
    first: IntArray
    least: Kits
    greatest: Kits


def make_bands(kits: Sequence[SupplyKit]) -> Bands:
    """Bands of kits that the same controllers and batteries suit, and that draw nearly as much."""
    draw = np.array([kit.own_w + sum(w for _, w in kit.bus_w) for kit in kits], dtype=float)
    members: list[list[int]] = []
    last: dict[tuple[Any, ...], list[int]] = {}
    for k in np.argsort(draw, kind="stable").tolist():
        some = last.get(_suits(kits[k]))
        if some is None or draw[k] > WIDTH * draw[some[0]]:
            some = last[_suits(kits[k])] = []
            members.append(some)
        some.append(k)
    band = np.zeros(len(kits), dtype=np.int64)
    for j, some in enumerate(members):
        band[some] = j
    some_kits = [[kits[k] for k in some] for some in members]
    least, greatest = (as_kits([_extreme(some, way) for some in some_kits]) for way in (min, max))
    order = np.argsort(band, kind="stable")
    first = np.searchsorted(band[order], np.arange(len(members)))
    return Bands(band=band, order=order, first=first, least=least, greatest=greatest)


def _suits(kit: SupplyKit) -> tuple[Any, ...]:
    """What decides which batteries and controllers suit a kit."""
    terminal = (kit.max_current_a, kit.surge_current_a) if kit.load_terminal else None
    return kit.input_min_v, kit.input_max_v, kit.temp_min_c, kit.temp_max_c, kit.groundings, terminal


def _extreme(kits: Sequence[SupplyKit], way: Callable[[Iterable[float]], float]) -> SupplyKit:
    return replace(
        kits[0],
        max_current_a=way(kit.max_current_a for kit in kits),
        volume_l=way(kit.volume_l for kit in kits),
    )


def least_of_bands(inputs: SiteInputs, bands: Bands) -> SiteInputs:
    """The site with the stand-ins of bands, at the least loads of each by month."""
    day, night = (_of_bands(wh, bands, np.minimum) for wh in (inputs.day_wh, inputs.night_wh))
    return replace(inputs, kits=bands.least, day_wh=day, night_wh=night)


def greatest_of_bands(inputs: SiteInputs, bands: Bands) -> SiteInputs:
    """The same at the greatest loads of each band."""
    day, night = (_of_bands(wh, bands, np.maximum) for wh in (inputs.day_wh, inputs.night_wh))
    return replace(inputs, kits=bands.greatest, day_wh=day, night_wh=night)


def _of_bands(values: FloatArray, bands: Bands, ufunc: np.ufunc) -> FloatArray:
    """Values of kits (K, ...) brought together by band (J, ...)."""
    return np.asarray(ufunc.reduceat(values[bands.order], bands.first, axis=0))
