"""The settings file of a scenario and of the scenarios it extends, each as raw names and values.

A base is a scenario folder of its own, named by a relative path that leads through no link; its
tables are read as if it were planned alone, never from outside its folder.
"""

import hashlib
import os
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from planner.errors import Problem
from planner.tables.explain import shown
from planner.tables.files import read_bytes
from planner.tables.text import decode

SETTINGS_FILE = "scenario.toml"
EXTENDS = "extends"
LAYERS_MAX = 8  # a longer chain is nobody's intention, and hard to follow


@dataclass(slots=True, kw_only=True)
class Layer:
    """One settings file: raw values by dotted name, and the lines they stand on.

    `prefix` stands before the names of its files: nothing for the scenario itself, the way from it
    for a base.
    """

    folder: Path
    prefix: str = ""
    values: dict[str, Any] = field(default_factory=dict)
    lines: dict[str, int] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    sha256: str = ""
    readable: bool = False

    @property
    def file(self) -> str:
        """The settings file as problems, origins and hashes name it."""
        return self.prefix + SETTINGS_FILE


def read_layers(folder: Path) -> list[Layer]:
    """The scenario's layer first, then its base, then the base's own base; faults are in the layers."""
    layers = [_read(folder, "")]
    while (base := _base(layers)) is not None:
        layers.append(_read(base, _prefix(folder, base)))
    return layers


def _read(folder: Path, prefix: str) -> Layer:
    layer = Layer(folder=folder, prefix=prefix)
    path = folder / SETTINGS_FILE
    if not os.path.lexists(path):
        layer.problems.append(
            Problem(
                code="missing-file",
                file=layer.file,
                message="is missing",
                remedy="write at least plan_date = 2026-03-31; `planner columns settings` lists the rest",
            )
        )
        return layer
    data, layer.problems = read_bytes(path, folder, layer.file)
    if data is None:
        return layer
    layer.sha256 = hashlib.sha256(data).hexdigest()
    text, problems = decode(data, layer.file)
    layer.problems += problems
    if problems:
        return layer
    try:
        parsed = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        layer.problems.append(_broken(error, layer.file))
        return layer
    layer.readable = True
    layer.values = dict(_flat(parsed))
    layer.lines = _setting_lines(text)
    return layer


def _prefix(top: Path, base: Path) -> str:
    """The way from the scenario to a base, as `../base/`; it never looks like `catalogue/`."""
    way = Path(os.path.relpath(base, top.resolve())).as_posix()
    return f"{way}/" if way.startswith("..") else f"./{way}/"


def _base(layers: Sequence[Layer]) -> Path | None:
    """Folder of the base that the last layer names; None where it names none, or a fault was noted."""
    layer = layers[-1]
    name = layer.values.get(EXTENDS, "")
    if name == "":
        return None
    base = _resolved(layer.folder, name) if isinstance(name, str) else "is no text"
    if isinstance(base, str):
        layer.problems.append(_refused(layer, name, base, "name a scenario's folder, as ../base"))
        return None
    before = [other.folder.resolve() for other in layers]
    if base in before:
        ring = [*(shown(other.values.get(EXTENDS, "")) for other in layers[before.index(base) :])]
        remedy = "let the last of them extend nothing"
        layer.problems.append(_refused(layer, name, f"closes a ring: {' -> '.join(ring)}", remedy))
        return None
    if len(layers) >= LAYERS_MAX:
        chain = " -> ".join(shown(other.values[EXTENDS]) for other in layers)
        message = f"is the {LAYERS_MAX + 1}th layer of a chain: {chain}"
        layer.problems.append(_refused(layer, name, message, f"use {LAYERS_MAX} layers at most"))
        return None
    return base


def _resolved(folder: Path, name: str) -> Path | str:
    """The base's real folder, or why there is none."""
    if os.path.isabs(name) or "\0" in name or Path(name).drive:
        return "is no relative path"
    try:
        place = folder.resolve()
        for part in Path(name).parts:
            place = place.parent if part == ".." else place / part
            if place.is_symlink():
                return f"leads through a link, {part}"
        if not place.is_dir():
            return "is not a folder"
        return place if os.path.lexists(place / SETTINGS_FILE) else f"holds no {SETTINGS_FILE}"
    except (OSError, ValueError, RuntimeError):  # names that no file system takes, loops of links
        return "is not a folder"


def _refused(layer: Layer, name: object, message: str, remedy: str) -> Problem:
    return Problem(
        code="bad-base",
        file=layer.file,
        line=layer.lines.get(EXTENDS),
        column=EXTENDS,
        value=shown(name),
        message=message,
        remedy=remedy,
    )


def _broken(error: Exception, file: str) -> Problem:
    place = re.search(r"at line (\d+), column (\d+)", str(error))
    return Problem(
        code="broken-toml",
        file=file,
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
