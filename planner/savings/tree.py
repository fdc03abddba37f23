"""Today's supply of a site as a tree of boxes: watts at the bus, and with one box replaced.

A box draws `own_w + (what is behind it) / efficiency`. Where its draw was measured, `own_w` is what is left
of the measured watts, so that a change behind the box shows at the bus.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from planner.tables.existing import TodayKind, TodayRow
from planner.tables.existing_checks import draw_behind


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A box or device: what it draws itself, W, and its efficiency; `behind` is blank on the bus."""

    name: str
    kind: TodayKind
    behind: str
    own_w: float
    efficiency: float


Boxes = Mapping[str, Box]


def boxes_of(rows: Sequence[TodayRow]) -> dict[str, Box]:
    """Boxes of one site by name, measured draws turned into own draws."""
    by_name = {row.box: row for row in rows}
    return {
        row.box: Box(
            name=row.box,
            kind=row.kind,
            behind=row.behind or "",
            own_w=row.own_w
            if row.measured_w is None
            else max(0.0, row.measured_w - draw_behind(row.box, by_name) / row.efficiency),
            efficiency=row.efficiency,
        )
        for row in rows
    }


def bus_w(boxes: Boxes) -> float:
    """Watts at the DC bus."""
    return sum(_draw_w(box, boxes) for box in boxes.values() if not box.behind)


def _draw_w(box: Box, boxes: Boxes) -> float:
    behind = sum(_draw_w(other, boxes) for other in boxes.values() if other.behind == box.name)
    return box.own_w + behind / box.efficiency


def without(boxes: Boxes, name: str) -> dict[str, Box]:
    """The tree without a box: what hung on it hangs where it hung."""
    gone = boxes[name]
    return {
        box.name: replace(box, behind=gone.behind) if box.behind == name else box
        for box in boxes.values()
        if box.name != name
    }


def with_other(boxes: Boxes, name: str, *, own_w: float, efficiency: float, on_bus: bool) -> dict[str, Box]:
    """The tree with another box in a box's place, on the bus where it takes direct current itself."""
    old = boxes[name]
    new = replace(old, own_w=own_w, efficiency=efficiency, behind="" if on_bus else old.behind)
    return {**boxes, name: new}
