"""Points on a map as sites. GeoJSON: RFC 7946, 3.1.1 (longitude first); KML 2.2: `lon,lat[,alt]`."""

import csv
import json
from pathlib import Path
from typing import Any

import pytest

from planner.errors import InputError, OutputError, Severity
from planner.tables.files import Shelf
from planner.tables.geo import Points, read_points, write_sites
from planner.tables.read import read_table
from planner.tables.registry import BY_NAME
from tests.tables.test_workbook import zipped


def feature(*place: Any, kind: str = "Point", **properties: Any) -> dict[str, Any]:
    return {
        "type": "Feature",
        "geometry": {"type": kind, "coordinates": list(place)},
        "properties": {"load_profile": "gauge"} | properties,
    }


def points(folder: Path, *features: Any, **options: Any) -> Points:
    path = folder / "map.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}), "utf-8")
    return read_points(path, **options)


def refused(folder: Path, *features: Any, **options: Any) -> set[tuple[str, int | None]]:
    with pytest.raises(InputError) as caught:
        points(folder, *features, **options)
    assert all(problem.remedy for problem in caught.value.problems)
    return {(p.code, p.line) for p in caught.value.problems if p.severity is Severity.ERROR}


def test_points_become_sites(tmp_path: Path) -> None:
    found = points(
        tmp_path,
        feature(8.338, 46.561, 2164.5, name="Grimsel", autonomy_days=7, colour="red"),
        feature(-149.1, -33.25, name="<b>=cmd|x</b>", elevation_m=12),
    )
    assert found.columns == {
        "site_id": ["Grimsel", "b-cmd-x-b"],
        "name": ["Grimsel", "<b>=cmd|x</b>"],
        "latitude_deg": [46.561, -33.25],
        "longitude_deg": [8.338, -149.1],
        "elevation_m": [2164.5, 12],
        "load_profile": ["gauge", "gauge"],
        "autonomy_days": [7, None],
    }
    assert [(p.code, p.column) for p in found.problems] == [("property-ignored", "colour")]


def test_what_is_written_reads_back(tmp_path: Path) -> None:
    found = points(tmp_path, feature(8.338, -46.561, 12, name="a, b", site_id=12))
    write_sites(found, tmp_path / "sites.csv")
    table, problems = read_table(BY_NAME["sites"], Shelf(folder=tmp_path))
    (site,) = table.rows
    assert problems == []
    assert (site.site_id, site.name, site.latitude_deg, site.elevation_m) == ("12", "a, b", -46.561, 12)
    with pytest.raises(OutputError, match="--force"):
        write_sites(found, tmp_path / "sites.csv")
    write_sites(found, tmp_path / "sites.csv", replace=True)


def test_formulas_are_guarded_in_the_file(tmp_path: Path) -> None:
    write_sites(points(tmp_path, feature(8, 46, name="=1+1", id="a")), tmp_path / "out.csv")
    with (tmp_path / "out.csv").open(newline="") as stream:
        assert [row["name"] for row in csv.DictReader(stream)] == ["'=1+1"]


IDS = [
    # properties of two points, --id, the ids made of them
    ([{"site_id": "a.1", "id": "x"}, {"site_id": "b", "id": "y"}], None, ["a.1", "b"]),
    ([{"id": 7}, {"id": 7.5}], None, ["7", "7.5"]),
    ([{"name": "Øst/../vik"}, {"name": "st-..-vik"}], None, ["st-..-vik-2", "st-..-vik"]),
    ([{"name": "Café 1"}, {"name": "東京"}], None, ["Cafe-1", "site-2"]),
    ([{"code": "k1", "id": "x"}, {"code": "K1", "id": "y"}], "code", ["k1", "K1"]),
    ([{"name": "x" * 150 + "1"}, {"name": "x" * 150 + "2"}], None, ["x" * 64, "x" * 62 + "-2"]),
]


@pytest.mark.parametrize(("properties", "name", "ids"), IDS)
def test_ids(tmp_path: Path, properties: list[dict[str, Any]], name: str | None, ids: list[str]) -> None:
    features = [feature(8, 46, **said) for said in properties]
    assert points(tmp_path, *features, id_property=name).columns["site_id"] == ids


def test_what_is_no_point_is_said(tmp_path: Path) -> None:
    found = points(
        tmp_path,
        feature([0, 0], [1, 1], kind="LineString"),
        {"type": "Feature", "geometry": None, "properties": None},
        feature(8, 46, id="a"),
        3,
    )
    assert found.count == 1
    assert [(p.code, p.line, p.severity) for p in found.problems] == [
        ("not-a-point", line, Severity.WARNING) for line in (1, 2, 4)
    ]


REFUSED = [
    ([feature(8, 46, id="a"), feature(9, 46, id="a")], {("duplicate-key", 2)}),
    ([feature(8, 46, id="a"), feature(9, 46)], {("missing-id", 2)}),
    ([feature(46, 98, id="a")], {("out-of-range", 1)}),
    ([feature("x", 46, id="a")], {("not-a-number", 1)}),
    ([feature(8, id="a")], {("bad-coordinates", 1)}),
    ([feature(True, 46, id="a")], {("bad-coordinates", 1)}),
    ([feature(float("nan"), 46, id="a")], {("not-finite", 1)}),
    ([feature(8, 46, id="a", name="x" * 10_000_000)], {("too-long", 1)}),
    ([feature(8, 46, id="a", priority="first")], {("not-a-number", 1)}),
    ([feature(8, 46, id="a", load_profile=None)], {("missing-value", None)}),
    ([], {("no-points", None)}),
]


