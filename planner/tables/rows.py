"""Row models of the planner's own tables: sites, their months, loads, devices, schedules.

A model is the data dictionary: its fields give name, type, range and meaning of every column, for
the reader of files, for `planner columns` and for the documentation.
"""

import datetime
from decimal import Decimal
from enum import StrEnum
from typing import Annotated

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

SYSTEM_VOLTAGES_V = (12, 24, 48)  # nominal DC buses


def _iso_date(value: object) -> object:
    """Text dates are year-month-day alone: a bare number would pass for seconds since 1970."""
    if isinstance(value, str) and (len(value) != 10 or value[4] != "-" or value[7] != "-"):
        raise PydanticCustomError("bad_date", "Input should be a date written as 2026-03-31")
    if isinstance(value, int | float):
        raise PydanticCustomError("bad_date", "Input should be a date, not a number")
    return value


def _system_voltage(value: int) -> int:
    if value not in SYSTEM_VOLTAGES_V:
        raise PydanticCustomError("system_voltage", "Input should be 12, 24 or 48")
    return value


Identifier = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9][A-Za-z0-9_.\-]*$")]
Sku = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[\x21-\x7e]([\x20-\x7e]*[\x21-\x7e])?$")]
Text = Annotated[str, Field(max_length=200)]
Fraction = Annotated[float, Field(ge=0, le=1)]
Positive = Annotated[float, Field(gt=0)]
NonNegative = Annotated[float, Field(ge=0)]
Money = Annotated[Decimal, Field(ge=0, max_digits=14, decimal_places=4)]
Month = Annotated[int, Field(ge=1, le=12)]
Day = Annotated[datetime.date, BeforeValidator(_iso_date)]
SystemVoltage = Annotated[int, AfterValidator(_system_voltage)]


class Row(BaseModel):
    """A row of a table: immutable, no unknown columns, surrounding blanks stripped."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True, allow_inf_nan=False)


class Supply(StrEnum):
    """How a device takes power."""

    POE = "poe"
    PASSIVE_POE = "passive_poe"
    DC = "dc"
    AC = "ac"


class BusGrounding(StrEnum):
    """Which pole of a DC bus is tied to earth; of a box, which pole its case and shields are tied to."""

    NEGATIVE = "negative"
    POSITIVE = "positive"
    FLOATING = "floating"


class Allocation(StrEnum):
    """What a PoE port sets aside of the switch's budget: the class's power, or the device's maximum."""

    CLASS = "class"
    MEASURED = "measured"


class IrradiationUnit(StrEnum):
    """Unit of a month's irradiation; it is always stated, never guessed from the size of a value."""

    WH_M2_DAY = "Wh/m2/day"
    KWH_M2_DAY = "kWh/m2/day"
    MJ_M2_DAY = "MJ/m2/day"
    W_M2 = "W/m2"
    KWH_M2_MONTH = "kWh/m2/month"
    MJ_M2_MONTH = "MJ/m2/month"


class MonthQuantity(StrEnum):
    """What a row of twelve months states."""

    GHI = "ghi"
    TEMP_AIR = "temp_air"
    ALBEDO = "albedo"
    SHADING_LOSS = "shading_loss"
    SNOW_LOSS = "snow_loss"
    OTHER_SUPPLY = "other_supply"


class MonthUnit(StrEnum):
    """Units of rows of twelve months; which of them fits depends on the quantity."""

    WH_M2_DAY = "Wh/m2/day"
    KWH_M2_DAY = "kWh/m2/day"
    MJ_M2_DAY = "MJ/m2/day"
    W_M2 = "W/m2"
    KWH_M2_MONTH = "kWh/m2/month"
    MJ_M2_MONTH = "MJ/m2/month"
    C = "C"
    F = "F"
    FRACTION = "fraction"
    PERCENT = "percent"
    WH_DAY = "Wh/day"


class WeatherFormat(StrEnum):
    """Format of a weather file; `csv` is any table of hours, described by further columns."""

    EPW = "epw"
    TMY2 = "tmy2"
    TMY3 = "tmy3"
    CSV = "csv"


class Stamp(StrEnum):
    """Which moment of its interval a time stamp names."""

    START = "start"
    MIDDLE = "middle"
    END = "end"


class HourlyUnit(StrEnum):
    """Unit of irradiance in a table of hours: mean power, or energy of the interval."""

    W_M2 = "W/m2"
    WH_M2 = "Wh/m2"
    KWH_M2 = "kWh/m2"
    KJ_M2 = "kJ/m2"
    MJ_M2 = "MJ/m2"
    J_CM2 = "J/cm2"


class TemperatureUnit(StrEnum):
    """Unit of temperature in a table of hours."""

    C = "C"
    F = "F"
    K = "K"


