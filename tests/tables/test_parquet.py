"""Parquet says the same as CSV; typed cells are validated as they stand."""

from decimal import Decimal
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from planner.scenario import check_scenario, read_scenario
from tests.support import TABLE_PATHS, table, write_scenario


def as_parquet(folder: Path, name: str, content: pa.Table | None = None) -> None:
    (folder / f"{name}.csv").unlink()
    pq.write_table(content or pa.Table.from_pylist(table(name)), folder / f"{name}.parquet")


def test_the_same_scenario_in_parquet(tmp_path: Path) -> None:
    plain = read_scenario(write_scenario(tmp_path / "csv")).tables
    folder = write_scenario(tmp_path / "parquet")
    for name in TABLE_PATHS:
        as_parquet(folder, name)
    scenario = read_scenario(folder)
    assert scenario.tables == plain
    assert scenario.input_hashes.keys() >= {"sites.parquet", "catalogue/prices.parquet"}


def test_typed_cells(tmp_path: Path) -> None:
    folder = write_scenario(tmp_path)
    as_parquet(
        folder,
        "sites",
        pa.table(
            {
                "site_id": ["0012", "NA"],
                "latitude_deg": [46.5, 47.25],
                "longitude_deg": [8, 9],
                "load_profile": pa.array(["camera", "radio"]).dictionary_encode(),
                "autonomy_days": [float("nan"), 6.0],
                "elevation_m": pa.array([None, 450], type=pa.int16()),
                "access_cost": pa.array([Decimal("120.50"), None], type=pa.decimal128(9, 2)),
                "priority": [1.0, 2.0],
            }
        ),
    )
    first, second = read_scenario(folder).tables.sites
    assert (first.site_id, first.autonomy_days, first.elevation_m, first.access_cost) == (
        "0012",
        None,
        None,
        Decimal("120.50"),
    )
    assert (second.longitude_deg, second.autonomy_days, second.priority, second.access_cost) == (
        9.0,
        6.0,
        2,
        Decimal(0),
    )


@pytest.mark.parametrize(
    ("column", "values", "code", "line"),
    [
        ("site_id", [12, 13], "not-text", 1),
        ("latitude_deg", [46.5, 91.0], "out-of-range", 2),
        ("latitude_deg", [46.5, float("inf")], "not-finite", 2),
        ("latitude_deg", [None, 46.5], "missing-value", 1),
        ("latitude_deg", [[1.0], [2.0]], "not-a-number", 1),
        ("latitud_deg", [46.5, 46.5], "unknown-column", 1),
        ("priority", [1.5, 2.0], "not-a-whole-number", 1),
    ],
)
def test_faulty_cells_are_named_by_row(
    tmp_path: Path, column: str, values: list[object], code: str, line: int
) -> None:
    folder = write_scenario(tmp_path)
    columns: dict[str, object] = {
        "site_id": ["a", "b"],
        "latitude_deg": [46.0, 47.0],
        "longitude_deg": [8.0, 9.0],
        "load_profile": ["camera", "radio"],
    }
    as_parquet(folder, "sites", pa.table(columns | {column: values}))
    found = [p for p in check_scenario(folder) if p.column == column]
    assert (found[0].code, found[0].file, found[0].line) == (code, "sites.parquet", line)


@pytest.mark.parametrize("damage", [slice(0, 0), slice(0, 4), slice(0, 200), slice(100, None)])
def test_a_damaged_file_is_named(tmp_path: Path, damage: slice) -> None:
    folder = write_scenario(tmp_path)
    as_parquet(folder, "sites")
    path = folder / "sites.parquet"
    path.write_bytes(path.read_bytes()[damage])
    assert [(p.code, p.file) for p in check_scenario(folder)] == [("broken-parquet", "sites.parquet")]
