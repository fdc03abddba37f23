"""Plans of one site with two batteries to choose from, so that what changes follows from the prices alone."""

from pathlib import Path

from planner.pipeline import plan_folder
from tests.support import SETTINGS, Rows, table, write_scenario

KNOWN, OTHER = "B-AGM (100)", "=B-NEW"  # the second begins like a formula, as makers' numbers may
VALLEY = "NA"  # the one site that is always served

Tables = dict[str, Rows | str | bytes]


def fleet_tables(*, other_price: str = "300", other_stock: str = "100") -> Tables:
    """The minimal scenario's valley site, with a second battery that differs in price and stock alone."""
    batteries, prices, stock = (table(f"catalogue/{name}") for name in ("batteries", "prices", "stock"))
    batteries.append(batteries[0] | {"sku": OTHER})
    prices.append(prices[2] | {"sku": OTHER, "unit_price": other_price})
    stock.append(
        {"sku": OTHER, "supplier": "north", "stock_qty": other_stock, "min_order_qty": "1", "pack_qty": "1"}
    )
    return {
        "sites": [row for row in table("sites") if row["site_id"] == VALLEY],
        "catalogue/batteries": batteries,
        "catalogue/prices": prices,
        "catalogue/stock": stock,
    }


def plan_at(folder: Path, tables: Tables, *, settings: str = SETTINGS, **overrides: str) -> Path:
    """Write a scenario, plan it, and give the plan's folder."""
    scenario = write_scenario(folder / "scenario", settings=settings, tables=tables)
    plan_folder(scenario, folder / "plan", overrides=overrides)
    return folder / "plan"
