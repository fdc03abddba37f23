"""Row models of what a comparison, a price list, savings and a sweep say: their data dictionary."""

from collections.abc import Mapping
from decimal import Decimal
from typing import Literal

from pydantic import Field

from planner.tables.plan_rows import PlanRow

Change = Literal["changed", "added", "gone"]


class TotalChangeRow(PlanRow):
    """A category whose cost differs between two plans."""

    category: str = Field(description="category of costs, or total")
    cost_before: Decimal = Field(description="cost in the first plan; 0 where it has none")
    cost_after: Decimal = Field(description="cost in the second plan")
    cost_change: Decimal = Field(description="second less first")


class SiteChangeRow(PlanRow):
    """A site whose design differs, or that only one of the plans serves."""

    site_id: str = Field(description="the site")
    change: Literal["design", "served", "lost"] = Field(
        description="another design; newly served; no longer served"
    )
    what: str = Field(description="columns of the design that differ, before -> after, or why it is lost")
    cost_before: Decimal = Field(description="site_cost in the first plan; 0 where it is not served")
    cost_after: Decimal = Field(description="site_cost in the second plan")
    cost_change: Decimal = Field(description="second less first")
    cause: str = Field(default="", description="groups of inputs that bring it about; blank: not traced")


class PartChangeRow(PlanRow):
    """A SKU of which a changed site has another number of units."""

    site_id: str = Field(description="the site")
    sku: str = Field(description="the part")
    category: str = Field(description="its table in the catalogue")
    quantity_before: int = Field(description="units in the first plan")
    quantity_after: int = Field(description="units in the second plan")
    quantity_change: int = Field(description="second less first")
    cost_before: Decimal = Field(description="the site's share of the order in the first plan")
    cost_after: Decimal = Field(description="the same in the second plan")
    cost_change: Decimal = Field(description="second less first")


class OrderChangeRow(PlanRow):
    """A SKU of a supplier, ordered in another number or at another price."""

    sku: str = Field(description="the part")
    supplier: str = Field(description="who sells it")
    category: str = Field(description="its table in the catalogue")
    quantity_before: int = Field(description="units ordered in the first plan")
    quantity_after: int = Field(description="units ordered in the second plan")
    quantity_change: int = Field(description="second less first")
    price_before: Decimal | None = Field(description="mean price of a unit; blank where none is ordered")
    price_after: Decimal | None = Field(description="the same in the second plan")
    cost_before: Decimal = Field(description="cost of the units in the first plan")
    cost_after: Decimal = Field(description="the same in the second plan")
    cost_change: Decimal = Field(description="second less first")
    supplier_before: str = Field(description="suppliers of the SKU in the first plan, where they differ")
    supplier_after: str = Field(description="the same in the second plan")
    cause: str = Field(default="", description="groups of inputs that bring it about; blank: not traced")


class SettingChangeRow(PlanRow):
    """A setting that differs."""

    setting: str = Field(description="dotted name")
    value_before: str = Field(description="value in the first plan; blank: unset")
    value_after: str = Field(description="value in the second plan")
    origin_before: str = Field(description="where it came from: default, a settings file, --set")
    origin_after: str = Field(description="the same in the second plan")


class InputChangeRow(PlanRow):
    """An input file that differs, by its hash."""

    file: str = Field(description="file as the scenario names it")
    change: Change = Field(
        description="another content, read by the second plan alone, or by the first alone"
    )


class CauseRow(PlanRow):
    """A group of inputs that differs, and what it does by itself."""

    group: str = Field(description="group of tables or settings; jointly: what no group does by itself")
    differs: str = Field(description="tables with the number of rows that differ, settings, files")
    cost_alone: Decimal | None = Field(
        description="total cost with this group alone as in the second plan, less the first plan's; blank: "
        "the group cannot stand without the others"
    )
    cost_of_leaving_out: Decimal | None = Field(
        description="the second plan's total cost less that with this group as in the first plan"
    )
    sites_alone: int = Field(description="changed sites that it brings to their new design by itself")
    sites_jointly: int = Field(description="changed sites that it brings about only together with others")
    note: str = Field(default="", description="why the group cannot stand without the others")


