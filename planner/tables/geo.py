"""Sites from points on a map: features and placemarks as a checked table of sites."""

import os
import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from planner.errors import InputError, OutputError, Problem, Severity
from planner.tables.archive import ArchiveError
from planner.tables.columns import table_columns
from planner.tables.explain import shown
from planner.tables.files import read_bytes
from planner.tables.nearest import did_you_mean
from planner.tables.points import Draft, Point, parse_points
from planner.tables.raw import RawTable
from planner.tables.read import validate
from planner.tables.registry import BY_NAME
from planner.tables.write import write_csv

FILE_MAX_BYTES = 64 << 20  # a hundred thousand points with a dozen properties are about 40 MB
ID_CANDIDATES = ("site_id", "id", "name")
ID_LENGTH_MAX = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Points:
    """The columns of `sites` that the points fill, and warnings."""

    columns: dict[str, list[Any]]
    problems: list[Problem]

    @property
    def count(self) -> int:
        """How many sites."""
        return len(self.columns["site_id"])


def read_points(path: Path, *, id_property: str | None = None, load_profile: str | None = None) -> Points:
    """Sites from a file of points.

    Parameters
    ----------
    path : Path
        Named `.geojson` or `.json`, `.kml` or `.kmz`.
    id_property : str, optional
        Property that holds the site_id; else the first of `site_id`, `id` and `name` that is there.
    load_profile : str, optional
        Load profile of the points that state none.

    Returns
    -------
    Points
        Checked as rows of `sites`, with warnings for what was left out.

    Raises
    ------
    InputError
        With every problem of the file.
    """
    draft = Draft(label=path.name)
    data = _read(path, draft)
    if data is not None:
        try:
            parse_points(data, path.suffix.lower(), draft)
        except ArchiveError as error:
            draft.note(code="broken-map", message=str(error)[:200], remedy="export it again")
    if any(problem.severity is Severity.ERROR for problem in draft.problems):
        raise InputError(draft.problems)
    columns = _columns(draft, id_property, load_profile) if draft.points else {}
    if not draft.points:
        draft.note(code="no-points", message="holds no point", remedy="name a file with points")
    if any(problem.severity is Severity.ERROR for problem in draft.problems):
        raise InputError(draft.problems)
    return Points(columns=columns, problems=draft.problems)


def write_sites(points: Points, path: Path, *, replace: bool = False) -> None:
    """Write the sites as CSV; an existing file is replaced only where that is asked for."""
    try:
        if os.path.lexists(path) and not replace:
            raise OutputError(f"{path} is there already; name another file, or replace it with --force")
        write_csv(path, points.columns)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise OutputError(f"{path} cannot be written: {reason}") from error


def _read(path: Path, draft: Draft) -> bytes | None:
    """The file's bytes; it is named on the command line, so links are followed."""
    if not os.path.exists(path):
        draft.note(code="missing-file", message="is missing", remedy="name a file that is there")
        return None
    real = path.resolve()
    data, problems = read_bytes(real, real.parent, draft.label)
    draft.problems += problems
    if data is not None and len(data) > FILE_MAX_BYTES:
        message = f"is larger than {FILE_MAX_BYTES >> 20} MiB"
        draft.note(code="file-too-large", message=message, remedy="split it, or export points alone")
        return None
    return data


def _columns(draft: Draft, id_property: str | None, load_profile: str | None) -> dict[str, list[Any]]:
    """Points as checked columns of `sites`, those in which something stands."""
    ids = _ids(draft, id_property)
    columns = {column.column: column for column in table_columns("sites")}
    records, ignored = [], set()
    for point, site_id in zip(draft.points, ids, strict=True):
        record: dict[str, Any] = {"site_id": site_id, "elevation_m": point.elevation}
        for name, value in point.properties.items():
            column = columns.get(name)
            if name == "site_id" or name == id_property or (name == "id" and not column):
                continue
            if column is None or isinstance(value, dict | list):
                ignored.add(name)
            elif value is not None and value != "":
                textual = column.type in ("text", "choice")
                record[name] = _plain(value) if textual or isinstance(value, bool) else value
        record |= {"latitude_deg": point.latitude, "longitude_deg": point.longitude}
        if load_profile is not None:
            record.setdefault("load_profile", load_profile)
        records.append({name: value for name, value in record.items() if value is not None and value != ""})
    _note_ignored(draft, ignored, columns)
    return _checked(draft, records, columns)


