"""Row models of a plan's tables: the data dictionary of what the planner writes."""

from collections.abc import Mapping, Sequence
from decimal import Decimal
from enum import Enum
from typing import Any, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field

from planner.tables.rows import Supply
from planner.tables.trade_rows import TierKind


class PlanRow(BaseModel):
    """One row of a plan's table."""

    model_config = ConfigDict(frozen=True, extra="forbid")


#: Columns of a design that count parts, one at least.
DESIGN_COUNTS = (
    "modules_series",
    "modules_parallel",
    "controllers",
    "batteries_series",
    "batteries_parallel",
    "mounts",
    "enclosures",
)


class SiteDesignRow(PlanRow):
    """A site: its design, what it does, what it costs."""

    site_id: str = Field(description="the site")
    name: str = Field(description="its name")
    load_profile: str = Field(description="its load profile")
    phase: int | None = Field(description="phase in which it is built; blank without phases")
    system_voltage_v: int = Field(description="nominal bus voltage, V")
    surface_tilt_deg: float = Field(description="tilt of the array from horizontal, degrees")
    surface_azimuth_deg: float = Field(description="azimuth of the array, clockwise from north, degrees")
    supply_kit: str = Field(
        description="switches, converters, injectors and load disconnect, with their numbers"
    )
    feeds: str = Field(description="boxes and devices that stand behind a DC-DC converter, and which one")
    load_disconnect: str = Field(description="what disconnects the load before the battery is too deep")
    module_sku: str = Field(description="module")
    modules_series: int = Field(description="modules in a string")
    modules_parallel: int = Field(description="strings in parallel")
    array_w: float = Field(description="nameplate power of the array, W")
    controller_sku: str = Field(description="charge controller")
    controllers: int = Field(description="charge controllers in parallel")
    battery_sku: str = Field(description="battery block")
    batteries_series: int = Field(description="blocks in a string")
    batteries_parallel: int = Field(description="strings in parallel")
    battery_wh: float = Field(description="rated energy of all blocks, Wh")
    usable_wh: float = Field(description="what is left of it in the coldest spell at the end of life, Wh")
    depth_of_discharge: float = Field(description="deepest discharge allowed, freezing included, 0 to 1")
    mount_sku: str = Field(description="mount")
    mounts: int = Field(description="mounts")
    enclosure_sku: str = Field(description="enclosure")
    enclosures: int = Field(description="enclosures")
    load_w: float = Field(description="mean power at the bus in the month of the greatest load, W")
    daily_load_wh: float = Field(description="the same over a day, Wh")
    autonomy_days: float | None = Field(
        description="usable_wh / greatest daily net load less heaters, which rest while the reserve is used; "
        "blank where other supply carries every month"
    )
    recovery_days: float | None = Field(
        description="days in which the array refills a reserve of the asked days, in the slowest month; "
        "blank where a month has nothing to spare"
    )
    daily_depth: float = Field(description="longest night's discharge / rated energy, 0 to 1")
    design_month: int = Field(description="month 1 to 12 with the smallest array-to-load ratio")
    array_to_load_ratio: float | None = Field(
        description="array energy / load in that month, the night's part through the battery; blank where "
        "other supply carries every month"
    )
    bus_grounding: str = Field(description="pole of the bus tied to earth: negative, positive or floating")
    charge_setpoint_v: float = Field(description="charge setpoint of a battery string at 25 C, V")
    equalise_v: float | None = Field(
        description="equalising setpoint of a battery string at 25 C, V; blank: charge without equalising"
    )
    bus_low_v: float = Field(description="bus at the load disconnect less cable drop, V")
    bus_high_v: float = Field(description="bus when charged at the coldest, equalising included, V")
    kit_input_min_v: float = Field(description="lowest bus voltage that every box takes, V")
    kit_input_max_v: float = Field(description="highest bus voltage that every box takes, V")
    string_cold_v_oc_v: float = Field(description="open-circuit voltage of a string on the coldest dawn, V")
    string_hot_v_mp_v: float = Field(description="maximum-power voltage of a string on the hottest day, V")
    array_i_sc_a: float = Field(description="short-circuit current of the array, A")
    array_circuit_a: float = Field(description="least current that the array's conductors are rated for, A")
    charge_current_a: float = Field(description="greatest charge current, gross of load, A")
    charge_rate: float = Field(description="the same / rated ampere-hours of the battery, 1/h")
    bus_lowest_v: float = Field(
        description="lowest bus of any battery for sale or at a site, V: currents and losses of cables are "
        "taken there"
    )
    load_current_max_a: float = Field(description="greatest load current at the lowest bus voltage, A")
    load_current_surge_a: float = Field(
        description="the same for seconds, while the AC device of the largest inrush starts, A"
    )
    temp_air_min_c: float = Field(description="extreme minimum of the air, C")
    temp_cold_spell_c: float = Field(description="mean of the coldest spell, for the battery's capacity, C")
    temp_air_max_c: float = Field(description="extreme maximum of the air, C")
    temp_battery_min_c: float = Field(description="coldest battery, for freezing and charging, C")
    temp_battery_hot_c: float = Field(
        description="mean battery temperature of the hottest month, for its life, C"
    )
    climate_source: str = Field(description="own values, names of weather files, or the built-in climate")
    climate_margin: float = Field(description="factor taken on the source's irradiation; 1 for own values")
    elevation_difference_m: float | None = Field(
        description="site above its climate cell's land or weather station, negative below it, m; blank "
        "where it states its own irradiation, or a height is not known"
    )
    equipment_cost: Decimal = Field(description="the site's share of the order lines, surplus left out")
    freight_cost: Decimal = Field(description="chargeable weight of what is bought x the site's freight rate")
    access_cost: Decimal = Field(description="the site's access cost")
    installation_cost: Decimal = Field(description="labour: of one installation, and of the parts bought")
    site_cost: Decimal = Field(description="sum of the four")
    battery_life_years: float | None = Field(
        description="life of the battery by temperature and cycling, at the least reserve asked, years"
    )
    replacement_cost: Decimal = Field(
        description="batteries replaced until lifetime.horizon_years at the price of the smallest order, "
        "with freight, labour and a visit each time, discounted"
    )
    lifetime_cost: Decimal = Field(description="site_cost and replacement_cost")


