"""Whatever the bytes, reading ends in rows or in named problems; never in another error."""

import zipfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from planner.errors import InputError, Severity
from planner.scenario import check_scenario, read_scenario
from planner.starter import write_starter
from planner.tables.columns import table_columns
from planner.tables.registry import BY_NAME
from tests.support import SETTINGS, TABLE_PATHS, table, with_cell, write_scenario

FUZZ = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
SPITEFUL = st.one_of(
    st.text(max_size=30),
    st.sampled_from(
        [
            "=1+1",
            "1e999",
            "-0",
            "9" * 400,
            "1_000",
            "0x10",
            "٣",
            "NaN",
            "-inf",
            "true",
            "2026-13-01",
            "\x1b[31m",
            "\ud7ff",
            "a,b",
            '"',
            "1e-400",
            "12.5.3",
            "--",
            "½",
        ]
    ),
)


def reads_or_names(folder: Path) -> None:
    """Reading agrees with checking, and every problem says what to do."""
    problems = check_scenario(folder)
    assert all(p.code and p.message and p.remedy for p in problems)
    errors = [p for p in problems if p.severity is Severity.ERROR]
    if errors:
        with pytest.raises(InputError):
            read_scenario(folder)
    else:
        assert list(read_scenario(folder).warnings) == problems


@FUZZ
@given(data=st.data())
def test_damaged_workbooks(tmp_path: Path, data: st.DataObject) -> None:
    """A sheet's XML with some bytes replaced; the archive around it is whole."""
    folder = write_scenario(tmp_path)
    (folder / "sites.csv").unlink(missing_ok=True)
    if not (tmp_path / "starter").exists():
        write_starter(tmp_path / "starter", workbook=True)
    with zipfile.ZipFile(tmp_path / "starter" / "workbook.xlsx") as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    part = data.draw(st.sampled_from(sorted(name for name in members if name.endswith((".xml", ".rels")))))
    at = data.draw(st.integers(0, len(members[part])))
    damage = data.draw(st.binary(max_size=8) | st.sampled_from([b"<f/>", b' t="e"', b"</row>", b' r="ZZZ9"']))
    members[part] = members[part][:at] + damage + members[part][at + data.draw(st.integers(0, 20)) :]
    with zipfile.ZipFile(folder / "sites.xlsx", "w") as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    reads_or_names(folder)


@FUZZ
@given(name=st.sampled_from(TABLE_PATHS), data=st.binary(max_size=300))
def test_random_bytes(tmp_path: Path, name: str, data: bytes) -> None:
    reads_or_names(write_scenario(tmp_path, tables={name: data}))


@FUZZ
@given(name=st.sampled_from(TABLE_PATHS), text=st.text('ab,;"\n\r\t01.-\ufeff\0é', max_size=120))
def test_random_cells(tmp_path: Path, name: str, text: str) -> None:
    header = ",".join(table(name)[0])
    reads_or_names(write_scenario(tmp_path, tables={name: f"{header}\n{text}"}))


@FUZZ
@given(name=st.sampled_from(TABLE_PATHS), data=st.data())
def test_any_cell_of_any_column(tmp_path: Path, name: str, data: st.DataObject) -> None:
    columns = [column.column for column in table_columns(name.rsplit("/", 1)[-1])]
    row = data.draw(st.integers(0, len(table(name)) - 1))
    cells = data.draw(st.dictionaries(st.sampled_from(columns), SPITEFUL, min_size=1, max_size=3))
    reads_or_names(write_scenario(tmp_path, tables=with_cell(name, row, **cells)))


@FUZZ
@given(text=st.one_of(st.text(max_size=80), st.text("[]{}=.\"' \n#ab1-", max_size=80)))
def test_random_settings(tmp_path: Path, text: str) -> None:
    for content in (text, SETTINGS + text):
        folder = write_scenario(tmp_path)
        (folder / "scenario.toml").write_bytes(content.encode("utf-8", "surrogatepass"))
        reads_or_names(folder)


@FUZZ
@given(
    name=st.sampled_from(["name", "catalogue", "policy.load_margin", "policy", "plan_date", "", "a.b"]),
    text=SPITEFUL,
)
def test_random_overrides(tmp_path: Path, name: str, text: str) -> None:
    folder = write_scenario(tmp_path)
    problems = check_scenario(folder, overrides={name: text})
    assert all(p.code and p.message and p.remedy for p in problems)


@FUZZ
@given(at=st.integers(0, 2000), flip=st.binary(min_size=1, max_size=8))
def test_damaged_parquet(tmp_path: Path, at: int, flip: bytes) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    folder = write_scenario(tmp_path)
    (folder / "sites.csv").unlink()
    path = folder / "sites.parquet"
    pq.write_table(pa.Table.from_pylist(table("sites")), path)
    data = bytearray(path.read_bytes())
    at %= len(data)
    data[at : at + len(flip)] = flip
    path.write_bytes(data)
    reads_or_names(folder)
    path.unlink()


def test_every_table_has_its_columns_described() -> None:
    for name in BY_NAME:
        assert all(column.meaning and column.type for column in table_columns(name)), name
