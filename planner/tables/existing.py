"""Row model of the parts that stand at sites already."""

from enum import StrEnum

from pydantic import Field

from planner.tables.rows import Identifier, Row, Sku


class Keep(StrEnum):
    """Whether a plan may leave a part that stands at a site unused."""

    MAY = "may"
    MUST = "must"


class ExistingRow(Row):
    """A part that stands at a site already: a design that uses it pays neither its price nor its freight."""

    site_id: Identifier = Field(description="site in `sites`")
    sku: Sku = Field(description="SKU of the catalogue's tables of parts; it needs no price")
    quantity: int = Field(1, ge=1, le=10_000, description="sound units that stand there")
    keep: Keep = Field(
        Keep.MAY,
        description="may: used where the plan is cheaper for it; must: every unit stays in use, of modules, "
        "batteries, controllers and switches alone",
    )
