"""Inputs of two plans, told apart by groups and mixed: this group from one plan, that one from the other."""

import hashlib
import os
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from planner.errors import InputError
from planner.kept import CATALOGUE, member, settings_file, unpack_inputs
from planner.layers import SETTINGS_FILE, read_layers
from planner.scenario import Scenario, read_scenario
from planner.tables.parquet import read_parquet
from planner.tables.plan_files import WrittenPlan
from planner.tables.registry import BY_NAME, SKU_TABLES

#: Tables by the group that a planner thinks of; what is in none of them decides nothing of a plan.
GROUPS: Mapping[str, tuple[str, ...]] = {
    "prices": ("prices", "fx", "suppliers"),
    "stock": ("stock",),
    "rules": ("sku_rules", "category_rules", "phases"),
    "parts": (*SKU_TABLES, "switch_ports"),
    "loads": ("loads", "devices", "schedules"),
    "climate": ("site_months", "site_climate_months", "climate_files", "horizon"),
    "sites": ("sites",),
    "existing": ("existing",),
}
WEATHER = "climate"  # group of the files that `climate_files` names
SETTINGS = "settings"  # before the name of a group of settings
#: Settings that decide nothing of a plan alone: names, and what is asked of an earlier plan's designs.
IDLE = ("name", "catalogue", "extends", "purchase.keep_share")


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """Inputs of a plan, unpacked: files of tables and weather with their hashes, settings by dotted name."""

    files: Mapping[str, Path]
    hashes: Mapping[str, str]
    settings: Mapping[str, Any]


def kept_inputs(plan: WrittenPlan, folder: Path) -> Kept:
    """Inputs of a plan, unpacked into a new folder.

    Raises
    ------
    InputError
        They are not there, or not as they were written.
    """
    unpack_inputs(plan.folder, plan.manifest, folder)
    layer = read_layers(folder)[0]
    if not layer.readable:
        raise InputError(layer.problems)
    files = {path.relative_to(folder).as_posix(): path for path in folder.rglob("*") if path.is_file()}
    del files[SETTINGS_FILE]
    hashes = {name: hashlib.sha256(path.read_bytes()).hexdigest() for name, path in files.items()}
    return Kept(files=files, hashes=hashes, settings=layer.values)


def _place(source: Path, target: Path) -> None:
    """Put a file into a mix, without a copy where the disk allows: years of weather are large."""
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        os.link(source, target)
    except OSError:
        shutil.copyfile(source, target)


def group_of(file: str) -> str | None:
    """Group of a file of the inputs; None where it decides nothing."""
    for group, tables in GROUPS.items():
        if file in {member(BY_NAME[name]) for name in tables}:
            return group
    return None if file in {member(spec) for spec in BY_NAME.values()} else WEATHER


def group_of_setting(name: str) -> str | None:
    """Group of a setting: the first part of its dotted name; None where it decides nothing."""
    if name in IDLE:
        return None
    head, dot, _ = name.partition(".")
    return f"{SETTINGS} {head}" if dot else SETTINGS


def differing(before: Kept, after: Kept) -> dict[str, list[str]]:
    """Groups that differ, each with what differs in it, in words."""
    found: dict[str, list[str]] = {}
    for file in sorted(before.files.keys() | after.files.keys()):
        if before.hashes.get(file) != after.hashes.get(file) and (group := group_of(file)):
            words = _file_words(file, before.files.get(file), after.files.get(file))
            found.setdefault(group, []).append(words)
    for name in sorted(before.settings.keys() | after.settings.keys()):
        old, new = before.settings.get(name), after.settings.get(name)
        if old != new and (group := group_of_setting(name)):
            found.setdefault(group, []).append(name)
    order = list(GROUPS)
    return dict(
        sorted(found.items(), key=lambda one: (order.index(one[0]) if one[0] in order else 99, one[0]))
    )


def _file_words(file: str, old: Path | None, new: Path | None) -> str:
    """A table with its number of rows that differ, or a weather file."""
    if not file.endswith(".parquet"):
        return file
    one, other = (_records(path) for path in (old, new))
    changed = max(len(one - other), len(other - one))
    return f"{Path(file).stem}: {changed} {'row' if changed == 1 else 'rows'}"


def _records(path: Path | None) -> set[tuple[tuple[str, Any], ...]]:
    table = read_parquet(path.read_bytes(), "").table if path is not None else None
    return {tuple(sorted(record.items())) for record in table.records} if table else set()


def mixed(before: Kept, after: Kept, groups: frozenset[str], folder: Path) -> Scenario:
    """The first plan's inputs with some groups as in the second, written to a new folder and read again.

    Raises
    ------
    InputError
        The groups do not stand together, as sites of one with loads of the other.
    """
    files = {name: path for name, path in before.files.items() if group_of(name) not in groups}
    files |= {name: path for name, path in after.files.items() if group_of(name) in groups}
    settings = {
        name: value for name, value in before.settings.items() if group_of_setting(name) not in groups
    }
    settings |= {name: value for name, value in after.settings.items() if group_of_setting(name) in groups}
    (folder / CATALOGUE).mkdir(parents=True)
    (folder / SETTINGS_FILE).write_text(settings_file(settings), encoding="utf-8")
    for name, path in files.items():
        _place(path, folder / name)
    return read_scenario(folder)
