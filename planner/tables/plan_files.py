"""A written plan, read back: its manifest, its tables as rows of their models, and proof that they are whole.

Every file of a plan stands in its manifest with its SHA-256, and the manifest's money adds up to the order
lines: a plan that was edited after it was written is refused, with every file at fault.
"""

import hashlib
import io
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from functools import lru_cache
from pathlib import Path
from types import GenericAlias
from typing import Any

from pydantic import TypeAdapter, ValidationError

from planner import __version__
from planner.errors import InputError, Problem
from planner.tables.explain import shown
from planner.tables.files import read_bytes
from planner.tables.plan_rows import PLAN_TABLES, PlanRow

MANIFEST, TIMINGS, INPUTS, SEARCH = "manifest.json", "timings.json", "inputs.zip", "search.npz"
#: What a manifest holds that others build on, with its kind.
SHAPE: Mapping[str, type] = {
    "costs": dict,
    "currency": str,
    "files": dict,
    "inputs": dict,
    "settings": dict,
    "total_cost": str,
    "unserved": dict,
}
AGAIN = "plan the scenario again, or put the file back as it was written"


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenPlan:
    """A plan in its folder: manifest, and rows of every table as written, by the table's name."""

    folder: Path
    manifest: Mapping[str, Any]
    tables: Mapping[str, Sequence[Any]]


def read_plan(folder: Path) -> WrittenPlan:
    """Manifest and tables of a plan that this version of the planner wrote and nobody changed.

    Raises
    ------
    InputError
        The folder holds no plan, one of another version, or files that are not as they were written; all
        of them are named.
    """
    manifest = read_manifest(folder)
    problems = list(_version(folder, manifest)) or list(_shape(folder, manifest))
    tables: dict[str, Sequence[Any]] = {}
    for name, model in () if problems else PLAN_TABLES.items():
        data, faults = file_bytes(folder, f"{name}.parquet", manifest)
        problems += [*faults, *file_bytes(folder, f"{name}.csv", manifest)[1]]
        if data is not None and not faults:
            try:
                tables[name] = plan_table(model, parquet_columns(data))
            except ValueError as error:
                problems.append(
                    _problem(folder / f"{name}.parquet", "broken-table", f"cannot be read: {error}")
                )
    problems += _money(folder, manifest, tables.get("procurement")) if not problems else ()
    if problems:
        raise InputError(problems)
    return WrittenPlan(folder=folder, manifest=manifest, tables=tables)


def read_manifest(folder: Path) -> dict[str, Any]:
    """The manifest of a plan.

    Raises
    ------
    InputError
        The folder holds no plan.
    """
    remedy = "name a folder that `planner plan` wrote"
    if not folder.is_dir():
        raise InputError([_problem(folder, "no-plan", "is no folder", remedy)])
    data, problems = read_bytes(folder / MANIFEST, folder, str(folder / MANIFEST))
    if data is None:
        raise InputError(
            [_problem(folder, "no-plan", f"holds no plan: {MANIFEST} {problems[0].message}", remedy)]
        )
    try:
        return parse_manifest(data)
    except ValueError as error:
        raise InputError([_problem(folder, "no-plan", f"holds no plan: {error}", remedy)]) from error


def parse_manifest(data: bytes) -> dict[str, Any]:
    """The manifest of a plan from its file.

    Raises
    ------
    ValueError
        It is not a plan's.
    """
    try:
        manifest = json.loads(data.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise ValueError(f"{MANIFEST} is no JSON ({error})") from error
    if not isinstance(manifest, dict) or "planner_version" not in manifest:
        raise ValueError(f"{MANIFEST} is not a plan's")
    return manifest


def file_bytes(folder: Path, name: str, manifest: Mapping[str, Any]) -> tuple[bytes | None, list[Problem]]:
    """Bytes of one of a plan's files, as the manifest has its hash."""
    path = folder / name
    data, problems = read_bytes(path, folder, str(path))
    if data is None:
        return None, problems
    stated = manifest.get("files")
    own = stated.get(name) if isinstance(stated, Mapping) else None
    if own != hashlib.sha256(data).hexdigest():
        return data, [_problem(path, "changed-file", "is not as the plan was written")]
    return data, []


def parquet_columns(data: bytes) -> dict[str, list[Any]]:
    """Columns of a Parquet file.

    Raises
    ------
    ValueError
        Not Parquet.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        table = pq.ParquetFile(io.BytesIO(data)).read()  # `read_table` would load pandas first
        return {str(name): table.column(name).to_pylist() for name in table.column_names}
    except (pa.ArrowException, OSError, KeyError, TypeError, OverflowError) as error:
        raise ValueError(str(error)[:200]) from error


def plan_table(model: type[PlanRow], columns: Mapping[str, Sequence[Any]]) -> list[Any]:
    """Rows of a plan's table from its columns.

    Raises
    ------
    ValueError
        Cells and columns that the model does not have.
    """
    cells = [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]
    try:
        rows: list[Any] = _adapter(model).validate_python(cells)
    except ValidationError as error:
        fault = error.errors(include_url=False)[0]
        raise ValueError(f"row {'.'.join(map(str, fault['loc']))}: {fault['msg']}") from error
    return rows


@lru_cache(maxsize=16)
def _adapter(model: type[PlanRow]) -> TypeAdapter[Any]:
    rows: Any = GenericAlias(list, (model,))
    return TypeAdapter(rows)


def _version(folder: Path, manifest: Mapping[str, Any]) -> Iterator[Problem]:
    made = manifest["planner_version"]
    if made != __version__:
        yield _problem(
            folder / MANIFEST,
            "other-version",
            f"is of planner {shown(made)}, this is planner {__version__}",
            f"plan it again with this version: {INPUTS} holds its inputs, a scenario in itself",
            value=shown(made),
        )


def _shape(folder: Path, manifest: Mapping[str, Any]) -> Iterator[Problem]:
    """Parts of the manifest that were cut out, or are of another kind."""
    for name, kind in SHAPE.items():
        if not isinstance(manifest.get(name), kind):
            yield _problem(folder / MANIFEST, "changed-file", f"has no {name} that can be read")
    cells = manifest.get("settings")
    if isinstance(cells, dict) and not all(isinstance(cell, dict) for cell in cells.values()):
        yield _problem(folder / MANIFEST, "changed-file", "has settings without a value")


def _money(folder: Path, manifest: Mapping[str, Any], orders: Sequence[Any] | None) -> Iterator[Problem]:
    """The manifest's costs add up to its total, and those of goods to the order lines."""
    try:
        costs = {name: Decimal(amount) for name, amount in manifest["costs"].items()}
        total = Decimal(manifest["total_cost"])
    except (KeyError, AttributeError, TypeError, InvalidOperation, ValueError):
        yield _problem(folder / MANIFEST, "changed-file", "has no costs that can be read")
        return
    lines: dict[str, Decimal] = {}
    for row in orders or ():
        lines[row.category] = lines.get(row.category, Decimal(0)) + row.line_cost
    if sum(costs.values(), Decimal(0)) != total or any(
        costs.get(name) != cost for name, cost in lines.items()
    ):
        yield _problem(
            folder / MANIFEST,
            "changed-file",
            "does not add up: order lines, costs by category and total_cost differ",
        )


def _problem(path: Path, code: str, message: str, remedy: str = AGAIN, value: str = "") -> Problem:
    return Problem(code=code, file=str(path), message=message, remedy=remedy, value=value)
