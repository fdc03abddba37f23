"""Checks of what users state of their sites' months: units, ranges, conflicts, whole years, plausibility."""

from collections import defaultdict
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from planner.errors import Problem, Severity
from planner.tables.checks import Check, Context
from planner.tables.columns import columns_of
from planner.tables.months import (
    CONVERSIONS,
    LONG_COLUMNS,
    LONG_TABLE,
    WIDE_TABLE,
    StatedMonth,
    unit_fits,
)
from planner.tables.rows import IrradiationUnit, MonthQuantity, SiteMonthRow
from planner.units import MONTHS

SOLAR_CONSTANT_W_M2 = 1361.0  # total solar irradiance (Kopp and Lean 2011, doi 10.1029/2010GL045777)
CLEARNESS_MAX = 0.85  # no place's monthly mean reaches it (common practice, no source)
IRRADIATION_SLACK_WH = 150.0  # for polar months whose mean day is dark while some of its days are not
CLEARNESS_YEAR_MIN = 0.15  # no place's yearly mean is as dull; kWh, MJ and monthly sums are (common practice)
SAME = 1e-3  # two statements of one value that differ by less, relatively, are one value rounded twice
MEAN_DAY = np.array([17, 47, 75, 105, 135, 162, 198, 228, 258, 288, 318, 344])  # Klein 1977
GHI_REMEDY = "write Wh per m2 and mean day, not a monthly sum; north and south may be swapped"


