"""A small plan with its scenario, to change one thing at a time, with fresh hashes."""

import hashlib
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq

from planner.pipeline import plan_folder
from planner.referee import Check, audit_plan, overrides, read_manifest
from planner.scenario import Scenario, read_scenario
from planner.tables.plan_rows import PLAN_TABLES, cell_types
from planner.tables.write import write_table
from tests.plan.fleets import Cut
from tests.support import Rows

#: Own irradiation and other supply, a horizon, injectors, adapters, converters on 48 V, load terminals, PWM.
SITES = ("achnasheen", "cairnwell", "finse", "grotli", "kilpis", "tyin")
#: A controller that stays, and parts that may.
EXISTING: Rows = [
    {"site_id": "cairnwell", "sku": "MK-T30 (150)", "quantity": "1", "keep": "must"},
    {"site_id": "finse", "sku": "STV K90 ins", "quantity": "2", "keep": "may"},
    {"site_id": "tyin", "sku": "AK 12-150 FT", "quantity": "1", "keep": "may"},
]
#: Rules of the purchase: spares by share and by failures, a cap, taking SKUs on, two phases, a list.
CATEGORIES: Rows = [
    {"category": "modules", "spares_share": "0.02", "distinct_max": "3", "onboarding_cost": "120"},
    {"category": "switches", "spares_protection": "0.95", "resupply_weeks": "12"},
]
PHASES: Rows = [{"phase": "1", "budget": "14000"}, {"phase": "2", "budget": "60000"}]
LISTS: Rows = [{"sku": "LDV D10", "rule": "required"}]
HASHES = {"plan-hash", "plan-forms", "input-hash", "setting"}

Columns = dict[str, list[Any]]


class Planned:
    """A written plan and its scenario in a folder of their own."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.plan = folder, folder / "plan"
        self._scenario: Scenario | None = None

    @classmethod
    def make(cls, folder: Path) -> "Planned":
        cut = Cut(folder / "scenario", SITES)
        cut.put("existing", EXISTING).put("category_rules", CATEGORIES).put("phases", PHASES)
        cut.put("sku_rules", LISTS)
        plan_folder(cut.folder, folder / "plan", overrides={"solver.gap": "0.05"})
        return cls(folder)

    @property
    def cut(self) -> Cut:
        """The scenario, to change its tables."""
        made = Cut.__new__(Cut)
        made.folder = self.folder / "scenario"
        return made

    def copy(self, folder: Path) -> "Planned":
        """The same again elsewhere."""
        shutil.copytree(self.folder, folder)
        return Planned(folder)

    def columns(self, table: str) -> Columns:
        """Columns of a table of the plan."""
        read = pq.read_table(self.plan / f"{table}.parquet")
        return {name: read.column(name).to_pylist() for name in read.column_names}

    def write(self, table: str, columns: Columns) -> None:
        """Both forms of a table, and their hashes."""
        write_table(self.plan, table, columns, types=cell_types(PLAN_TABLES[table]))
        self.rehash()

    def rehash(self) -> None:
        """Hashes of the plan's tables as they are now."""
        files = [f"{name}{suffix}" for name in PLAN_TABLES for suffix in (".csv", ".parquet")]
        self.manifest(lambda m: m | {"files": {file: sha256(self.plan / file) for file in files}})

    def state(self, scenario: Scenario) -> None:
        """Hashes and settings of a scenario, as if the plan had been made from it."""
        settings = {
            name: {"value": value, "origin": scenario.origins.get(name, "default")}
            for name, value in flatten(scenario.settings.model_dump(mode="json")).items()
        }
        date = scenario.settings.plan_date.isoformat()
        stated = {"inputs": scenario.input_hashes, "settings": settings, "plan_date": date}
        self.manifest(lambda m: m | stated)

    def manifest(self, edit: Callable[[dict[str, Any]], dict[str, Any]]) -> None:
        path = self.plan / "manifest.json"
        path.write_text(json.dumps(edit(read_manifest(self.plan))), encoding="utf-8")

    def read(self) -> Scenario:
        return read_scenario(self.folder / "scenario", overrides=overrides(read_manifest(self.plan)))

    def broken(self, scenario: Scenario | None = None) -> list[Check]:
        """Broken checks, the scenario read anew unless given."""
        return audit_plan(self.plan, scenario or self.read()).broken


def sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def flatten(values: dict[str, Any], prefix: str = "") -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for name, value in values.items():
        flat |= flatten(value, f"{prefix}{name}.") if isinstance(value, dict) else {f"{prefix}{name}": value}
    return flat
