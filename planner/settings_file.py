"""Settings in layers: defaults, settings files, `--set`; each value remembers where it came from."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from planner.errors import Problem
from planner.layers import EXTENDS, SETTINGS_FILE, Layer, read_layers
from planner.settings import Settings
from planner.tables.columns import Column, columns_of
from planner.tables.explain import cell_problem, shown
from planner.tables.nearest import did_you_mean

OVERRIDE = "--set"
DEFAULT = "default"


@dataclass(slots=True)
class Layers:
    """Raw settings by dotted name, their origins, and the lines they stand on.

    `chain` are the settings files, the scenario's first.
    """

    values: dict[str, Any] = field(default_factory=dict)
    origins: dict[str, str] = field(default_factory=dict)
    lines: dict[str, int] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    chain: list[Layer] = field(default_factory=list)
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
    layers = _file_layers(folder)
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


def _file_layers(folder: Path) -> Layers:
    """Settings files merged name by name, a base's values first, so that its layers win over them."""
    chain = read_layers(folder)
    layers = Layers(chain=chain, readable=all(layer.readable for layer in chain))
    for layer in reversed(chain):
        layers.problems += layer.problems
        values = {name: value for name, value in layer.values.items() if name != EXTENDS or layer is chain[0]}
        layers.values |= values
        layers.origins |= dict.fromkeys(values, layer.file)
        for name in values:
            layers.lines.pop(name, None)  # a base's line says nothing of the layer's value
        layers.lines |= layer.lines
    return layers


def _override_layer(layers: Layers, overrides: Mapping[str, str]) -> None:
    known = {column.column for column in setting_columns()}
    for name, text in overrides.items():
        if name not in known:
            layers.problems.append(_unknown(name, text, OVERRIDE, None))
            continue
        if name == EXTENDS:
            layers.problems.append(_not_here(text))
            continue
        layers.values[name] = _typed(name, text)
        layers.origins[name] = OVERRIDE
        layers.lines.pop(name, None)


def _not_here(text: str) -> Problem:
    return Problem(
        code="not-an-override",
        file=OVERRIDE,
        column=EXTENDS,
        value=shown(text),
        message="stands in a settings file only, as it says which tables are read",
        remedy=f"write it into {SETTINGS_FILE} of a folder of its own",
    )


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
    file = layers.origins.get(name, SETTINGS_FILE)
    line = layers.lines.get(name)
    if fault["type"] == "extra_forbidden":
        inner = next((full for full in layers.values if full == name or full.startswith(name + ".")), name)
        file = layers.origins.get(inner, file)
        return _unknown(inner, layers.values.get(inner, ""), file, layers.lines.get(inner))
    return cell_problem(fault, file=file, line=line, column=columns.get(name), name=name)