class SiteRow(Row):
    """A place to power."""

    site_id: Identifier = Field(description="key of the site")
    name: Text = Field("", description="name for people")
    latitude_deg: float = Field(ge=-90, le=90, description="latitude, north positive")
    longitude_deg: float = Field(ge=-180, le=180, description="longitude, east positive")
    elevation_m: float | None = Field(None, ge=-430, le=6500, description="height above sea level")
    load_profile: Identifier = Field(description="which rows of `loads` the site runs")
    autonomy_days: float | None = Field(
        None,
        ge=0,
        le=60,
        description="days of load the battery carries alone; blank: policy; 0: not asked, as an availability "
        "is",
    )
    system_voltage_v: SystemVoltage | None = Field(
        None, description="nominal DC bus, 12, 24 or 48; blank: any of policy.system_voltages_v"
    )
    bus_grounding: BusGrounding = Field(
        BusGrounding.NEGATIVE, description="pole of the DC bus that is tied to earth"
    )
    array_to_load_ratio: float | None = Field(
        None,
        ge=0,
        le=5,
        description="least array energy / load in every month; blank: policy; under 1: not asked, as an "
        "availability is",
    )
    availability: float | None = Field(
        None,
        ge=0,
        lt=1,
        description="weather-only energy availability asked, as 0.999; blank: policy; 0: not asked",
    )
    recovery_days_max: float | None = Field(
        None, gt=0, le=365, description="days in which the array refills a used reserve; blank: policy"
    )
    surface_tilt_deg: float | None = Field(
        None, ge=0, le=90, description="array tilt from horizontal; blank: the best tilt"
    )
    surface_azimuth_deg: float | None = Field(
        None, ge=0, le=360, description="array azimuth clockwise from north; blank: equator-facing"
    )
    temp_air_min_c: float | None = Field(None, ge=-75, le=40, description="lowest air temperature")
    temp_air_max_c: float | None = Field(None, ge=-30, le=60, description="highest air temperature")
    enclosure_damping_k: float | None = Field(
        None, ge=0, le=30, description="coldest battery above the lowest air temperature; blank: battery's"
    )
    enclosure_rise_k: float | None = Field(
        None, ge=0, le=40, description="enclosure above the highest air temperature; blank: battery's"
    )
    wind_design_m_s: float | None = Field(
        None, gt=0, le=120, description="gust that mounts and modules stand; blank: policy"
    )
    module_area_max_m2: float | None = Field(None, gt=0, description="room for modules; blank: no limit")
    array_cable_m: NonNegative = Field(
        10.0, le=500, description="one-way length, array to controller; not used yet"
    )
    battery_cable_m: NonNegative = Field(
        2.0, le=50, description="one-way length, battery to bus; not used yet"
    )
    region: Text = Field("", description="free grouping of sites")
    priority: int = Field(
        1, ge=1, le=9, description="1 is served first where budget or stock does not reach for all"
    )
    ready_phase: int = Field(1, ge=1, le=99, description="first of `phases` in which the site can be built")
    access_cost: Money = Field(Decimal(0), description="cost of one working visit, scenario currency")
    freight_per_kg: Money = Field(Decimal(0), description="freight to the site per kg, scenario currency")


class SiteMonthRow(Row):
    """What is known of a site in one month; a stated value wins over the built-in climate."""

    site_id: Identifier = Field(description="site in `sites`")
    month: Month = Field(description="1 January to 12 December")
    ghi_wh_m2_day: float | None = Field(None, ge=0, le=12500, description="mean daily global horizontal")
    ghi: NonNegative | None = Field(None, description="the same in the unit of ghi_unit; one of the two")
    ghi_unit: IrradiationUnit | None = Field(None, description="unit of ghi; must stand wherever ghi does")
    temp_air_c: float | None = Field(None, ge=-70, le=50, description="mean air temperature")
    shading_loss: Fraction | None = Field(None, description="share of irradiation lost to shade")
    snow_loss: Fraction | None = Field(None, description="share of irradiation lost to snow on the modules")
    albedo: Fraction | None = Field(None, description="ground reflectance; blank: 0.2")
    other_supply_wh_day: NonNegative | None = Field(
        None, description="energy from another source, at the bus"
    )


class SiteClimateMonthRow(Row):
    """Twelve months of one quantity of a site in one row; joined with `site_months`."""

    site_id: Identifier = Field(description="site in `sites`")
    quantity: MonthQuantity = Field(description="what the row states")
    unit: MonthUnit = Field(description="unit of the twelve values")
    m01: float | None = Field(None, description="value of January")
    m02: float | None = Field(None, description="the same, of February")
    m03: float | None = Field(None, description="the same, of March")
    m04: float | None = Field(None, description="the same, of April")
    m05: float | None = Field(None, description="the same, of May")
    m06: float | None = Field(None, description="the same, of June")
    m07: float | None = Field(None, description="the same, of July")
    m08: float | None = Field(None, description="the same, of August")
    m09: float | None = Field(None, description="the same, of September")
    m10: float | None = Field(None, description="the same, of October")
    m11: float | None = Field(None, description="the same, of November")
    m12: float | None = Field(None, description="the same, of December")


