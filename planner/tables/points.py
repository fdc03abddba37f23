"""Points of GeoJSON, KML and KMZ files as they stand.

Coordinates are longitude first in all three. Lines of problems are the numbers of features or
placemarks, from 1.
"""

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any
from xml.etree import ElementTree

from planner.errors import Problem, Severity
from planner.tables.archive import ArchiveError, parse_xml, unpack
from planner.tables.explain import shown
from planner.tables.text import decode

WORLD_CRS = re.compile(r"CRS84|EPSG:{1,2}(\d+(\.\d+)*:)?4326$|4979$", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """A point as the file has it: its place, and what is said of it."""

    number: int
    longitude: Any
    latitude: Any
    elevation: Any
    properties: Mapping[str, Any]


@dataclass(slots=True)
class Draft:
    """Points and problems while a file is read."""

    label: str
    points: list[Point] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)

    def note(self, *, severity: Severity = Severity.ERROR, **fields: Any) -> None:
        """Note a problem of the file."""
        self.problems.append(Problem(file=self.label, severity=severity, **fields))

    def not_a_point(self, number: int, kind: object) -> None:
        """Warn of a feature that is no single point."""
        self.note(
            severity=Severity.WARNING,
            code="not-a-point",
            line=number,
            value=shown(kind or "no geometry"),
            message="is no point, so it is left out",
            remedy="draw a point where the site stands",
        )


def parse_points(data: bytes, suffix: str, draft: Draft) -> None:
    """Points of a file's bytes by its suffix, into the draft; raises ArchiveError where it is broken."""
    if suffix in (".geojson", ".json"):
        text, problems = decode(data, draft.label)
        draft.problems += problems
        if not problems:
            _geojson(text, draft)
    elif suffix == ".kml":
        _kml(data, draft)
    elif suffix == ".kmz":
        inner = [content for name, content in unpack(data).items() if name.lower().endswith(".kml")]
        if not inner:
            raise ArchiveError("holds no KML file")
        _kml(inner[0], draft)
    else:
        draft.note(
            code="unknown-kind",
            value=suffix,
            message="is of no kind that is read",
            remedy="name a .geojson, .json, .kml or .kmz file",
        )


def _geojson(text: str, draft: Draft) -> None:
    try:
        tree = json.loads(text)
    except (ValueError, RecursionError) as error:
        line = getattr(error, "lineno", None)
        draft.note(
            code="broken-map", line=line, message=f"is not valid JSON: {error}", remedy="export it again"
        )
        return
    if not isinstance(tree, dict):
        draft.note(code="broken-map", message="is no GeoJSON", remedy="export it as a FeatureCollection")
        return
    if (name := _foreign_crs(tree)) is not None:
        draft.note(
            code="other-coordinates",
            column="crs",
            value=shown(name),
            message="is another system of coordinates",
            remedy="export it in longitude and latitude (WGS 84, EPSG:4326)",
        )
        return
    features = tree.get("features") if tree.get("type") == "FeatureCollection" else [tree]
    for number, feature in enumerate(features if isinstance(features, list) else [], start=1):
        _feature(feature, number, draft)


def _foreign_crs(tree: Mapping[str, Any]) -> object | None:
    """Name of a system of coordinates that an older GeoJSON file states, if it is not the usual one."""
    crs = tree.get("crs")
    if crs is None:
        return None
    properties = crs.get("properties") if isinstance(crs, dict) else None
    name = properties.get("name") if isinstance(properties, dict) else crs
    return None if isinstance(name, str) and WORLD_CRS.search(name) else name or "unknown"


def _feature(feature: Any, number: int, draft: Draft) -> None:
    if not isinstance(feature, dict):
        draft.not_a_point(number, feature)
        return
    geometry = feature.get("geometry") if feature.get("type") == "Feature" else feature
    if not isinstance(geometry, dict) or geometry.get("type") != "Point":
        draft.not_a_point(number, geometry.get("type") if isinstance(geometry, dict) else None)
        return
    place = geometry.get("coordinates")
    properties = feature.get("properties")
    properties = dict(properties) if isinstance(properties, dict) else {}
    if feature.get("id") is not None:
        properties.setdefault("id", feature["id"])
    _add(number, place if isinstance(place, list) else [], properties, draft)


def _add(number: int, place: Sequence[Any], properties: Mapping[str, Any], draft: Draft) -> None:
    if len(place) < 2 or any(isinstance(part, bool) for part in place):
        draft.note(
            code="bad-coordinates",
            line=number,
            value=shown(list(place)),
            message="has no longitude and latitude",
            remedy="write longitude, latitude and, if known, height",
        )
        return
    height = place[2] if len(place) > 2 else None
    draft.points.append(
        Point(number=number, longitude=place[0], latitude=place[1], elevation=height, properties=properties)
    )


def _kml(data: bytes, draft: Draft) -> None:
    marks = (element for element in parse_xml(data).iter() if _local(element) == "Placemark")
    for number, mark in enumerate(marks, start=1):
        point = _child(mark, "Point")
        if point is None:
            kinds = ("LineString", "LinearRing", "Polygon", "MultiGeometry", "Model", "Track", "MultiTrack")
            draft.not_a_point(number, next((_local(child) for child in mark if _local(child) in kinds), None))
            continue
        place: list[Any] = [part for part in _text(point, "coordinates").split(",") if part.strip()]
        if len(place) > 2 and not _counts(place[2], _text(point, "altitudeMode")):
            del place[2:]
        _add(number, place, _kml_properties(mark), draft)


def _counts(height: str, mode: str) -> bool:
    """Whether a placemark's height is one above the sea: 0 is what clamping to the ground leaves behind."""
    return mode == "absolute" or (mode != "relativeToGround" and height.strip().strip("0.-+") != "")


def _kml_properties(mark: ElementTree.Element) -> dict[str, Any]:
    properties: dict[str, Any] = {}
    if mark.get("id"):
        properties["id"] = mark.get("id")
    if name := _text(mark, "name"):
        properties["name"] = name
    for element in mark.iter():
        name = element.get("name", "").strip()
        if _local(element) == "Data" and name:
            properties[name] = _text(element, "value")
        elif _local(element) == "SimpleData" and name:
            properties[name] = (element.text or "").strip()
    return properties


def _local(element: ElementTree.Element) -> str:
    return element.tag.rpartition("}")[2]


def _child(element: ElementTree.Element, name: str) -> ElementTree.Element | None:
    return next((child for child in element if _local(child) == name), None)


def _text(element: ElementTree.Element, name: str) -> str:
    child = _child(element, name)
    return (child.text or "").strip() if child is not None else ""
