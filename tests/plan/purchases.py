"""Fleets of like sites with a single part of each kind for sale: what a purchase costs can be worked by hand.

Each site takes `UNITS` (there is no smaller design): goods 3 x 250 + 120 x 0.085 = 10.20 + 140 + 4 x 80 + 90
+ 310 = 1,620.20; 3 x 30 + 1.2 + 12 + 4 x 7.5 + 20 + 0.8 = 154 kg at 2 = 308; access 100, labour 500.
"""

from decimal import Decimal
from pathlib import Path
from typing import Any

from planner.pipeline import plan_fleet
from planner.plan import Plan
from planner.scenario import read_scenario
from tests.support import SETTINGS, Rows, table, write_scenario

MODULE, STORE, CONTROLLER, SWITCH, MOUNT, BOX = "M-100/36", "B-AGM (100)", "C-20+L", "S-8#W", "MT-4", "EN-60"
UNITS = {STORE: 3, CONTROLLER: 1, BOX: 1, MODULE: 4, MOUNT: 1, SWITCH: 1}
SITE = Decimal("2528.20")
_POLICY = "autonomy_days = 2\ninstallation_cost = 500\n\n[solver]\ngap = 0.0"


def price(sku: str, unit_price: str, supplier: str = "north", **cells: str) -> dict[str, str]:
    """A row of prices."""
    row = {"sku": sku, "supplier": supplier, "min_qty": "1", "unit_price": unit_price, "currency": "EUR"}
    return row | cells


def twin(name: str, sku: str, **cells: str) -> dict[str, Rows]:
    """A table of the catalogue with a second part like its first."""
    rows = table(f"catalogue/{name}")
    return {f"catalogue/{name}": [*rows, rows[0] | {"sku": sku} | cells]}


def sites(*cells: dict[str, str]) -> Rows:
    """Sites s1, s2, ... of the one load, each with its cells."""
    first = table("sites")[0] | {"access_cost": "100", "freight_per_kg": "2", "load_profile": "camera"}
    return [first | {"site_id": f"s{i}"} | own for i, own in enumerate(cells, 1)]


#: Of the second priority s2 is cheaper than s1; s3 is the dearest, and comes first.
THREE = sites({"priority": "2", "access_cost": "150"}, {"priority": "2"}, {"access_cost": "900"})


def write_fleet(
    folder: Path,
    where: Rows,
    *,
    prices: Rows | None = None,
    stock: Rows | None = None,
    tables: dict[str, Rows] | None = None,
) -> Path:
    """Write a fleet; `prices` replaces those of the SKUs that it names."""
    named = {row["sku"] for row in prices or []}
    kept = [row for row in table("catalogue/prices") if row["sku"] not in {*named, MODULE}]
    own = prices or []
    if MODULE not in named:
        own = [*own, price(MODULE, "80")]
    whole: dict[str, Any] = {
        "sites": where,
        "loads": [row for row in table("loads") if row["load_profile"] == "camera"],
        "catalogue/prices": kept + own,
        "catalogue/suppliers": [*table("catalogue/suppliers"), {"supplier": "south", "name": "South"}],
        "catalogue/stock": stock or [{"sku": MODULE, "supplier": "north", "pack_qty": "1"}],
    }
    settings = SETTINGS.replace("autonomy_days = 4", _POLICY)
    return write_scenario(folder, settings=settings, tables=whole | (tables or {}))


def plan_of(folder: Path, where: Rows, *, settings: dict[str, str] | None = None, **content: Any) -> Plan:
    """The plan of a fleet."""
    return plan_fleet(read_scenario(write_fleet(folder, where, **content), overrides=settings or {}))


def orders(plan: Plan, sku: str) -> list[tuple[str, int, int, int, str]]:
    """Lines of a SKU: supplier, units of sites, spares, surplus, cost."""
    rows = plan.tables["procurement"]
    names = ("supplier", "quantity_sites", "quantity_spares", "quantity_surplus", "line_cost")
    every = zip(rows["sku"], *(rows[name] for name in names), strict=True)
    return [(a, b, c, d, str(e)) for found, a, b, c, d, e in every if found == sku]


def problems(plan: Plan, site_id: str) -> dict[str, Any]:
    """The row of problems of a site."""
    rows = plan.tables["problems"]
    at = rows["site_id"].index(site_id)
    return {name: values[at] for name, values in rows.items()}
