"""Loads that share converters or inverters of one SKU, in as few units as they fit."""

from collections.abc import Sequence

from planner.demand.bus import EPS, BusLoad
from planner.demand.grounding import NONE
from planner.tables.catalogue import ConverterRow

EXACT_MAX = 8  # loads up to which first fit is checked against every other sharing


def inrush_w(loads: Sequence[BusLoad]) -> float:
    """What the load of the largest inrush takes over its greatest power; one starts at a time."""
    return max([0.0, *(load.surge_w - load.max_w for load in loads)])


def carries(row: ConverterRow, loads: Sequence[BusLoad]) -> bool:
    """Whether one unit feeds loads: their greatest powers, then the largest inrush on top, no two poles.

    All loads may run at their greatest while one of them starts: sum of max_w, plus the largest of
    surge_w - max_w, within the unit's surge.
    """
    total, output = sum(load.max_w for load in loads), row.output_max_w or 0.0
    if total > output + EPS:
        return False
    inrush = inrush_w(loads)
    if inrush and total + inrush > max(output, row.surge_w or 0.0) + EPS:
        return False
    return len(NONE.union(*(load.poles for load in loads))) < 2


def share(loads: Sequence[BusLoad], row: ConverterRow) -> list[list[BusLoad]]:
    """Loads in as few units as first fit by falling power finds; of few loads, in the fewest there are."""
    if len(loads) == 1:
        return [list(loads)]
    ranked = sorted(loads, key=lambda load: (-load.max_w, -load.surge_w, load.sku))
    bins: list[list[BusLoad]] = []
    for load in ranked:
        together = next((b for b in bins if carries(row, [*b, load])), None)
        if together is None:
            bins.append([load])
        else:
            together.append(load)
    least = sum(load.max_w for load in loads) / (row.output_max_w or 1.0)
    while len(loads) <= EXACT_MAX and len(bins) - 1 >= least and len(bins) > 1:
        fewer = _into(ranked, row, [[] for _ in range(len(bins) - 1)])
        if fewer is None:
            break
        bins = fewer
    return bins


def _into(
    loads: Sequence[BusLoad], row: ConverterRow, bins: list[list[BusLoad]]
) -> list[list[BusLoad]] | None:
    """The loads in these units, by trying every one in turn; empty units are alike."""
    if not loads:
        return [b for b in bins if b]
    for i, b in enumerate(bins):
        if carries(row, [*b, loads[0]]):
            found = _into(loads[1:], row, [*bins[:i], [*b, loads[0]], *bins[i + 1 :]])
            if found is not None:
                return found
        if not b:
            break
    return None