@pytest.mark.parametrize(("features", "codes"), REFUSED)
def test_faults_are_named(tmp_path: Path, features: list[Any], codes: set[tuple[str, int | None]]) -> None:
    assert refused(tmp_path, *features) == codes


def test_a_load_profile_for_all_that_state_none(tmp_path: Path) -> None:
    found = points(
        tmp_path,
        feature(8, 46, id="a"),
        feature(8, 46, id="b", load_profile=None),
        load_profile="other",
    )
    assert found.columns["load_profile"] == ["gauge", "other"]


KML = """\
<?xml version="1.0" encoding="UTF-8"?>
<kml xmlns="http://www.opengis.net/kml/2.2"><Document><Folder>
<Placemark><name>A &lt;1&gt;</name><Point><coordinates>
 8.338,46.561,0 </coordinates></Point></Placemark>
<Placemark><name>B</name><ExtendedData><Data name="load_profile"><value>hub</value></Data></ExtendedData>
<Point><coordinates>-8.5,-46.25,1800</coordinates></Point></Placemark>
<Placemark><name>C</name><Point><altitudeMode>relativeToGround</altitudeMode>
<coordinates>9,47,30</coordinates></Point></Placemark>
<Placemark><name>Path</name><LineString><coordinates>1,2 3,4</coordinates></LineString></Placemark>
</Folder></Document></kml>
"""


@pytest.mark.parametrize("suffix", [".kml", ".kmz"])
def test_placemarks_become_sites(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"map{suffix}"
    path.write_bytes(KML.encode() if suffix == ".kml" else zipped({"doc.kml": KML.encode()}))
    found = read_points(path, load_profile="gauge")
    assert found.columns["site_id"] == ["A-1", "B", "C"]
    assert found.columns["load_profile"] == ["gauge", "hub", "gauge"]
    assert [float(cell) for cell in found.columns["latitude_deg"]] == [46.561, -46.25, 47.0]
    # 0 is what clamping to the ground leaves; a height above the ground is none above the sea.
    assert found.columns["elevation_m"] == [None, "1800", None]
    assert [(p.code, p.line, p.value) for p in found.problems] == [("not-a-point", 4, "LineString")]
    write_sites(found, tmp_path / "sites.csv")
    assert len(read_table(BY_NAME["sites"], Shelf(folder=tmp_path))[0].rows) == 3


LAUGHS = '<!DOCTYPE k [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;">]><kml><name>&b;</name></kml>'
OUTSIDE = '<!DOCTYPE k [<!ENTITY a SYSTEM "file:///etc/passwd">]><kml><name>&a;</name></kml>'
BROKEN = [
    ("map.kml", LAUGHS.encode(), "broken-map"),
    ("map.kml", LAUGHS.encode("utf-16"), "broken-map"),
    ("map.kml", OUTSIDE.encode(), "broken-map"),
    ("map.kml", b'<!DOCTYPE k SYSTEM "http://127.0.0.1/k.dtd"><kml/>', "broken-map"),
    ("map.kml", b"<kml>", "broken-map"),
    ("map.kml", b"", "broken-map"),
    ("map.kml", b"<kml>\0</kml>", "broken-map"),
    ("map.kml", b'<?xml version="1.0" encoding="no-such"?><kml/>', "broken-map"),
    ("map.kmz", b"PK", "broken-map"),
    ("map.kmz", zipped({"a.txt": b""}), "broken-map"),
    ("map.json", b"[" * 100_000, "broken-map"),
    ("map.json", b"[]", "broken-map"),
    ("map.json", b"{", "broken-map"),
    ("map.json", b'{"type": "FeatureCollection", "features": 3}', "no-points"),
    ("map.json", b'{"crs": {"properties": {"name": "urn:ogc:def:crs:EPSG::25833"}}}', "other-coordinates"),
    ("map.json", b"\xff\xfe{", "wrong-encoding"),
    ("map.gpx", b"", "unknown-kind"),
    ("map.shp", None, "missing-file"),
]


@pytest.mark.parametrize(("name", "data", "code"), BROKEN)
def test_broken_and_hostile_files_are_refused(
    tmp_path: Path, name: str, data: bytes | None, code: str
) -> None:
    if data is not None:
        (tmp_path / name).write_bytes(data)
    with pytest.raises(InputError) as caught:
        read_points(tmp_path / name)
    assert [p.code for p in caught.value.problems] == [code]


def test_the_usual_coordinates_may_be_named(tmp_path: Path) -> None:
    tree = {
        "type": "FeatureCollection",
        "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:OGC:1.3:CRS84"}},
        "features": [feature(8, 46, id="a")],
    }
    (tmp_path / "map.json").write_text(json.dumps(tree))
    assert read_points(tmp_path / "map.json").count == 1