class ClimateFileRow(Row):
    """A weather file of a site; several files or years are averaged by calendar month.

    Columns from `time_column` on describe format `csv` and stay blank for the others.
    """

    site_id: Identifier = Field(description="site in `sites`")
    path: str = Field(min_length=1, max_length=400, description="file, relative to the scenario's folder")
    format: WeatherFormat = Field(description="epw, tmy2, tmy3, or csv for any other table of hours")
    margin: float = Field(1.0, gt=0, le=1, description="factor taken on the file's irradiation")
    time_column: Text = Field("", description="header of the time stamps; blank: time")
    time_format: Text = Field("", description="as %d.%m.%Y %H:%M; blank: ISO 8601, as 2024-03-31T13:00")
    time_zone: Text = Field("", description="UTC or an offset as +01:00, never summer time; blank: in stamps")
    stamp: Stamp | None = Field(None, description="moment of the interval that a stamp names")
    ghi_column: Text = Field("", description="header of global horizontal irradiance")
    ghi_unit: HourlyUnit | None = Field(None, description="unit of the irradiance")
    temp_column: Text = Field("", description="header of air temperature; blank: none")
    temp_unit: TemperatureUnit | None = Field(None, description="unit of the temperature")
    latitude_deg: float | None = Field(None, ge=-90, le=90, description="of the station; blank: not checked")
    longitude_deg: float | None = Field(None, ge=-180, le=180, description="of the station")
    elevation_m: float | None = Field(None, ge=-430, le=9000, description="of the station")


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
    input_min_v: float | None = Field(None, gt=0, le=400, description="lowest supply voltage, AC as rms")
    input_max_v: float | None = Field(None, gt=0, le=400, description="highest supply voltage, AC as rms")
    input_hz: float | None = Field(
        None, ge=40, le=70, description="frequency an AC device needs; blank: 50 and 60"
    )
    average_w: NonNegative = Field(le=2000, description="mean power while on, at the device")
    max_w: Positive = Field(le=3000, description="greatest power, at the device")
    surge_w: Positive | None = Field(
        None, le=10000, description="inrush of an AC device as it starts; blank: max_w"
    )
    data_ports: int = Field(
        1, ge=0, le=8, description="Ethernet ports it needs on the switch, its PoE port included"
    )
    power_allocation: Allocation = Field(
        Allocation.CLASS, description="budget by class, or by max_w if switch allows"
    )
    schedule: Identifier = Field("always", description="`always`, `day`, `night`, or one of `schedules`")
    case_ground: BusGrounding | None = Field(
        None, description="pole its case is tied to, of a DC or passive device; blank: none"
    )
    alternative_to: Identifier | None = Field(
        None, description="device that this row powers another way; loads name that one, plans take either"
    )


class ScheduleRow(Row):
    """When a device is on: fractions of each hour of solar time, scaled by month."""

    schedule: Identifier = Field(description="key of the schedule; not always, day or night")
    h00: Fraction = Field(description="share of the hour from 00 to 01 solar time")
    h01: Fraction = Field(description="the same, from 01 to 02")
    h02: Fraction = Field(description="the same, from 02 to 03")
    h03: Fraction = Field(description="the same, from 03 to 04")
    h04: Fraction = Field(description="the same, from 04 to 05")
    h05: Fraction = Field(description="the same, from 05 to 06")
    h06: Fraction = Field(description="the same, from 06 to 07")
    h07: Fraction = Field(description="the same, from 07 to 08")
    h08: Fraction = Field(description="the same, from 08 to 09")
    h09: Fraction = Field(description="the same, from 09 to 10")
    h10: Fraction = Field(description="the same, from 10 to 11")
    h11: Fraction = Field(description="the same, from 11 to 12")
    h12: Fraction = Field(description="the same, from 12 to 13")
    h13: Fraction = Field(description="the same, from 13 to 14")
    h14: Fraction = Field(description="the same, from 14 to 15")
    h15: Fraction = Field(description="the same, from 15 to 16")
    h16: Fraction = Field(description="the same, from 16 to 17")
    h17: Fraction = Field(description="the same, from 17 to 18")
    h18: Fraction = Field(description="the same, from 18 to 19")
    h19: Fraction = Field(description="the same, from 19 to 20")
    h20: Fraction = Field(description="the same, from 20 to 21")
    h21: Fraction = Field(description="the same, from 21 to 22")
    h22: Fraction = Field(description="the same, from 22 to 23")
    h23: Fraction = Field(description="the same, from 23 to 24")
    m01: Fraction = Field(1.0, description="factor on all hours in January")
    m02: Fraction = Field(1.0, description="the same, in February")
    m03: Fraction = Field(1.0, description="the same, in March")
    m04: Fraction = Field(1.0, description="the same, in April")
    m05: Fraction = Field(1.0, description="the same, in May")
    m06: Fraction = Field(1.0, description="the same, in June")
    m07: Fraction = Field(1.0, description="the same, in July")
    m08: Fraction = Field(1.0, description="the same, in August")
    m09: Fraction = Field(1.0, description="the same, in September")
    m10: Fraction = Field(1.0, description="the same, in October")
    m11: Fraction = Field(1.0, description="the same, in November")
    m12: Fraction = Field(1.0, description="the same, in December")
