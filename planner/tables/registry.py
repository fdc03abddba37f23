"""Which tables there are, where they stand, and their keys and references."""

from dataclasses import dataclass, field
from enum import StrEnum

from planner.tables import catalogue as cat
from planner.tables import existing, price_columns, rows, trade_rows


class Place(StrEnum):
    """A table stands in the scenario's folder or in the catalogue's."""

    SCENARIO = "scenario"
    CATALOGUE = "catalogue"


@dataclass(frozen=True, slots=True, kw_only=True)
class TableSpec:
    """A table: its row model, its key columns, and references `column -> other table.column`.

    Rows are put in the order of the key, or of `order` where a table has no key; rows alike in that stay
    as they stand in the file.
    """

    name: str
    row: type[rows.Row]
    place: Place
    key: tuple[str, ...]
    order: tuple[str, ...] = ()
    required: bool = False
    references: dict[str, tuple[str, str]] = field(default_factory=dict)


SCENARIO, CATALOGUE = Place.SCENARIO, Place.CATALOGUE

TABLES: tuple[TableSpec, ...] = (
    TableSpec(
        name="sites",
        row=rows.SiteRow,
        place=SCENARIO,
        key=("site_id",),
        required=True,
        references={"load_profile": ("loads", "load_profile")},
    ),
    TableSpec(
        name="site_months",
        row=rows.SiteMonthRow,
        place=SCENARIO,
        key=("site_id", "month"),
        references={"site_id": ("sites", "site_id")},
    ),
    TableSpec(
        name="site_climate_months",
        row=rows.SiteClimateMonthRow,
        place=SCENARIO,
        key=("site_id", "quantity"),
        references={"site_id": ("sites", "site_id")},
    ),
    TableSpec(
        name="climate_files",
        row=rows.ClimateFileRow,
        place=SCENARIO,
        key=("site_id", "path"),
        references={"site_id": ("sites", "site_id")},
    ),
    TableSpec(
        name="horizon",
        row=rows.HorizonRow,
        place=SCENARIO,
        key=("site_id", "azimuth_deg"),
        references={"site_id": ("sites", "site_id")},
    ),
    TableSpec(
        name="existing",
        row=existing.ExistingRow,
        place=SCENARIO,
        key=("site_id", "sku"),
        references={"site_id": ("sites", "site_id")},
    ),
    TableSpec(
        name="supply_today",
        row=existing.TodayRow,
        place=SCENARIO,
        key=("site_id", "box"),
        references={"site_id": ("sites", "site_id")},
    ),
    TableSpec(
        name="loads",
        row=rows.LoadRow,
        place=SCENARIO,
        key=(),
        order=("load_profile", "device", "cable_m", "quantity"),
        required=True,
        references={"device": ("devices", "device")},
    ),
    TableSpec(
        name="devices",
        row=rows.DeviceRow,
        place=SCENARIO,
        key=("device",),
        required=True,
        references={"schedule": ("schedules", "schedule"), "alternative_to": ("devices", "device")},
    ),
    TableSpec(name="schedules", row=rows.ScheduleRow, place=SCENARIO, key=("schedule",)),
    TableSpec(name="sku_rules", row=trade_rows.SkuRuleRow, place=SCENARIO, key=("sku",)),
    TableSpec(name="category_rules", row=trade_rows.CategoryRuleRow, place=SCENARIO, key=("category",)),
    TableSpec(name="phases", row=trade_rows.PhaseRow, place=SCENARIO, key=("phase",)),
    TableSpec(
        name="price_columns", row=price_columns.PriceColumnRow, place=SCENARIO, key=("mapping", "column")
    ),
    TableSpec(name="modules", row=cat.ModuleRow, place=CATALOGUE, key=("sku",), required=True),
    TableSpec(name="batteries", row=cat.BatteryRow, place=CATALOGUE, key=("sku",), required=True),
    TableSpec(name="controllers", row=cat.ControllerRow, place=CATALOGUE, key=("sku",), required=True),
    TableSpec(name="switches", row=cat.SwitchRow, place=CATALOGUE, key=("sku",), required=True),
    TableSpec(
        name="switch_ports",
        row=cat.SwitchPortRow,
        place=CATALOGUE,
        key=(),
        order=("sku",),  # a switch's ports are numbered as they stand
        required=True,
        references={"sku": ("switches", "sku")},
    ),
    TableSpec(name="converters", row=cat.ConverterRow, place=CATALOGUE, key=("sku",), required=True),
    TableSpec(name="balance", row=cat.BalanceRow, place=CATALOGUE, key=("sku",), required=True),
    TableSpec(
        name="prices",
        row=trade_rows.PriceRow,
        place=CATALOGUE,
        key=("sku", "supplier", "min_qty", "valid_from"),
        required=True,
        references={"supplier": ("suppliers", "supplier")},
    ),
    TableSpec(
        name="stock",
        row=trade_rows.StockRow,
        place=CATALOGUE,
        key=("sku", "supplier"),
        references={"supplier": ("suppliers", "supplier")},
    ),
    TableSpec(
        name="suppliers",
        row=trade_rows.SupplierRow,
        place=CATALOGUE,
        key=("supplier",),
        required=True,
    ),
    TableSpec(name="fx", row=trade_rows.FxRow, place=CATALOGUE, key=("currency",)),
)

BY_NAME: dict[str, TableSpec] = {spec.name: spec for spec in TABLES}

#: The tables whose rows are SKUs, in the order of the house; a SKU stands in one of them only.
SKU_TABLES = ("modules", "batteries", "controllers", "switches", "converters", "balance")
