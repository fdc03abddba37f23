"""The plan's folder: its manifest, its tables in both forms, and the hashes of everything it rests on."""

import csv
import hashlib
import io
import json
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import InvalidOperation
from pathlib import Path
from typing import Any

from planner.errors import OutputError
from planner.referee.check import Check, holds
from planner.scenario import Scenario
from planner.settings import flat_settings
from planner.tables.plan_files import MANIFEST, parquet_columns, parse_manifest, plan_table
from planner.tables.plan_rows import PLAN_TABLES, PlanRow, cell_types
from planner.tables.write import guard

FLAGS = {"true": True, "false": False}


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanFiles:
    """What stands in a plan's folder: manifest, rows of every table, and what is wrong with the files."""

    manifest: Mapping[str, Any]
    tables: Mapping[str, Sequence[Any]]
    checks: Sequence[Check]

    @property
    def whole(self) -> bool:
        """Whether every table could be read."""
        return set(self.tables) == set(PLAN_TABLES)


def read_manifest(folder: Path) -> dict[str, Any]:
    """The manifest of a plan.

    Raises
    ------
    OutputError
        The folder holds no plan.
    """
    try:
        return parse_manifest((folder / MANIFEST).read_bytes())
    except (OSError, ValueError) as error:
        raise OutputError(f"{folder} holds no plan: {error}") from error


def read_plan(folder: Path) -> PlanFiles:
    """Tables of a plan, as typed in Parquet, with the checks of hashes and of both forms against each other.

    Raises
    ------
    OutputError
        The folder holds no plan.
    """
    manifest, tables, checks = read_manifest(folder), {}, []
    stated = manifest.get("files")
    stated = stated if isinstance(stated, dict) else {}
    for name, model in PLAN_TABLES.items():
        data = {}
        for file in (f"{name}.csv", f"{name}.parquet"):
            data[file] = _bytes(folder / file)
            own = hashlib.sha256(data[file] or b"").hexdigest()
            checks.append(
                holds("plan-hash", "", file, stated.get(file) == own, "has changed since the plan was made")
            )
        rows, faults = _table(name, model, data[f"{name}.csv"], data[f"{name}.parquet"])
        checks += faults
        if rows is not None:
            tables[name] = rows
    return PlanFiles(manifest=manifest, tables=tables, checks=checks)


def _bytes(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except OSError:
        return None


def _table(
    name: str, model: type[PlanRow], text: bytes | None, typed: bytes | None
) -> tuple[list[Any] | None, list[Check]]:
    """Rows of a table, and whether its two forms can be read and say the same."""
    try:
        cells = parquet_columns(_there(typed))
        rows = plan_table(model, cells)
    except ValueError as error:
        note = str(error).splitlines()[0][:120]
        return None, [holds("plan-table", "", f"{name}.parquet", False, f"cannot be read: {note}")]
    try:
        kinds = cell_types(model)
        guarded = [[guard(v or "") for v in cells[n]] if kinds[n] is str else cells[n] for n in kinds]
        same = _csv(_there(text), model) == Counter(zip(*guarded, strict=True))
        return rows, [holds("plan-forms", "", name, same, "says one thing as CSV, another as Parquet")]
    except ValueError as error:
        return rows, [holds("plan-table", "", f"{name}.csv", False, f"cannot be read: {str(error)[:120]}")]


def _there(data: bytes | None) -> bytes:
    if data is None:
        raise ValueError("the file is not there")
    return data


def _csv(data: bytes, model: type[PlanRow]) -> Counter[tuple[Any, ...]]:
    """Rows of a CSV file in the columns' order of the model, typed like Parquet's."""
    lines = list(csv.reader(io.StringIO(data.decode("utf-8-sig"), newline=""), strict=True))
    kinds, header = cell_types(model), lines[0] if lines else []
    if sorted(header) != sorted(kinds):
        raise ValueError("its columns are not the table's")
    body = [line for line in lines[1:] if line]
    if any(len(line) != len(header) for line in body):
        raise ValueError("a row has more or fewer cells than the header")
    columns = dict(zip(header, zip(*body, strict=True), strict=True)) if body else dict.fromkeys(header, ())
    typed = [_typed(columns[name], kind) for name, kind in kinds.items()]
    return Counter(zip(*typed, strict=True))


def _typed(texts: Sequence[str], kind: type) -> list[Any]:
    if kind is str:
        return list(texts)
    if kind is bool:
        return [FLAGS.get(text.lower()) if text else None for text in texts]
    try:
        return [None if text == "" else kind(text) for text in texts]
    except InvalidOperation as error:
        raise ValueError("a cell is no number") from error


def input_hashes(manifest: Mapping[str, Any], scenario: Scenario, more: Mapping[str, str]) -> Iterator[Check]:
    """Every input is the file that the plan was made from, and no other was added."""
    stated = manifest.get("inputs")
    stated = stated if isinstance(stated, dict) else {}
    own = {**scenario.input_hashes, **more}
    for file in sorted(stated.keys() | own.keys()):
        note = (
            "is not read any more"
            if file not in own
            else "was not there"
            if file not in stated
            else "has changed since the plan was made"
        )
        yield holds("input-hash", "", file, stated.get(file) == own.get(file), note)


def settings(manifest: Mapping[str, Any], scenario: Scenario) -> Iterator[Check]:
    """Every setting is the one that the plan was made with."""
    stated = manifest.get("settings")
    stated = stated if isinstance(stated, dict) else {}
    own = flat_settings(scenario.settings)
    for name in sorted(stated.keys() | own.keys()):
        cell = stated.get(name)
        value = cell.get("value") if isinstance(cell, dict) else None
        origin = cell.get("origin") if isinstance(cell, dict) else None
        same = value == own.get(name) and origin == scenario.origins.get(name, "default")
        yield holds("setting", "", name, same, f"is {own.get(name)!r} in the scenario")


def overrides(manifest: Mapping[str, Any]) -> dict[str, str]:
    """Settings that the plan was given beside the scenario's files, as text."""
    stated = manifest.get("settings")
    cells = stated.items() if isinstance(stated, dict) else ()
    given = {
        name: cell["value"]
        for name, cell in cells
        if isinstance(cell, dict) and cell.get("origin") == "--set"
    }
    return {name: value if isinstance(value, str) else json.dumps(value) for name, value in given.items()}