class BillRow(PlanRow):
    """A SKU at a site."""

    site_id: str = Field(description="the site")
    sku: str = Field(description="the part")
    category: str = Field(description="its table in the catalogue")
    quantity: int = Field(description="units at the site")
    quantity_kept: int = Field(description="those of them that stand there already, at no cost")
    unit_price: Decimal = Field(
        description="mean price of a unit over the fleet's order lines; 0 where none is ordered"
    )
    line_cost: Decimal = Field(
        description="the site's share of what the order costs, for units not kept; surplus left out"
    )


class OrderRow(PlanRow):
    """An order line: units of a SKU from one supplier at one price."""

    sku: str = Field(description="the part")
    supplier: str = Field(description="whom to order it from")
    category: str = Field(description="its table in the catalogue")
    quantity_sites: int = Field(description="units that sites need beyond those they keep")
    quantity_spares: int = Field(description="units kept as spares")
    quantity_surplus: int = Field(
        description="units bought beyond that, as a tier makes the whole cheaper or a pack is whole"
    )
    quantity_ordered: int = Field(description="sum of the three")
    unit_price: Decimal = Field(description="price of a unit in the plan's currency")
    min_qty: int = Field(description="least quantity of the tier")
    tier_kind: TierKind = Field(description="whether a tier prices all units or those beyond its threshold")
    line_cost: Decimal = Field(description="quantity_ordered x unit_price")
    currency: str = Field(description="ISO 4217 code of the plan's money")
    quoted_price: Decimal = Field(description="price of a unit as the supplier quotes it")
    quoted_currency: str = Field(description="ISO 4217 code of the quote")
    lead_time_weeks: float | None = Field(description="weeks from order to delivery; blank: not stated")


class EnergyRow(PlanRow):
    """A site in a month: a mean day of it."""

    site_id: str = Field(description="the site")
    month: int = Field(description="month 1 to 12")
    ghi_wh_m2_day: float = Field(description="irradiation of the horizontal, Wh/m2 a day")
    poa_wh_m2_day: float = Field(
        description="irradiation of the array's plane after horizon, shading and snow"
    )
    temp_air_c: float = Field(description="mean of the air, C")
    load_wh_day: float = Field(description="load at the bus, heaters included, Wh a day")
    net_load_wh_day: float = Field(description="the same less other supply, Wh a day: what the array carries")
    heater_wh_day: float = Field(description="what the battery's heaters draw of it, Wh a day")
    temp_cell_c: float = Field(description="mean of the cells weighted by irradiance, C")
    clipped_share: float = Field(
        description="share of the array's energy that trackers leave out at their output limit, 0 to 1"
    )
    array_wh_day: float = Field(description="array energy at the bus, Wh a day")
    array_to_load_ratio: float | None = Field(
        description="its ratio to the net load, the night's part through the battery; blank where other "
        "supply carries all"
    )


