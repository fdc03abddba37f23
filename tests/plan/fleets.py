"""Small fleets cut from a bundled scenario with its catalogue beside it; tests change one thing at a time."""

import shutil
from collections.abc import Callable, Collection
from pathlib import Path

from planner.pipeline import plan_fleet
from planner.plan import Plan
from planner.scenario import read_scenario
from planner.units import shipped
from tests.support import Rows, read_rows, write_rows

SCENARIO = shipped("scenarios") / "tundrakall"
CATALOGUE = shipped("data") / "catalogue"

#: Their parts are for hot places and telecom plants. Cut fleets do without: every design of a site is made
#: and compared, and they would make several times as many.
SOUTHERN_SUPPLIERS = ("garrundel", "pavorana")

SKU_TABLES = ("modules", "batteries", "controllers", "switches", "converters", "balance")

#: The settings file of the cut fleets: nothing rounds the proof away, and the catalogue can be changed.
SETTINGS = """\
name = "Cut"
plan_date = 2026-11-20
currency = "EUR"
catalogue = "catalogue"

[policy]
autonomy_days = 5
installation_cost = 900

[battery]
enclosure_damping_k = 12

[solver]
gap = 0.0
"""


def part_of(scenario: str, folder: Path, sites: Collection[str]) -> Path:
    """Copy some sites of a bundled scenario to a folder; it keeps its settings and the whole catalogue."""
    shutil.copytree(shipped("scenarios") / scenario, folder)
    for path in folder.glob("*.csv"):
        rows = read_rows(path)
        if rows and "site_id" in rows[0]:
            kept = [row for row in rows if row["site_id"] in sites]
            write_rows(path, kept) if kept else path.unlink()
    return folder


class Cut:
    """A scenario in a folder, made of some sites of the bundled one."""

    def __init__(self, folder: Path, sites: Collection[str]) -> None:
        self.folder = folder
        (folder / "catalogue").mkdir(parents=True)
        for path in CATALOGUE.glob("*.csv"):
            shutil.copy(path, folder / "catalogue")
        for path in SCENARIO.glob("*.csv"):
            shutil.copy(path, folder)
        (folder / "scenario.toml").write_text(SETTINGS, encoding="utf-8")
        for name in ("sites", "site_months", "horizon"):
            self.change(name, lambda rows: [row for row in rows if row["site_id"] in sites])
        self._without_southern_parts()

    def _without_southern_parts(self) -> None:
        southern = {
            row["sku"] for row in self.rows("catalogue/prices") if row["supplier"] in SOUTHERN_SUPPLIERS
        }
        for path in (self.folder / "catalogue").glob("*.csv"):
            self.change(
                f"catalogue/{path.stem}", lambda rows: [row for row in rows if row.get("sku") not in southern]
            )

    def thin(self, of: int, *places: int) -> "Cut":
        """Sell those SKUs of each table alone whose place in it, modulo `of`, is one of `places`.

        A plan of half the catalogue takes a quarter of the time, and answers a change as one of all of it.
        """
        sold = {
            row["sku"]
            for name in SKU_TABLES
            for at, row in enumerate(self.rows(f"catalogue/{name}"))
            if at % of in places
        }
        return self.change("catalogue/prices", lambda rows: [row for row in rows if row["sku"] in sold])

    def buses(self, *volts: int) -> "Cut":
        """Let buses be of these voltages alone: fewer designs to size, the same relations between plans."""
        path = self.folder / "scenario.toml"
        text = path.read_text(encoding="utf-8")
        path.write_text(
            text.replace("[policy]\n", f"[policy]\nsystem_voltages_v = {list(volts)}\n"), encoding="utf-8"
        )
        return self

    def rows(self, name: str) -> Rows:
        """Rows of a table; `name` as in `catalogue/prices`."""
        return read_rows(self.folder / f"{name}.csv")

    def change(self, name: str, edit: Callable[[Rows], Rows]) -> "Cut":
        """Replace the rows of a table; a table without rows goes."""
        rows = edit(self.rows(name))
        path = self.folder / f"{name}.csv"
        write_rows(path, rows) if rows else path.unlink()
        return self

    def put(self, name: str, rows: Rows) -> "Cut":
        """Write a table that the bundled scenario does not have."""
        write_rows(self.folder / f"{name}.csv", rows)
        return self

    def each(self, name: str, **cells: Callable[[str], str]) -> "Cut":
        """Change cells of every row; blank cells stay blank."""
        return self.change(
            name,
            lambda rows: [
                row | {column: edit(row[column]) for column, edit in cells.items() if row[column]}
                for row in rows
            ],
        )

    def plan(self, **settings: str) -> Plan:
        """The plan, with settings as `policy__autonomy_days="7"`."""
        overrides = {name.replace("__", "."): value for name, value in settings.items()}
        return plan_fleet(read_scenario(self.folder, overrides=overrides))
