"""Written tables, read back by general-purpose readers: pandas, pyarrow and the standard library."""

import csv
import datetime
import io
from decimal import Decimal
from enum import StrEnum
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.tables.write import guard, write_table


class Kind(StrEnum):
    MOUNT = "mount"


COLUMNS = {
    "site_id": ["0012", "NA", "b"],
    "kind": [Kind.MOUNT, None, Kind.MOUNT],
    "unit_price": [Decimal("12.50"), Decimal("0.1234"), None],
    "quantity": [1, None, 3],
    "load_w": np.array([1.5, np.nan, -0.0]),
    "served": [True, False, None],
    "day": [datetime.date(2026, 3, 31), None, None],
    "note": ["=1+1", 'two\nlines, quoted "so"', "plain"],
}


def test_both_files_hold_the_same(tmp_path: Path) -> None:
    csv_path, parquet_path = write_table(tmp_path, "sample", COLUMNS)
    with csv_path.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["site_id"] for row in rows] == ["0012", "NA", "b"]
    assert [row["unit_price"] for row in rows] == ["12.50", "0.1234", ""]
    assert [row["quantity"] for row in rows] == ["1", "", "3"]
    assert [row["load_w"] for row in rows] == ["1.5", "", "0.0"]
    assert [row["served"] for row in rows] == ["true", "false", ""]
    assert [row["note"] for row in rows] == ["'=1+1", COLUMNS["note"][1], "plain"]
    table = pq.read_table(parquet_path)
    assert table.column_names == list(COLUMNS) == list(rows[0])
    assert table["unit_price"].to_pylist() == [Decimal("12.5000"), Decimal("0.1234"), None]
    assert table["quantity"].to_pylist() == [1, None, 3]
    assert table["load_w"].to_pylist() == [1.5, None, 0.0]
    assert table["note"].to_pylist() == COLUMNS["note"]
    assert table["day"].to_pylist() == COLUMNS["day"]


def test_types(tmp_path: Path) -> None:
    _, path = write_table(tmp_path, "sample", COLUMNS, units={"load_w": "W"})
    schema = pq.read_schema(path)
    assert pa.types.is_decimal128(schema.field("unit_price").type)
    assert schema.field("quantity").type == pa.int64()
    assert schema.field("served").type == pa.bool_()
    assert schema.field("day").type == pa.date32()
    assert schema.field("load_w").metadata[b"unit"] == b"W"


def test_the_same_rows_give_the_same_bytes(tmp_path: Path) -> None:
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        write_table(tmp_path / folder, "sample", COLUMNS)
    for name in ("sample.csv", "sample.parquet"):
        data = (tmp_path / "a" / name).read_bytes()
        assert data == (tmp_path / "b" / name).read_bytes()
        assert str(tmp_path).encode() not in data
        assert b"pandas" not in data


def test_noise_below_the_last_digit_changes_nothing(tmp_path: Path) -> None:
    a, _ = write_table(tmp_path, "a", {"x_w": [0.1 + 0.2, 1 / 3]})
    b, _ = write_table(tmp_path, "b", {"x_w": [0.3, 1 / 3 + 1e-16]})
    assert a.read_bytes() == b.read_bytes() == b"x_w\n0.3\n0.333333333\n"


def test_declared_types_hold_for_empty_columns(tmp_path: Path) -> None:
    columns: dict[str, list[object]] = {"site_id": [], "month": [], "unit_price": []}
    _, path = write_table(tmp_path, "empty", columns, types={"month": int, "unit_price": Decimal})
    assert [str(field.type) for field in pq.read_schema(path)] == ["string", "int64", "decimal128(38, 4)"]
    assert (tmp_path / "empty.csv").read_text() == "site_id,month,unit_price\n"


@pytest.mark.parametrize("columns", [{"a": [1], "b": [1, 2]}, {"a": [1, "x"]}, {"a": [object()]}])
def test_what_cannot_be_written_is_refused(tmp_path: Path, columns: dict[str, list[object]]) -> None:
    with pytest.raises(ValueError, match=r"differ in length|mixes|cannot hold"):
        write_table(tmp_path, "bad", columns)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("text", ["=cmd|' /C calc'!A0", "+1", "-1", "@sum(a1)", "\t=1", "\r=1"])
def test_text_that_a_spreadsheet_would_run_is_guarded(text: str) -> None:
    assert guard(text) == "'" + text
    assert guard("a" + text) == "a" + text


@given(
    st.lists(
        st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=20), min_size=1, max_size=8
    )
)
def test_any_text_survives_in_both(tmp_path_factory: pytest.TempPathFactory, texts: list[str]) -> None:
    folder = tmp_path_factory.mktemp("text")
    csv_path, parquet_path = write_table(folder, "t", {"n": list(range(len(texts))), "text": texts})
    rows = list(csv.reader(io.StringIO(csv_path.read_bytes().decode("utf-8"), newline="")))
    assert [row[1] for row in rows[1:]] == [guard(text) for text in texts]
    assert pq.read_table(parquet_path)["text"].to_pylist() == texts


def test_pandas_reads_it(tmp_path: Path) -> None:
    csv_path, parquet_path = write_table(tmp_path, "sample", {"site_id": ["a", "b"], "load_w": [1.25, 2.5]})
    pd.testing.assert_frame_equal(pd.read_csv(csv_path), pd.read_parquet(parquet_path), check_dtype=False)