def _plain(value: Any) -> str:
    """A property as text: 12 for the number 12.0, as ids are texts."""
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return str(value).strip()


def _note_ignored(draft: Draft, ignored: Iterable[str], columns: Mapping[str, Any]) -> None:
    for name in sorted(ignored):
        draft.note(
            severity=Severity.WARNING,
            code="property-ignored",
            column=shown(name),
            message="is a property that no column of sites takes",
            remedy=did_you_mean(name, set(columns), "rename it to a column if it should be taken"),
        )


def _checked(draft: Draft, records: list[dict[str, Any]], columns: Mapping[str, Any]) -> dict[str, list[Any]]:
    header = tuple(name for name in columns if any(name in record for record in records))
    raw = RawTable(
        file=draft.label, header=header, records=records, lines=[point.number for point in draft.points]
    )
    _, problems = validate(BY_NAME["sites"], raw)
    for problem in problems:
        if problem.code == "missing-column" and problem.column == "load_profile":
            draft.note(
                code="missing-value",
                column="load_profile",
                message="is stated by no point",
                remedy="name one for all with --load-profile",
            )
        else:
            draft.problems.append(problem)
    return {name: [_cell(record.get(name)) for record in records] for name in header}


def _cell(value: Any) -> Any:
    """Numbers that came as text are numbers again, so that a minus is not taken for a formula's."""
    if isinstance(value, str) and re.fullmatch(r"-\d+(\.\d+)?", value):
        return float(value)
    return value


def _ids(draft: Draft, id_property: str | None) -> list[str | None]:
    """A site_id for each point: what the property says where it can be one, else a name made of it."""
    name = id_property or next(
        (one for one in ID_CANDIDATES if any(_said(point, one) for point in draft.points)), ID_CANDIDATES[0]
    )
    first: dict[str, int] = {}
    used = {said for point in draft.points if _slug(said := _said(point, name)) == said}
    ids: list[str | None] = []
    for point in draft.points:
        said = _said(point, name)
        if not said:
            draft.note(
                code="missing-id",
                line=point.number,
                column=name,
                message="is blank, so the site has no key",
                remedy="name the property that holds the key with --id",
            )
            ids.append("missing")
            continue
        if said in first:
            draft.note(
                code="duplicate-key",
                line=point.number,
                column=name,
                value=shown(said),
                message=f"stands at point {first[said]} already",
                remedy="rename one of the two, or name another property with --id",
            )
        first.setdefault(said, point.number)
        ids.append(said if said in used else _free(_slug(said) or f"site-{point.number}", used))
    return ids


def _said(point: Point, name: str) -> str:
    value = point.properties.get(name)
    return "" if value is None or isinstance(value, dict | list) else _plain(value)


def _slug(text: str) -> str:
    """Letters, digits, `_`, `-` and `.` of a text; accents are dropped, all else becomes a hyphen."""
    plain = unicodedata.normalize("NFKD", text[: 4 * ID_LENGTH_MAX]).encode("ascii", "ignore").decode()
    return re.sub(r"[^A-Za-z0-9_.\-]+", "-", plain).lstrip("-_.")[:ID_LENGTH_MAX].rstrip("-")


def _free(name: str, used: set[str]) -> str:
    """The name, with a number behind it where it is taken; it is taken from then on."""
    free = next(candidate for candidate in _numbered(name) if candidate not in used)
    used.add(free)
    return free


def _numbered(name: str) -> Iterator[str]:
    yield name
    number = 2
    while True:
        tail = f"-{number}"
        yield name[: ID_LENGTH_MAX - len(tail)] + tail
        number += 1
