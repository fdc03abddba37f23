"""Settings in layers: defaults, the settings file, `--set`; each value remembers where it came from."""

import hashlib
import os
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from planner.errors import Problem
from planner.settings import Settings
from planner.tables.columns import Column, columns_of
from planner.tables.explain import cell_problem, shown
from planner.tables.files import decode, read_bytes
from planner.tables.nearest import did_you_mean

SETTINGS_FILE = "scenario.toml"
OVERRIDE = "--set"
DEFAULT = "default"


@dataclass(slots=True)
class Layers:
    """Raw settings by dotted name, their origins, and the lines they stand on."""

    values: dict[str, Any] = field(default_factory=dict)
    origins: dict[str, str] = field(default_factory=dict)
    lines: dict[str, int] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    sha256: str = ""
    readable: bool = False

    def tree(self) -> dict[str, Any]:
        """Nested mapping of the dotted names; a group that is no table stands as it is."""
        root: dict[str, Any] = {}
        for dotted, value in self.values.items():
            *groups, name = dotted.split(".")
            node = root
            for group in groups:
                child = node.setdefault(group, {})
                if not isinstance(child, dict):
                    break  # the group itself holds a value, which validation names
                node = child
            else:
                node[name] = value
        return root


def setting_columns() -> tuple[Column, ...]:
    """The dictionary of settings, by dotted name."""
    return columns_of(Settings, "settings")


def read_settings(folder: Path, overrides: Mapping[str, str]) -> tuple[Settings | None, Layers]:
    """Settings of a scenario's folder under overrides; None where a problem forbids them."""
    layers = _file_layer(folder)
    _override_layer(layers, overrides)
    if not layers.readable:
        return None, layers
    try:
        settings = Settings.model_validate(layers.tree())
    except ValidationError as error:
        faults = [fault for fault in error.errors(include_url=False) if not _follows(fault)]
        layers.problems += [_problem(fault, layers) for fault in faults]
        return None, layers
    layers.origins = {c.column: layers.origins.get(c.column, DEFAULT) for c in setting_columns()}
    return (None if layers.problems else settings), layers


def _file_layer(folder: Path) -> Layers:
    layers = Layers()
    path = folder / SETTINGS_FILE
    if not os.path.lexists(path):
        layers.problems.append(
            Problem(
                code="missing-file",
                file=SETTINGS_FILE,
                message="is missing",
                remedy="write at least plan_date = 2026-03-31; `planner columns settings` lists the rest",
            )
        )
        return layers
    data, layers.problems = read_bytes(path, folder, SETTINGS_FILE)
    if data is None:
        return layers
    layers.sha256 = hashlib.sha256(data).hexdigest()
    text, problems = decode(data, SETTINGS_FILE)
    layers.problems += problems
    if problems:
        return layers
    try:
        parsed = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        layers.problems.append(_broken(error))
        return layers
    layers.readable = True
    layers.values = dict(_flat(parsed))
    layers.origins = dict.fromkeys(layers.values, SETTINGS_FILE)
    layers.lines = _setting_lines(text)
    return layers


def _broken(error: Exception) -> Problem:
    place = re.search(r"at line (\d+), column (\d+)", str(error))
    return Problem(
        code="broken-toml",
        file=SETTINGS_FILE,
        line=int(place[1]) if place else None,
        message=f"is not valid TOML: {error}",
        remedy='write name = value; texts stand in "quotes"',
    )


def _flat(tree: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, Any]]:
    for name, value in tree.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{prefix}{name}.")
        else:
            yield prefix + name, value


def _setting_lines(text: str) -> dict[str, int]:
    """Line of each dotted name, for plain `[group]` and `name = value` lines; others are left out."""
    lines: dict[str, int] = {}
    prefix = ""
    for number, line in enumerate(text.splitlines(), start=1):
        if group := re.match(r"\s*\[\s*([\w.\-]+)\s*\]", line):
            prefix = group[1] + "."
        elif name := re.match(r"\s*([\w.\-]+)\s*=", line):
            lines.setdefault(prefix + name[1], number)
    return lines


def _override_layer(layers: Layers, overrides: Mapping[str, str]) -> None:
    known = {column.column for column in setting_columns()}
    for name, text in overrides.items():
        if name not in known:
            layers.problems.append(_unknown(name, text, OVERRIDE, None))
            continue
        layers.values[name] = _typed(name, text)
        layers.origins[name] = OVERRIDE
        layers.lines.pop(name, None)


def _typed(name: str, text: str) -> Any:
    """Value of an override: a TOML literal where it is one, else the text itself."""
    try:
        parsed = tomllib.loads(f"value = {text}")
    except (tomllib.TOMLDecodeError, RecursionError):
        return text
    value = parsed["value"]
    if len(parsed) > 1 or (_is_text(name) and not isinstance(value, str)):
        return text
    return value


def _is_text(name: str) -> bool:
    model: Any = Settings
    *groups, last = name.split(".")
    for group in groups:
        model = model.model_fields[group].annotation
    return issubclass(model, BaseModel) and model.model_fields[last].annotation is str


def _unknown(name: str, value: object, file: str, line: int | None) -> Problem:
    names = {column.column for column in setting_columns()}
    return Problem(
        code="unknown-setting",
        file=file,
        line=line,
        column=name,
        value=shown(value),
        message="is no setting",
        remedy=did_you_mean(name, names, "`planner columns settings` lists them"),
    )


def _follows(fault: Mapping[str, Any]) -> bool:
    """A list that is too short only because an element of it, named by itself, is at fault."""
    return fault["type"] == "too_short" and bool(fault["input"])


def _problem(fault: Mapping[str, Any], layers: Layers) -> Problem:
    """Problem for one error of the settings' validation."""
    columns = {column.column: column for column in setting_columns()}
    parts = [str(part) for part in fault["loc"]]
    dotted = ".".join(parts)
    while parts and ".".join(parts) not in columns and fault["type"] != "extra_forbidden":
        parts.pop()  # an element of a list is named by the list
    name = ".".join(parts) or dotted
    file = OVERRIDE if layers.origins.get(name) == OVERRIDE else SETTINGS_FILE
    line = layers.lines.get(name)
    if fault["type"] == "extra_forbidden":
        inner = next((full for full in layers.values if full == name or full.startswith(name + ".")), name)
        return _unknown(inner, layers.values.get(inner, ""), file, layers.lines.get(inner))
    return cell_problem(fault, file=file, line=line, column=columns.get(name), name=name)
