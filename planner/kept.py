"""The inputs that a plan keeps: everything it was made from, as a scenario in itself.

A price list is overwritten, a base moves away, a weather file is fetched anew: the hashes of a manifest then
say that something differs, but no longer what. So a plan's folder holds `inputs.zip`: the settings in force,
every table as it was read (bases, catalogue and price lists merged, rows in order) and every weather file.
"""

import hashlib
import io
import json
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from enum import Enum
from pathlib import Path, PurePosixPath
from typing import Any

from planner.errors import InputError, Problem
from planner.layers import EXTENDS, SETTINGS_FILE
from planner.scenario import Scenario
from planner.settings import flat_settings
from planner.tables.archive import ArchiveError, unpack
from planner.tables.arrow import arrow_array
from planner.tables.files import read_bytes
from planner.tables.plan_files import INPUTS, file_bytes
from planner.tables.registry import TABLES, Place, TableSpec

CATALOGUE = "catalogue"
UNPACKED_MAX_BYTES = 8 << 30  # years of hourly weather of a thousand sites; tables are far below
MEMBERS_MAX = 100_000  # a file for each site of a large fleet
DAY_ONE = (1980, 1, 1, 0, 0, 0)  # the same bytes on any day; a zip archive knows none before


def pack_inputs(scenario: Scenario) -> bytes:
    """A scenario as a zip archive that can be unpacked anywhere and planned alone."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in sorted(_members(scenario)):
            entry = zipfile.ZipInfo(name, DAY_ONE)
            entry.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(entry, data)
    return stream.getvalue()


def _members(scenario: Scenario) -> Iterator[tuple[str, bytes]]:
    yield SETTINGS_FILE, settings_file(flat_settings(scenario.settings)).encode()
    for spec in TABLES:
        rows = getattr(scenario.tables, spec.name)
        if rows:
            yield member(spec), table_bytes(rows)
    yield from _weather(scenario)


def hashes_of(scenario: Scenario) -> dict[str, str]:
    """SHA-256 of every table and weather file of a scenario, by its name in the archive."""
    return {
        name: hashlib.sha256(data).hexdigest() for name, data in _members(scenario) if name != SETTINGS_FILE
    }


def member(spec: TableSpec) -> str:
    """Where a table stands in the archive."""
    return f"{CATALOGUE}/{spec.name}.parquet" if spec.place is Place.CATALOGUE else f"{spec.name}.parquet"


def _weather(scenario: Scenario) -> Iterator[tuple[str, bytes]]:
    """Weather files under their own paths; one that has gone meanwhile is left out."""
    home = scenario.climate_home
    for path in sorted({row.path for row in scenario.tables.climate_files}) if home else ():
        assert home is not None
        data, _ = read_bytes(home.folder / path, home.folder, path)
        if data is not None:
            yield str(PurePosixPath(path)), data


def table_bytes(rows: Sequence[Any]) -> bytes:
    """Rows as Parquet, each cell as the text that reads back as the same value."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    columns = {name: [_text(getattr(row, name)) for row in rows] for name in type(rows[0]).model_fields}
    stated = {name: cells for name, cells in columns.items() if any(cell is not None for cell in cells)}
    table = pa.table({name: arrow_array(cells, str) for name, cells in stated.items()})
    stream = io.BytesIO()
    pq.write_table(table, stream, compression="none", version="2.6")  # the archive packs it
    return stream.getvalue()


def _text(value: Any) -> str | None:
    if value is None or value == "":
        return None
    if isinstance(value, bool):
        return str(value).lower()
    return str(value.value if isinstance(value, Enum) else value)


def settings_file(flat: Mapping[str, Any]) -> str:
    """A settings file with all of these values, whose tables and catalogue stand beside it."""
    values = {**flat, "catalogue": CATALOGUE}
    values.pop(EXTENDS, None)
    stated = sorted((name, value) for name, value in values.items() if value is not None)
    return "".join(f"{name} = {_toml(value)}\n" for name, value in stated)


def _toml(value: Any) -> str:
    """JSON's numbers, lists, truth values and texts are TOML's too, but for one control character."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def unpack_inputs(plan: Path, manifest: Mapping[str, Any], target: Path) -> Path:
    """Unpack the inputs of a plan into a new folder, a scenario of its own.

    Raises
    ------
    InputError
        The archive is not there, is not as it was written, or is none.
    """
    data, problems = file_bytes(plan, INPUTS, manifest)
    if data is None or problems:
        raise InputError(problems)
    try:
        members = unpack(data, most_bytes=UNPACKED_MAX_BYTES, most_members=MEMBERS_MAX)
        for name, content in members.items():
            _write(target, name, content)
    except (ArchiveError, OSError) as error:
        raise InputError(
            [
                Problem(
                    code="broken-inputs",
                    file=str(plan / INPUTS),
                    message=f"cannot be unpacked: {error}",
                    remedy="plan the scenario again",
                )
            ]
        ) from error
    return target


def _write(target: Path, name: str, content: bytes) -> None:
    path = PurePosixPath(name)
    if path.is_absolute() or ".." in path.parts or "\\" in name or ":" in name:
        raise ArchiveError(f"holds {name!r}, which leads out of its folder")
    file = target.joinpath(*path.parts)
    file.parent.mkdir(parents=True, exist_ok=True)
    with file.open("xb") as stream:  # never over another member
        stream.write(content)
