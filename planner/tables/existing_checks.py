"""Checks of the parts that stand at sites already: what must be kept goes together in one design."""

from collections.abc import Iterator

from planner.errors import Problem
from planner.tables.checks import Check, Context
from planner.tables.existing import Keep

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


EXISTING_CHECKS: tuple[Check, ...] = (kept_together,)
