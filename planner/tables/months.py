"""What users state of their sites' months, from the long and the twelve-column table, in one unit each.

1 kWh = 3.6 MJ; a mean of 1 W over a day is 24 Wh; totals of a month are shared over its days.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from planner.tables.rows import MonthQuantity, MonthUnit, SiteClimateMonthRow, SiteMonthRow
from planner.units import DAYS_IN_MONTH, HOURS_PER_DAY, MJ_PER_KWH, MONTHS

LONG_TABLE, WIDE_TABLE = "site_months", "site_climate_months"
LONG_COLUMNS = {
    MonthQuantity.GHI: "ghi_wh_m2_day",
    MonthQuantity.TEMP_AIR: "temp_air_c",
    MonthQuantity.ALBEDO: "albedo",
    MonthQuantity.SHADING_LOSS: "shading_loss",
    MonthQuantity.SNOW_LOSS: "snow_loss",
    MonthQuantity.OTHER_SUPPLY: "other_supply_wh_day",
}

#: Value and month 0..11 to the planner's unit of the quantity.
Conversion = Callable[[float, int], float]

_IRRADIATION: dict[str, Conversion] = {
    "Wh/m2/day": lambda value, month: value,
    "kWh/m2/day": lambda value, month: 1000.0 * value,
    "MJ/m2/day": lambda value, month: 1000.0 / MJ_PER_KWH * value,
    "W/m2": lambda value, month: HOURS_PER_DAY * value,
    "kWh/m2/month": lambda value, month: 1000.0 * value / DAYS_IN_MONTH[month],
    "MJ/m2/month": lambda value, month: 1000.0 / MJ_PER_KWH * value / DAYS_IN_MONTH[month],
}
_SHARE: dict[str, Conversion] = {
    "fraction": lambda value, month: value,
    "percent": lambda value, month: value / 100.0,
}
CONVERSIONS: dict[MonthQuantity, dict[str, Conversion]] = {
    MonthQuantity.GHI: _IRRADIATION,
    MonthQuantity.TEMP_AIR: {
        "C": lambda value, month: value,
        "F": lambda value, month: (value - 32.0) / 1.8,
    },
    MonthQuantity.ALBEDO: _SHARE,
    MonthQuantity.SHADING_LOSS: _SHARE,
    MonthQuantity.SNOW_LOSS: _SHARE,
    MonthQuantity.OTHER_SUPPLY: {"Wh/day": lambda value, month: value},
}


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedMonth:
    """One value of one month, in the unit of the quantity's column of `site_months`.

    `table`, `at` (position of the row) and `column` say where it stands, `stated` what stands there.
    """

    site_id: str
    quantity: MonthQuantity
    month: int
    value: float
    stated: float
    unit: str
    table: str
    at: int
    column: str


def unit_fits(quantity: MonthQuantity, unit: MonthUnit) -> bool:
    """Whether a quantity can be stated in a unit."""
    return unit.value in CONVERSIONS[quantity]


def stated_months(
    long_rows: Sequence[SiteMonthRow], wide_rows: Sequence[SiteClimateMonthRow]
) -> Iterator[StatedMonth]:
    """Every value stated, converted; what lacks a fitting unit is left out, which the checks name."""
    for at, row in enumerate(long_rows):
        yield from _of_long(at, row)
    for at, wide in enumerate(wide_rows):
        if unit_fits(wide.quantity, wide.unit):
            yield from _of_wide(at, wide)


def _of_long(at: int, row: SiteMonthRow) -> Iterator[StatedMonth]:
    """Values of a row of the long table; `ghi` with its unit stands beside `ghi_wh_m2_day`."""
    for quantity, column in LONG_COLUMNS.items():
        value = getattr(row, column)
        if value is not None:
            yield StatedMonth(
                site_id=row.site_id,
                quantity=quantity,
                month=row.month,
                value=value,
                stated=value,
                unit="",
                table=LONG_TABLE,
                at=at,
                column=column,
            )
    if row.ghi is not None and row.ghi_unit is not None:
        yield StatedMonth(
            site_id=row.site_id,
            quantity=MonthQuantity.GHI,
            month=row.month,
            value=_IRRADIATION[row.ghi_unit.value](row.ghi, row.month - 1),
            stated=row.ghi,
            unit=row.ghi_unit.value,
            table=LONG_TABLE,
            at=at,
            column="ghi",
        )


def _of_wide(at: int, row: SiteClimateMonthRow) -> Iterator[StatedMonth]:
    convert = CONVERSIONS[row.quantity][row.unit.value]
    for month in range(1, MONTHS + 1):
        column = f"m{month:02d}"
        value = getattr(row, column)
        if value is not None:
            yield StatedMonth(
                site_id=row.site_id,
                quantity=row.quantity,
                month=month,
                value=convert(value, month - 1),
                stated=value,
                unit=row.unit.value,
                table=WIDE_TABLE,
                at=at,
                column=column,
            )
