"""Checks of the parts that stand at sites already: what must be kept goes together in one design."""

from collections.abc import Iterator, Mapping

from planner.errors import Problem
from planner.tables.checks import Check, Context
from planner.tables.existing import Keep, TodayKind, TodayRow
from planner.tables.nearest import did_you_mean

#: A design has one SKU of each of these; of switches it may have several.
ONE_SKU = ("modules", "batteries", "controllers")
KEPT = (*ONE_SKU, "switches")


def kept_together(context: Context) -> Iterator[Problem]:
    """Parts that must be kept are of kinds that can be asked for, and of one SKU where a design has one."""
    table = context.tables["existing"]
    category = {row.sku: name for name in (*KEPT, "converters", "balance") for row in context.rows(name)}
    first: dict[tuple[str, str], int] = {}
    for at, row in enumerate(table.rows):
        kind = category.get(row.sku)
        if row.keep is not Keep.MUST or kind is None:
            continue
        if kind not in KEPT:
            yield table.problem(
                at,
                code="keep-not-possible",
                column="keep",
                value=row.keep,
                message=f"is asked of a part of {kind}, whose number follows from the rest of the design",
                remedy="write may: such a part is used wherever that makes the plan cheaper",
                rule=f"must on parts of {', '.join(KEPT)} alone",
            )
            continue
        before = first.setdefault((row.site_id, kind), at)
        if before != at and kind in ONE_SKU:
            yield table.problem(
                at,
                code="kept-apart",
                column="sku",
                value=row.sku,
                message=f"must be kept beside {table.rows[before].sku} on line {table.lines[before]}, but a "
                f"design has one SKU of {kind}",
                remedy="write may in one of the two rows",
                rule=f"one SKU of {kind} that must be kept at a site",
            )


def supply_of_today(context: Context) -> Iterator[Problem]:
    """Boxes of a site hang on each other in the end on the bus, and draw no less than what is behind them."""
    table = context.tables["supply_today"]
    sites: dict[str, dict[str, TodayRow]] = {}
    for row in table.rows:
        sites.setdefault(row.site_id, {}).setdefault(row.box, row)
    sound = {
        site_id for site_id, boxes in sites.items() if all(_on_bus(row, boxes) for row in boxes.values())
    }
    for at, row in enumerate(table.rows):
        boxes = sites[row.site_id]
        if row.behind and row.behind not in boxes:
            message, remedy = (
                "is no box of the site",
                "name a box of this site, or leave it blank for the bus",
            )
        elif row.behind and boxes[row.behind].kind is TodayKind.DEVICE:
            message, remedy = "is a device, behind which nothing hangs", "name the box that feeds it"
        elif not _on_bus(row, boxes) and all(other.behind in {None, *boxes} for other in boxes.values()):
            message, remedy = "leads back to the box itself", "leave behind blank in the box on the bus"
        else:
            continue
        yield table.problem(
            at, code="bad-supply", column="behind", value=row.behind, message=message, remedy=remedy
        )
    for at, row in enumerate(table.rows):
        if row.site_id in sound and row.measured_w is not None:
            least = draw_behind(row.box, sites[row.site_id]) / row.efficiency
            if row.measured_w < least - ROUNDING_W:
                yield table.problem(
                    at,
                    code="measured-below",
                    column="measured_w",
                    value=row.measured_w,
                    message=f"is less than the {least:.2f} W that hang on it, at its efficiency",
                    remedy="measure again, or correct the boxes behind it",
                    rule=f">= {least:.2f} W",
                )


def _on_bus(row: TodayRow, boxes: Mapping[str, TodayRow]) -> bool:
    """Whether the way from a box ends at the bus."""
    seen = set()
    while row.behind:
        if row.box in seen or row.behind not in boxes or boxes[row.behind].kind is TodayKind.DEVICE:
            return False
        seen.add(row.box)
        row = boxes[row.behind]
    return True


def draw_behind(box: str, boxes: Mapping[str, TodayRow]) -> float:
    """Watts that boxes right behind a box draw, each with all behind it."""
    return sum(draw_of(row, boxes) for row in boxes.values() if row.behind == box)


def draw_of(row: TodayRow, boxes: Mapping[str, TodayRow]) -> float:
    """Watts at a box's input: as measured, else its own and what is behind it over its efficiency."""
    if row.measured_w is not None:
        return row.measured_w
    return row.own_w + draw_behind(row.box, boxes) / row.efficiency


def swaps(context: Context) -> Iterator[Problem]:
    """What would take a box's place is a switch or a converter of the catalogue."""
    known = {row.sku for name in ("switches", "converters") for row in context.rows(name)}
    table = context.tables["supply_today"]
    for at, row in enumerate(table.rows):
        if row.swap_sku and row.swap_sku not in known and context.skus_known:
            yield table.problem(
                at,
                code="unknown-reference",
                column="swap_sku",
                value=row.swap_sku,
                message="does not stand in switches or converters",
                remedy=did_you_mean(row.swap_sku, known, "write a SKU that stands there, or leave it blank"),
                rule="a SKU of switches or converters",
            )


ROUNDING_W = 0.005  # watts are stated to a hundredth

EXISTING_CHECKS: tuple[Check, ...] = (kept_together, supply_of_today, swaps)