class PriceChangeRow(PlanRow):
    """A SKU of a supplier whose price a list changes, or that it names no longer or for the first time."""

    sku: str = Field(description="the part")
    supplier: str = Field(description="who sells it")
    change: Literal["rose", "fell", "mixed", "new", "vanished", "unknown"] = Field(
        description="dearer or cheaper at some quantity, and at none the other way; some of both; not "
        "sold by this supplier before; not on the list, or not on the plan date; on the list but in no "
        "catalogue"
    )
    price_before: Decimal | None = Field(description="price of the least quantity before; blank: none")
    price_after: Decimal | None = Field(description="the same on the list; blank: none")
    currency: str = Field(
        description="currency of the later price, or of the earlier where there is no later"
    )
    note: str = Field(default="", description="what else to know, as the part that may be meant")


class SavingRow(PlanRow):
    """What replacing today's supply of a site, or one box of it, saves; array and battery new for each."""

    rank: int = Field(description="1 for the greatest net saving of the fleet")
    site_id: str = Field(description="the site")
    replaced: str = Field(description="box of supply_today, or whole supply: by the plan's")
    by: str = Field(description="parts that take its place; blank: nothing does")
    watts_today: float = Field(description="watts at the bus today")
    watts_after: float = Field(description="watts at the bus with the replacement")
    watts_saved: float = Field(description="what it saves")
    array_w_today: float | None = Field(default=None, description="modules that today's watts take, W")
    array_w_saved: float | None = Field(default=None, description="what the replacement takes off them, W")
    array_need_w_today: float | None = Field(
        default=None, description="the same less what whole modules give beyond the asked ratio, W"
    )
    array_need_w_saved: float | None = Field(default=None, description="what it takes off that, W")
    battery_wh_today: float | None = Field(default=None, description="batteries that today's watts take, Wh")
    battery_wh_saved: float | None = Field(default=None, description="what it takes off them, Wh")
    battery_need_wh_today: float | None = Field(
        default=None, description="the same less what whole blocks give beyond the asked autonomy, Wh"
    )
    battery_need_wh_saved: float | None = Field(default=None, description="what it takes off that, Wh")
    cost_saved: Decimal | None = Field(
        default=None, description="array, controller, battery, mount and enclosure, with freight and labour"
    )
    part_cost: Decimal = Field(description="price of the parts that take its place, at the plan's prices")
    net_saved: Decimal | None = Field(default=None, description="cost_saved less part_cost")
    note: str = Field(default="", description="why there are no figures")


class SweepRow(PlanRow):
    """A plan of a sweep; columns named like the figures varied stand after `plan`."""

    plan: int = Field(description="number of the combination, from 1")
    total_cost: Decimal | None = Field(default=None, description="total cost; blank without a plan")
    best_bound: Decimal | None = Field(default=None, description="no plan can cost less")
    mip_gap: float | None = Field(default=None, description="relative distance of total_cost and best_bound")
    outcome: str = Field(description="outcome of the plan's search, or no_plan")
    sites_planned: int = Field(default=0, description="sites served")
    sites_unserved: int = Field(default=0, description="sites not served")
    array_w: float | None = Field(default=None, description="nameplate of all modules, W")
    battery_wh: float | None = Field(default=None, description="rated energy of all batteries, Wh")
    autonomy_days_least: float | None = Field(default=None, description="least autonomy of any site")
    availability_mean: float | None = Field(
        default=None,
        description="weather-only energy availability, mean of the sites served: simulated, asked or not",
    )
    availability_least: float | None = Field(default=None, description="the same of the site with the least")
    skus: int | None = Field(default=None, description="SKUs ordered")
    note: str = Field(default="", description="why there is no plan")


class DecisionRow(PlanRow):
    """A SKU or a site over all plans of a sweep: whether it is decided alike in all of them."""

    kind: Literal["sku", "site"] = Field(description="what the row is about")
    name: str = Field(description="the SKU or the site")
    category: str = Field(default="", description="the SKU's table in the catalogue")
    plans: int = Field(description="plans that order the SKU, or serve the site")
    steady: bool = Field(description="whether every plan orders it, or gives the site the same design")
    quantity_min: int | None = Field(default=None, description="least units of the SKU that a plan orders")
    quantity_max: int | None = Field(default=None, description="most units of it")
    designs: int | None = Field(default=None, description="different designs of the site")


#: Tables of a comparison of two plans, in the order they are shown.
COMPARE_TABLES: Mapping[str, type[PlanRow]] = {
    "changed_totals": TotalChangeRow,
    "changed_sites": SiteChangeRow,
    "changed_parts": PartChangeRow,
    "changed_orders": OrderChangeRow,
    "changed_settings": SettingChangeRow,
    "changed_inputs": InputChangeRow,
    "causes": CauseRow,
}
