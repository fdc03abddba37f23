"""Row models of what explains a plan: their data dictionary."""

from collections.abc import Mapping
from decimal import Decimal

from pydantic import Field

from planner.tables.plan_rows import PlanRow


class SiteChoiceRow(PlanRow):
    """The design bought for a site, or one that lost."""

    rank: int = Field(description="0: the design bought; 1: the cheapest other; 2, 3: of other main parts")
    cost_more: Decimal = Field(
        description="what the fleet would cost more with it, the rest as bought; negative: less, "
        "which a plan within its gap leaves room for"
    )
    system_voltage_v: int = Field(description="nominal bus voltage, V")
    surface_tilt_deg: float = Field(description="tilt of the array from horizontal, degrees")
    module_sku: str = Field(description="module")
    modules: int = Field(description="modules")
    controller_sku: str = Field(description="charge controller")
    controllers: int = Field(description="charge controllers")
    battery_sku: str = Field(description="battery block")
    batteries: int = Field(description="blocks")
    supply_kit: str = Field(description="switches, converters, injectors, load disconnect: numbers and SKUs")
    mount_sku: str = Field(description="mount")
    mounts: int = Field(description="mounts")
    enclosure_sku: str = Field(description="enclosure")
    enclosures: int = Field(description="enclosures")


class ChoiceReasonRow(PlanRow):
    """Why a design lost."""

    rank: int = Field(description="the design, as in site_choices")
    cost_more: Decimal = Field(description="as in site_choices")
    why: str = Field(description="costs by category against the design bought, tiers reached or lost, limits")


class ChoiceCostRow(PlanRow):
    """A category in which a design that lost costs the fleet more or less than the one bought."""

    rank: int = Field(description="the design, as in site_choices")
    category: str = Field(description="category of SKUs, or freight, installation, upkeep")
    cost_change: Decimal = Field(description="what it costs more; negative: less; they add up to cost_more")


class BindingRuleRow(PlanRow):
    """A rule that a site's design comes near, as the audit finds it.

    First those that a string less would break, then the nearest.
    """

    rule: str = Field(description="rule of the audit")
    meaning: str = Field(description="the rule in words")
    subject: str = Field(description="part, device, port or month")
    value: float = Field(description="what the design has")
    limit: float = Field(description="what it is held against")
    unit: str = Field(description="of value, limit and margin")
    margin: float = Field(description="how far the value is inside its limit")
    margin_share: float = Field(description="margin / limit; of temperatures, margin / 50 K")
    one_less: str = Field(
        description="what a string of modules or of batteries less would make of it; blank: another matter"
    )


class MarginalCostRow(PlanRow):
    """What it costs that a site, or every site, asks more: a difference of two plans, proven for neither."""

    change: str = Field(
        description="what is asked more; watts are those of a device on the bus around the clock, load "
        "margin on top"
    )
    before: str = Field(description="figure asked now; blank: it differs by site")
    after: str = Field(description="figure asked then")
    units: float = Field(description="how many watts, days or classes are added at once, at each site")
    sites: int = Field(description="sites that ask more")
    cost_as_bought: Decimal | None = Field(
        description="of each such site designed anew with the rest of the fleet as bought, added up"
    )
    each_as_bought: Decimal | None = Field(description="the same for a watt, a day, a class at one site")
    cost_free: Decimal | None = Field(
        description="the same where the rest of the fleet, and so tiers, may move; blank: not asked for"
    )
    each_free: Decimal | None = Field(description="the same for a watt, a day, a class at one site")
    note: str = Field(default="", description="why there is no figure, or what to know of it")


class BreakEvenRow(PlanRow):
    """A SKU and the price at which the plan would take more of it, or do without."""

    sku: str = Field(description="the part")
    category: str = Field(description="its table in the catalogue")
    quantity: int = Field(description="units that the plan's sites buy")
    event: str = Field(description="enters, fewer, leaves; blank: none was found")
    factor: float | None = Field(description="on all its prices, at which it happens")
    price: Decimal | None = Field(description="price of its least quantity, multiplied; plan's currency")
    price_now: Decimal | None = Field(description="the same as it is")
    factor_below: float | None = Field(description="last factor tried under it")
    quantity_below: int | None = Field(description="units at the lower factor, by local search")
    factor_above: float | None = Field(description="last factor tried over it")
    quantity_above: int | None = Field(description="units at the higher factor, by local search")
    planned_below: int | None = Field(description="units in a whole plan at the lower factor; blank: none")
    planned_above: int | None = Field(description="units in a whole plan at the higher factor")
    agrees: bool | None = Field(description="whether both whole plans show the event; blank: not checked")
    note: str = Field(default="", description="why there is no price, or what the check found")


#: Tables that explain a plan, in the order they are shown.
EXPLAIN_TABLES: Mapping[str, type[PlanRow]] = {
    "site_choices": SiteChoiceRow,
    "choice_reasons": ChoiceReasonRow,
    "choice_costs": ChoiceCostRow,
    "binding_rules": BindingRuleRow,
    "marginal_costs": MarginalCostRow,
    "break_even": BreakEvenRow,
}
