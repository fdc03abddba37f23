"""Row models of the planner's own tables: sites, their months, loads, devices, schedules, prices.

A model is the data dictionary: its fields give name, type, range and meaning of every column, for
the reader of files, for `planner columns` and for the documentation.
"""

import datetime
from decimal import Decimal
from enum import StrEnum
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Identifier = Annotated[
    str,
    Field(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9][A-Za-z0-9_.\-]*$"),
]
Sku = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[\x21-\x7e]([\x20-\x7e]*[\x21-\x7e])?$")]
Text = Annotated[str, Field(max_length=200)]
Fraction = Annotated[float, Field(ge=0, le=1)]
Positive = Annotated[float, Field(gt=0)]
NonNegative = Annotated[float, Field(ge=0)]
Money = Annotated[Decimal, Field(ge=0, max_digits=14, decimal_places=4)]
Month = Annotated[int, Field(ge=1, le=12)]
Currency = Annotated[str, Field(pattern=r"^[A-Z]{3}$")]


class Row(BaseModel):
    """A row of a table: immutable, no unknown columns, surrounding blanks stripped."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True, allow_inf_nan=False)


class Supply(StrEnum):
    """How a device takes power."""

    POE = "poe"
    PASSIVE_POE = "passive_poe"
    DC = "dc"
    AC = "ac"


class Allocation(StrEnum):
    """What a PoE port sets aside of the switch's budget: the class's power, or the device's maximum."""

    CLASS = "class"
    MEASURED = "measured"


class TierKind(StrEnum):
    """All units at the reached tier's price, or each unit at the price of its own tier."""

    ALL_UNITS = "all_units"
    INCREMENTAL = "incremental"


class SiteRow(Row):
    """A place to power."""

    site_id: Identifier = Field(description="key of the site")
    name: Text = Field("", description="name for people")
    latitude_deg: float = Field(ge=-90, le=90, description="latitude, north positive")
    longitude_deg: float = Field(ge=-180, le=180, description="longitude, east positive")
    elevation_m: float | None = Field(None, ge=-430, le=6500, description="height above sea level")
    load_profile: Identifier = Field(description="which rows of `loads` the site runs")
    autonomy_days: float | None = Field(
        None, gt=0, le=60, description="days of load the battery carries alone; blank: policy.autonomy_days"
    )
    system_voltage_v: int | None = Field(
        None, description="nominal DC bus, 12, 24 or 48; blank: any of policy.system_voltages_v"
    )
    array_to_load_ratio: float | None = Field(
        None, ge=1, le=5, description="least array energy / load in every month; blank: policy"
    )
    surface_tilt_deg: float | None = Field(
        None, ge=0, le=90, description="array tilt from horizontal; blank: the best tilt"
    )
    surface_azimuth_deg: float | None = Field(
        None, ge=0, le=360, description="array azimuth clockwise from north; blank: equator-facing"
    )
    temp_air_min_c: float | None = Field(None, ge=-75, le=40, description="lowest air temperature")
    temp_air_max_c: float | None = Field(None, ge=-30, le=60, description="highest air temperature")
    module_area_max_m2: float | None = Field(None, gt=0, description="room for modules; blank: no limit")
    array_cable_m: NonNegative = Field(10.0, le=500, description="one-way length, array to controller")
    battery_cable_m: NonNegative = Field(2.0, le=50, description="one-way length, battery to bus")
    region: Text = Field("", description="free grouping of sites")
    priority: int = Field(1, ge=1, le=9, description="1 is served first")
    access_cost: Money = Field(Decimal(0), description="cost of one working visit, scenario currency")
    freight_per_kg: Money = Field(Decimal(0), description="freight to the site per kg, scenario currency")


class SiteMonthRow(Row):
    """What is known of a site in one month; a stated value wins over the built-in climate."""

    site_id: Identifier = Field(description="site in `sites`")
    month: Month = Field(description="1 January to 12 December")
    ghi_wh_m2_day: float | None = Field(None, ge=0, le=12500, description="mean daily global horizontal")
    temp_air_c: float | None = Field(None, ge=-70, le=50, description="mean air temperature")
    shading_loss: Fraction | None = Field(None, description="share of irradiation lost to shade")
    snow_loss: Fraction | None = Field(None, description="share of irradiation lost to snow on the modules")
    albedo: Fraction | None = Field(None, description="ground reflectance; blank: 0.2")
    other_supply_wh_day: NonNegative | None = Field(None, description="energy from another source, at the bus")