class PortRow(PlanRow):
    """A port in use, or a device that takes its power elsewhere."""

    site_id: str = Field(description="the site")
    role: Literal["power", "data", "uplink", "link"] = Field(
        description="power (a device's supply, with data where the port has it), a further data port of a "
        "device, the uplink, or an end of a link between switches"
    )
    device: str = Field(default="", description="the device; blank for uplinks and links")
    instance: int | None = Field(default=None, description="which of its like at the site, from 1")
    link: int | None = Field(default=None, description="number of the link; both of its ends have it")
    supply: Supply | None = Field(default=None, description="how the device is powered")
    switch_sku: str = Field(
        default="", description="the switch; blank for a device that takes its power elsewhere"
    )
    switch_unit: int | None = Field(default=None, description="which of its like at the site, from 1")
    port: str = Field(
        description="the port, numbered in the order of switch_ports; or where the power comes from"
    )
    via_sku: str = Field(default="", description="injector, adapter, converter, SFP module, or blank")
    cable_m: float | None = Field(default=None, description="length of the device's cable, m")
    device_w: float | None = Field(default=None, description="mean power at the device while on, W")
    port_w: float | None = Field(default=None, description="mean power leaving the port or injector, W")
    port_max_w: float | None = Field(
        default=None, description="greatest power leaving the port or injector, W"
    )
    allocated_w: float | None = Field(default=None, description="share of the switch's PoE budget, W")


class ReliabilityRow(PlanRow):
    """A site's weather-only energy availability, proven by its design on years that its curve never saw."""

    site_id: str = Field(description="the site")
    availability_asked: float = Field(description="weather-only energy availability asked, 0 to 1")
    availability: float = Field(description="the same as simulated: share of time with the load served")
    availability_low: float = Field(description="lower end of its interval")
    availability_high: float = Field(description="upper end of its interval")
    met: bool = Field(description="no less is met than is asked, within the interval")
    curve_years: int = Field(description="different years of weather that the curve was made of")
    own_weather: bool = Field(description="whether they were the site's own; else drawn from its climate")
    fresh_years: int = Field(description="other years, drawn, that the design was simulated through")
    curve_raises: int = Field(description="how often a miss raised the curve and the fleet was planned again")
    battery_days_needed: float = Field(
        description="days of load that the curve asks of a battery beside the design's array"
    )
    battery_days: float | None = Field(
        description="days of load in the design's battery; blank where other supply carries every month"
    )
    unserved_wh_year: float = Field(description="energy that the load lacked, Wh a year")
    longest_outage_h: float = Field(description="longest time without load in all years, h")
    lowest_charge: float = Field(description="lowest charge in all years / usable energy, 0 to 1")
    lowest_charge_month: int = Field(description="month 1 to 12 of that charge; the first of equals")
    days_low_year: float = Field(description="days a year that begin under reliability.low_charge")
    equivalent_full_cycles_year: float = Field(
        description="energy out of the battery in a year / usable energy"
    )
    battery_life_years: float | None = Field(description="as in site_designs")
    unused_wh_year: float = Field(description="energy that the array could have given, Wh a year")


class ProblemRow(PlanRow):
    """A site without a design, or something that deserves a second look."""

    severity: Literal["unserved", "rule", "warning"] = Field(
        description="unserved: the site is not served; rule: without these rules more sites are, or may be"
    )
    code: str = Field(description="stable name of the rule")
    site_id: str = Field(default="", description="the site, if it is about one")
    sku: str = Field(default="", description="the part, if it is about one")
    subject: str = Field(description="site, part, or file and line")
    message: str = Field(description="what is wrong, in words")
    value: float | None = Field(default=None, description="what it is, in `unit`")
    limit: float | None = Field(default=None, description="what it should be, in `unit`")
    unit: str = Field(default="", description="unit of value, limit and shortfall")
    shortfall: float = Field(default=0.0, description="distance between value and limit; 0 without a number")


#: Tables of a plan by name, in the order they are written.
PLAN_TABLES: Mapping[str, type[PlanRow]] = {
    "site_designs": SiteDesignRow,
    "bill_of_materials": BillRow,
    "procurement": OrderRow,
    "energy_balance": EnergyRow,
    "port_assignments": PortRow,
    "reliability": ReliabilityRow,
    "problems": ProblemRow,
}


def cell_types(model: type[PlanRow]) -> dict[str, type]:
    """Type of each column's cells as the writer knows them; an empty table keeps its types."""
    return {name: _plain(info.annotation) for name, info in model.model_fields.items()}


def _plain(annotation: Any) -> type:
    """`float | None` is float; choices are text."""
    options = [option for option in get_args(annotation) if option is not type(None)]
    kind = options[0] if options else annotation
    return kind if isinstance(kind, type) and not issubclass(kind, Enum) else str


def by_column(model: type[PlanRow], rows: Sequence[PlanRow]) -> dict[str, list[Any]]:
    """Rows turned into columns, in the model's order; each column is there without rows too."""
    return {name: [getattr(row, name) for row in rows] for name in model.model_fields}
