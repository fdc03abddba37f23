"""Row models of the trade: prices, stock, suppliers, rules of the purchase, phases, exchange rates."""

from decimal import Decimal
from enum import StrEnum
from typing import Annotated

from pydantic import Field

from planner.tables.rows import Day, Fraction, Identifier, Money, NonNegative, Row, Sku, Text

Currency = Annotated[str, Field(pattern=r"^[A-Z]{3}$")]


class TierKind(StrEnum):
    """All units at the reached tier's price, or each unit at the price of its own tier."""

    ALL_UNITS = "all_units"
    INCREMENTAL = "incremental"


class Category(StrEnum):
    """What a SKU is for: its table of the catalogue."""

    MODULES = "modules"
    BATTERIES = "batteries"
    CONTROLLERS = "controllers"
    SWITCHES = "switches"
    CONVERTERS = "converters"
    BALANCE = "balance"


class SkuRule(StrEnum):
    """Whether a SKU may or must be bought."""

    APPROVED = "approved"
    FORBIDDEN = "forbidden"
    REQUIRED = "required"


class PriceRow(Row):
    """One price tier of a SKU at a supplier."""

    sku: Sku = Field(description="SKU of the catalogue")
    supplier: Identifier = Field(description="who sells it")
    min_qty: int = Field(1, ge=1, description="least quantity of the tier")
    unit_price: Money = Field(description="price of one unit at this tier")
    currency: Currency = Field(description="ISO 4217 code")
    tier_kind: TierKind = Field(TierKind.ALL_UNITS, description="how the tier applies")
    valid_from: Day | None = Field(None, description="first day of validity")
    valid_to: Day | None = Field(None, description="last day of validity")


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


class SkuRuleRow(Row):
    """A SKU on the lists of a fleet.

    With an approved SKU in a category, only approved and required ones of it may be bought.
    """

    sku: Sku = Field(description="SKU of the catalogue")
    rule: SkuRule = Field(description="approved, forbidden, or required: some site must use it")
    reason: Text = Field("", description="for people")


class CategoryRuleRow(Row):
    """How a category of SKUs is bought: how many sorts, and with which spares."""

    category: Category = Field(description="table of the catalogue")
    distinct_max: int | None = Field(None, ge=1, le=999, description="most SKUs of it; blank: any number")
    onboarding_cost: Money = Field(
        Decimal(0), description="once for each SKU used: tests, training, drawings; scenario currency"
    )
    spares_share: Fraction = Field(0.0, description="spares / units at sites, rounded up for each SKU")
    spares_protection: Annotated[float, Field(gt=0, lt=1)] | None = Field(
        None, description="chance that spares last through resupply_weeks, with the SKU's mtbf_years"
    )
    resupply_weeks: Annotated[float, Field(gt=0, le=260)] | None = Field(
        None, description="from ordering a new spare to its arrival"
    )


class PhaseRow(Row):
    """A phase of building the fleet, with its own money."""

    phase: int = Field(ge=1, le=99, description="number, 1 first")
    name: Text = Field("", description="for people")
    budget: Money = Field(description="money of the phase, scenario currency; what is left goes to the next")


class FxRow(Row):
    """An exchange rate into the scenario's currency."""

    currency: Currency = Field(description="ISO 4217 code of the foreign currency")
    rate: Annotated[Decimal, Field(gt=0)] = Field(description="scenario currency per unit of this currency")
    date: Day = Field(description="day of the rate")
    source: Text = Field("", description="where the rate comes from")
