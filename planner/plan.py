"""A plan: its tables and its manifest, and the folder they are written to, whole or not at all."""

import hashlib
import json
import os
import shutil
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any

from planner.errors import OutputError, Refusal
from planner.kept import pack_inputs
from planner.reuse import Kept, pack
from planner.scenario import Scenario
from planner.tables.plan_files import INPUTS, MANIFEST, SEARCH, TIMINGS, parse_manifest
from planner.tables.plan_rows import PLAN_TABLES, cell_types
from planner.tables.price_lists import PriceLists
from planner.tables.write import write_table

Columns = Mapping[str, Sequence[Any]]
SCENARIO, PRICE_LISTS = "scenario_folder", "price_lists"  # beside the timings
#: Begins to look at a plan's tables before it takes its place; what it returns waits for what the manifest
#: shall say on top.
Seal = Callable[[Path], Callable[[], Mapping[str, Any]]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A finished plan.

    `unserved` names, for each site without a design, the rule that blocks it. `timings` are seconds by
    stage; they are written apart, as they differ between runs, with the folder of the scenario. `scenario` is
    what it was made from. `availability` has every site's simulated one, where that was wanted. `kept` is
    what the next plan may begin with, `reuse` what was used of an earlier one, in words.
    """

    scenario: Scenario
    manifest: Mapping[str, Any]
    tables: Mapping[str, Columns]
    unserved: Mapping[str, Refusal]
    total_cost: Decimal
    category_costs: Mapping[str, Decimal]
    timings: Mapping[str, float]
    availability: Mapping[str, float] = field(default_factory=dict)
    kept: Kept | None = None
    reuse: str = ""


def check_target(folder: Path, *, inputs: Sequence[Path] = ()) -> None:
    """Refuse a folder that a plan may not replace, before any work is done.

    Parameters
    ----------
    folder : Path
        Where the plan shall stand; what stands there is replaced.
    inputs : sequence of Path
        Folders that the plan is made from; the plan may neither hold them nor stand in place of one.

    Raises
    ------
    OutputError
        The path is a file, or a folder that holds something other than an earlier plan.
    """
    try:
        _check_target(folder, inputs)
    except OSError as error:
        raise OutputError(f"{folder} cannot be written to: {error.strerror or error}") from error


def _check_target(folder: Path, inputs: Sequence[Path]) -> None:
    remedy = "name a new folder, or an earlier plan to replace"
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        raise OutputError(f"{folder} is not a folder: {remedy}")
    target = folder.resolve()
    for kept in (Path.cwd(), *inputs):
        if kept.resolve().is_relative_to(target):
            raise OutputError(f"{folder} holds {kept}, which the plan would replace: {remedy}")
    if folder.is_dir() and (strangers := _strangers(folder)):
        raise OutputError(f"{folder} holds {strangers[0]}, which is not a plan's: {remedy}")
    parent = next(path for path in target.parents if path.exists())
    if not parent.is_dir() or not os.access(parent, os.W_OK):
        raise OutputError(f"{parent} is not a folder one may write to: name another place for the plan")


def _strangers(folder: Path) -> list[str]:
    """Files of a folder that no plan wrote; all of them without a plan's manifest."""
    names = sorted(path.name for path in folder.iterdir())
    try:
        parse_manifest((folder / MANIFEST).read_bytes())
    except (OSError, ValueError):
        return names
    own = {
        MANIFEST,
        TIMINGS,
        INPUTS,
        SEARCH,
        *(f"{table}{suffix}" for table in PLAN_TABLES for suffix in (".csv", ".parquet")),
    }
    return [name for name in names if name not in own or not (folder / name).is_file()]


def unsealed(folder: Path) -> Callable[[], Mapping[str, Any]]:
    """Nothing to add to the manifest."""
    return dict


def write_plan(
    plan: Plan,
    folder: Path,
    *,
    scenario: Path | None = None,
    price_lists: PriceLists | None = None,
    seal: Seal = unsealed,
) -> tuple[dict[str, Any], list[str]]:
    """Write the plan's tables (CSV and Parquet), inputs, search, manifest and timings.

    Everything goes to a temporary name beside the target and is renamed when whole; an earlier plan
    stands until then.

    Parameters
    ----------
    plan : Plan
    folder : Path
        Where it shall stand.
    scenario : Path, optional
        Folder it was made from, noted beside the timings.
    price_lists : PriceLists, optional
        Laid over its prices, noted there too.
    seal : callable, optional
        Looks at the tables while the rest is written, and adds to the manifest.

    Returns
    -------
    tuple of dict and list of str
        The manifest, with the SHA-256 of every table's file as `files`, and the names of all files.
    """
    check_target(folder)
    target = folder.resolve()
    fresh = target.with_name(f".{target.name}.{os.getpid()}.new")
    try:
        fresh.mkdir(parents=True)
        with ThreadPoolExecutor(1) as beside:  # packing is deflate for the most part, which lets others run
            packed = beside.submit(_packed, plan)
            for name, columns in plan.tables.items():
                write_table(fresh, name, columns, types=cell_types(PLAN_TABLES[name]))
            _write_json(fresh / MANIFEST, {**plan.manifest, "files": _hashes(fresh)})
            sealed = seal(fresh)
            for name, data in packed.result().items():
                (fresh / name).write_bytes(data)
        manifest = {**plan.manifest, "files": _hashes(fresh), **sealed()}
        _write_json(fresh / MANIFEST, manifest)
        _write_json(fresh / TIMINGS, _timings(plan, scenario, price_lists))
        _swap(fresh, target)
    except OSError as error:
        raise OutputError(f"{folder} could not be written: {error.strerror or error}") from error
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
    return manifest, sorted(path.name for path in target.iterdir())


def _packed(plan: Plan) -> dict[str, bytes]:
    """Files of a plan that its audit does not read: its inputs, and what it keeps for the next one."""
    kept = {} if plan.kept is None else {SEARCH: pack(plan.kept)}
    return {INPUTS: pack_inputs(plan.scenario), **kept}


def _hashes(folder: Path) -> dict[str, str]:
    """SHA-256 of every file of a plan but its manifest."""
    paths = sorted(path for path in folder.iterdir() if path.name != MANIFEST)
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in paths}