class HorizonRow(Row):
    """One point of a site's horizon line; points are joined around the compass."""

    site_id: Identifier = Field(description="site in `sites`")
    azimuth_deg: float = Field(ge=0, lt=360, description="clockwise from north")
    elevation_deg: float = Field(ge=0, le=89, description="height of the horizon")


class LoadRow(Row):
    """Devices of a load profile; the same device may stand on two rows with different cables."""

    load_profile: Identifier = Field(description="key of the profile, named by `sites`")
    device: Identifier = Field(description="device in `devices`")
    quantity: int = Field(ge=1, le=200, description="how many")
    cable_m: NonNegative = Field(5.0, le=1000, description="one-way cable length to the device")


class DeviceRow(Row):
    """A network device or instrument that draws power."""

    device: Identifier = Field(description="key of the device")
    description: Text = Field("", description="for people")
    supply: Supply = Field(description="how it takes power")
    poe_class: int | None = Field(None, ge=0, le=8, description="IEEE 802.3 class; blank is not 0")
    passive_v: float | None = Field(None, gt=0, le=60, description="nominal voltage of passive PoE")
    input_min_v: float | None = Field(None, gt=0, le=400, description="lowest supply voltage")
    input_max_v: float | None = Field(None, gt=0, le=400, description="highest supply voltage")
    average_w: NonNegative = Field(le=2000, description="mean power while on, at the device")
    max_w: Positive = Field(le=3000, description="greatest power, at the device")
    data_ports: int = Field(1, ge=0, le=8, description="Ethernet ports it needs on the switch, its PoE port included")
    power_allocation: Allocation = Field(Allocation.CLASS, description="budget by class, or by max_w if switch allows")
    schedule: Identifier = Field("always", description="`always`, `day`, `night`, or one of `schedules`")


class ScheduleRow(Row):
    """When a device is on: fractions of each hour of solar time, scaled by month."""

    schedule: Identifier = Field(description="key of the schedule; not always, day or night")
    h00: Fraction = Field(description="share of the hour from 00 to 01 solar time")
    h01: Fraction
    h02: Fraction
    h03: Fraction
    h04: Fraction
    h05: Fraction
    h06: Fraction
    h07: Fraction
    h08: Fraction
    h09: Fraction
    h10: Fraction
    h11: Fraction
    h12: Fraction
    h13: Fraction
    h14: Fraction
    h15: Fraction
    h16: Fraction
    h17: Fraction
    h18: Fraction
    h19: Fraction
    h20: Fraction
    h21: Fraction
    h22: Fraction
    h23: Fraction
    m01: Fraction = Field(1.0, description="factor on all hours in January")
    m02: Fraction = 1.0
    m03: Fraction = 1.0
    m04: Fraction = 1.0
    m05: Fraction = 1.0
    m06: Fraction = 1.0
    m07: Fraction = 1.0
    m08: Fraction = 1.0
    m09: Fraction = 1.0
    m10: Fraction = 1.0
    m11: Fraction = 1.0
    m12: Fraction = 1.0


class PriceRow(Row):
    """One price tier of a SKU at a supplier."""

    sku: Sku = Field(description="SKU of the catalogue")
    supplier: Identifier = Field(description="who sells it")
    min_qty: int = Field(1, ge=1, description="least quantity of the tier")
    unit_price: Money = Field(description="price of one unit at this tier")
    currency: Currency = Field(description="ISO 4217 code")
    tier_kind: TierKind = Field(TierKind.ALL_UNITS, description="how the tier applies")
    valid_from: datetime.date | None = Field(None, description="first day of validity")
    valid_to: datetime.date | None = Field(None, description="last day of validity")


class StockRow(Row):
    """What a supplier holds of a SKU, and how it is sold."""

    sku: Sku = Field(description="SKU of the catalogue")
    supplier: Identifier = Field(description="who sells it")
    stock_qty: int | None = Field(None, ge=0, description="units on hand; blank: not limited")
    lead_time_weeks: NonNegative | None = Field(None, le=156, description="from order to delivery")
    min_order_qty: int = Field(1, ge=1, description="least order")
    pack_qty: int = Field(1, ge=1, description="units in a pack")


class SupplierRow(Row):
    """A supplier."""

    supplier: Identifier = Field(description="key of the supplier")
    name: Text = Field("", description="for people")
    country: Text = Field("", description="where it ships from")


class FxRow(Row):
    """An exchange rate into the scenario's currency."""

    currency: Currency = Field(description="ISO 4217 code of the foreign currency")
    rate: Annotated[Decimal, Field(gt=0)] = Field(description="scenario currency per unit of this currency")
    date: datetime.date = Field(description="day of the rate")
    source: Text = Field("", description="where the rate comes from")