def extraterrestrial_wh_m2_day(
    latitude_deg: NDArray[np.float64], month: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Daily horizontal irradiation above the atmosphere on the mean day of a month.

    Parameters
    ----------
    latitude_deg, month : array
        Equal shapes; months 1 to 12.

    Returns
    -------
    array
        [Wh/m2] of the same shape; 0 in polar night.

    References
    ----------
    Duffie and Beckman, Solar Engineering of Thermal Processes, eqs. 1.6.1 and 1.10.3; Klein 1977
    for the days.
    """
    day = MEAN_DAY[month - 1]
    declination = np.radians(23.45 * np.sin(2 * np.pi * (284 + day) / 365))
    latitude = np.radians(np.clip(latitude_deg, -89.99, 89.99))
    sunset = np.arccos(np.clip(-np.tan(latitude) * np.tan(declination), -1, 1))
    height = np.cos(latitude) * np.cos(declination) * np.sin(sunset) + sunset * np.sin(latitude) * np.sin(
        declination
    )
    distance = 1 + 0.033 * np.cos(2 * np.pi * day / 365)
    daily: NDArray[np.float64] = 24 / np.pi * SOLAR_CONSTANT_W_M2 * distance * height
    return np.maximum(daily, 0.0)


def _problem(
    context: Context,
    one: StatedMonth,
    severity: Severity = Severity.ERROR,
    *,
    code: str,
    message: str,
    remedy: str,
    rule: str,
) -> Problem:
    """A problem of the cell in which a value stands."""
    return context.tables[one.table].problem(
        one.at,
        code=code,
        column=one.column,
        value=one.stated,
        message=message,
        remedy=remedy,
        rule=rule,
        severity=severity,
    )


def units(context: Context) -> Iterator[Problem]:
    """Irradiation has a unit beside it, and a unit fits its quantity."""
    long, wide = context.tables[LONG_TABLE], context.tables[WIDE_TABLE]
    known = ", ".join(unit.value for unit in IrradiationUnit)
    for at, row in enumerate(long.rows):
        if row.ghi is not None and row.ghi_unit is None:
            yield long.problem(
                at,
                code="missing-unit",
                column="ghi_unit",
                message=f"must be stated for ghi {row.ghi:g}",
                remedy=f"write the unit of the value: {known}",
            )
    for at, row in enumerate(wide.rows):
        if not unit_fits(row.quantity, row.unit):
            fitting = ", ".join(CONVERSIONS[row.quantity])
            yield wide.problem(
                at,
                code="unit-of-another-quantity",
                column="unit",
                value=row.unit.value,
                message=f"is no unit of {row.quantity.value}",
                remedy=f"write {fitting}",
                rule=fitting,
            )


def ranges(context: Context) -> Iterator[Problem]:
    """A converted value lies in the range of its column in the long table."""
    columns = {column.column: column for column in columns_of(SiteMonthRow, LONG_TABLE)}
    stated = SiteMonthRow.model_json_schema()["properties"]
    limits = {quantity: _limits(stated[column]) for quantity, column in LONG_COLUMNS.items()}
    for one in context.stated_months:
        low, high = limits[one.quantity]
        if not low <= one.value <= high:
            column = columns[LONG_COLUMNS[one.quantity]]
            yield _problem(
                context,
                one,
                code="out-of-range",
                message=f"{one.unit} is {one.value:.6g} in {column.column}, outside {column.range}",
                remedy="check the value and its unit",
                rule=column.range,
            )


def _limits(schema: dict[str, list[dict[str, float]]]) -> tuple[float, float]:
    number = next(part for part in schema["anyOf"] if "minimum" in part)
    return number["minimum"], number.get("maximum", np.inf)


def conflicts(context: Context) -> Iterator[Problem]:
    """One month of one quantity of one site has one value, whichever table or column states it."""
    first: dict[tuple[str, MonthQuantity, int], StatedMonth] = {}
    for one in context.stated_months:
        before = first.setdefault((one.site_id, one.quantity, one.month), one)
        same_cells = (before.table, before.at, before.column) == (one.table, one.at, one.column)
        if same_cells or (before.table, before.column) == (one.table, one.column):
            continue  # a key that stands twice is named by its own check
        if abs(one.value - before.value) > SAME * max(abs(one.value), abs(before.value)):
            table = context.tables[before.table]
            where = f"{table.file}, line {table.lines[before.at]}, column {before.column}"
            yield _problem(
                context,
                one,
                code="conflicting-values",
                message=f"states {one.quantity.value} of month {one.month} of {one.site_id} again: "
                f"{where} has {before.stated:g}{' ' + before.unit if before.unit else ''}",
                remedy="clear one of the two",
                rule="one value",
            )


def months(context: Context) -> Iterator[Problem]:
    """A site states irradiation for all twelve months or for none."""
    stated: dict[str, dict[int, StatedMonth]] = defaultdict(dict)
    for one in context.stated_months:
        if one.quantity is MonthQuantity.GHI:
            stated[one.site_id].setdefault(one.month, one)
    for site_id, present in stated.items():
        if len(present) == MONTHS:
            continue
        absent = ", ".join(str(month) for month in range(1, MONTHS + 1) if month not in present)
        first = next(iter(present.values()))
        yield context.tables[first.table].problem(
            first.at,
            code="incomplete-year",
            column=first.column,
            value=site_id,
            message=f"is stated for {len(present)} months of the site only; months without it: {absent}",
            remedy="state all twelve, or none to use the built-in climate",
            rule="12 months or none",
        )


def irradiation(context: Context) -> Iterator[Problem]:
    """Irradiation that the sky cannot give, or that was typed in kWh."""
    latitude = {row.site_id: row.latitude_deg for row in context.rows("sites")}
    ghi_rows = (one for one in context.stated_months if one.quantity is MonthQuantity.GHI)
    chosen = [one for one in ghi_rows if one.site_id in latitude]
    if not chosen:
        return
    ghi = np.array([one.value for one in chosen])
    sky = extraterrestrial_wh_m2_day(
        np.array([latitude[one.site_id] for one in chosen]),
        np.array([one.month for one in chosen], dtype=np.int64),
    )
    for i in np.flatnonzero(ghi > CLEARNESS_MAX * sky + IRRADIATION_SLACK_WH).tolist():
        yield _problem(
            context,
            chosen[i],
            Severity.WARNING,
            code="implausible",
            rule=f"at most {CLEARNESS_MAX * sky[i] + IRRADIATION_SLACK_WH:.0f} Wh/m2/day",
            message=f"is more than a clear sky gives at this latitude in month {chosen[i].month}",
            remedy="the unit, or north and south, may be mistaken" if chosen[i].unit else GHI_REMEDY,
        )
    by_site: dict[str, list[int]] = {}
    for i, one in enumerate(chosen):
        by_site.setdefault(one.site_id, []).append(i)
    for months_of in by_site.values():
        share = float(ghi[months_of].sum() / max(sky[months_of].sum(), 1e-9))
        if 0 < share < CLEARNESS_YEAR_MIN:
            best = chosen[max(months_of, key=lambda i: ghi[i])]
            yield _problem(
                context,
                best,
                Severity.WARNING,
                code="implausible",
                rule=f"over {CLEARNESS_YEAR_MIN:.0%} of the sky's over the year",
                message=f"is the best month of a year with {share:.1%} of what the sky above the air gives",
                remedy="check the unit"
                if best.unit
                else "write Wh per m2 and day, not kWh, MJ or the sum of a month",
            )


MONTH_CHECKS: tuple[Check, ...] = (units, ranges, conflicts, months, irradiation)