def _timings(plan: Plan, scenario: Path | None, lists: PriceLists | None) -> dict[str, Any]:
    """What differs between runs: seconds by stage, and where the scenario and price lists stood."""
    where: dict[str, Any] = {} if scenario is None else {SCENARIO: str(scenario.resolve())}
    if lists is not None:
        files = [str(path.resolve()) for path in lists.files]
        where[PRICE_LISTS] = {"files": files, "mapping": lists.mapping, "partial": lists.partial}
    return {stage: round(s, 4) for stage, s in plan.timings.items()} | where


def scenario_of(folder: Path) -> Path | None:
    """Folder of the scenario that a written plan was made from, as noted then; None where it is not."""
    noted = _noted(folder, SCENARIO)
    return Path(noted) if isinstance(noted, str) else None


def price_lists_of(folder: Path) -> PriceLists | None:
    """Price lists that a written plan was made with, as noted then; None where there is no such note."""
    match _noted(folder, PRICE_LISTS):
        case {"files": [*files], "mapping": str() | None as mapping, "partial": bool() as partial}:
            return PriceLists(files=[Path(str(file)) for file in files], mapping=mapping, partial=partial)
    return None


def _noted(folder: Path, what: str) -> Any:
    try:
        return json.loads((folder / TIMINGS).read_text(encoding="utf-8")).get(what)
    except (OSError, ValueError, AttributeError):
        return None


def _swap(fresh: Path, target: Path) -> None:
    """Put the new plan in the old one's place; the old one is deleted only after that."""
    if not target.exists():
        fresh.rename(target)
        return
    aside = target.with_name(f".{target.name}.{os.getpid()}.old")
    target.rename(aside)
    try:
        fresh.rename(target)
    except BaseException:  # an interrupt too must leave the earlier plan where it was
        aside.rename(target)
        raise
    shutil.rmtree(aside, ignore_errors=True)


def _write_json(path: Path, value: Mapping[str, Any]) -> None:
    path.write_text(json.dumps(value, indent=2, sort_keys=True, ensure_ascii=False) + "\n", encoding="utf-8")
