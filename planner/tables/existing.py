"""Row models of what stands at sites already: parts that a plan may keep, and the supply of today."""

from enum import StrEnum

from pydantic import Field

from planner.tables.rows import Identifier, NonNegative, Row, Sku


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


class TodayKind(StrEnum):
    """What a box of today's supply is."""

    SWITCH = "switch"
    INVERTER = "inverter"
    CONVERTER = "converter"
    INJECTOR = "injector"
    ADAPTER = "adapter"
    DEVICE = "device"


class TodayRow(Row):
    """A box or device of the supply that a site has today; `planner savings` alone reads it."""

    site_id: Identifier = Field(description="site in `sites`")
    box: Identifier = Field(description="name of the box or device, its own at the site")
    kind: TodayKind = Field(description="what it is; a device has nothing behind it")
    behind: Identifier | None = Field(
        None, description="box of the site that it takes its power from; blank: the DC bus"
    )
    own_w: NonNegative = Field(
        0.0,
        le=3000,
        description="draw with nothing behind it, around the clock; of a device, its mean in the worst month",
    )
    efficiency: float = Field(1.0, gt=0.2, le=1, description="what comes out / what goes in, own_w aside")
    measured_w: NonNegative | None = Field(
        None, le=5000, description="mean draw measured at its input, all behind it included; wins over own_w"
    )
    swap_sku: Sku | None = Field(
        None,
        description="SKU of switches or converters that would take its place; blank: a switch gives way to "
        "the plan's, another box to nothing",
    )
