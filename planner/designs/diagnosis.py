"""Why a site has no design: the rule that blocks it, and by how much."""

from collections.abc import Callable, Sequence

import numpy as np

from planner.designs.catalogue import CatalogueArrays
from planner.designs.energy_misses import no_array, no_storage
from planner.designs.inputs import SiteInputs
from planner.designs.kept_misses import no_room
from planner.designs.part_misses import (
    Miss,
    Stage,
    no_battery,
    no_boxes,
    no_controller,
    no_sun,
    no_window,
)
from planner.errors import Refusal
from planner.settings import Settings


def blocking_rule(
    site_id: str,
    inputs: Sequence[tuple[int, SiteInputs]],
    *,
    kit_refusals: Sequence[Refusal],
    catalogue: CatalogueArrays,
    settings: Settings,
) -> Refusal:
    """The nearest miss of a site without a feasible design.

    `inputs` are the site's system voltages that have kits, each with its inputs at every tilt. Rules are
    asked in the order in which a design is built: sun, a battery for the temperatures, boxes, a controller, a
    common bus window, room for what must be kept, enough array, enough battery. The furthest that any of them
    gets is reported.
    """
    if not inputs:
        return _nearest(kit_refusals) or Refusal(
            rule="no-kit", subject=site_id, message="no switch and converters can power this load profile"
        )
    misses = [_first_miss(voltage, one, catalogue, settings) for voltage, one in inputs]
    return max(misses, key=lambda miss: (miss[0], miss[1]))[2]


def _nearest(refusals: Sequence[Refusal]) -> Refusal | None:
    """The miss by the least share of its limit; refusals without a number come last."""

    def share(refusal: Refusal) -> float:
        if not refusal.limit or refusal.value is None:
            return np.inf
        return refusal.shortfall / abs(refusal.limit)

    return min(refusals, key=share, default=None)


def _first_miss(voltage: int, one: SiteInputs, cat: CatalogueArrays, settings: Settings) -> Miss:
    """The first rule that nothing at this voltage passes."""
    rules: tuple[Callable[[int, SiteInputs, CatalogueArrays, Settings], Miss | None], ...] = (
        no_sun,
        no_battery,
        no_boxes,
        no_controller,
        no_window,
        no_room,
        no_array,
        no_storage,
    )
    for rule in rules:
        miss = rule(voltage, one, cat, settings)
        if miss is not None:
            return miss
    return (
        Stage.TOGETHER,
        0.0,
        Refusal(
            rule="parts-together",
            subject=f"{voltage} V",
            message="each rule can be met, but no battery, controller and array meet all of them together: "
            "the array charges with more current than the battery takes, or needs more controllers than load "
            "terminals allow",
        ),
    )
