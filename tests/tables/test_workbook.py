"""Workbooks say the same as CSV; cells keep their kind, and problems name sheet, row and cell.

Workbooks are written here by XlsxWriter or as plain XML, and read by another library.
"""

import datetime
import io
import zipfile
from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
import xlsxwriter

from planner.errors import Problem, Severity
from planner.scenario import check_scenario, read_scenario
from planner.tables.archive import UNPACKED_MAX_BYTES, ArchiveError, unpack
from planner.tables.sheet_xml import column_letters, column_number
from tests.support import TABLE_PATHS, table, write_scenario

Sheet = Any  # XlsxWriter has no types
HEADER = ["site_id", "latitude_deg", "longitude_deg", "load_profile"]


def book(path: Path, sheets: Mapping[str, Callable[[Any, Sheet], None]]) -> None:
    with xlsxwriter.Workbook(str(path), {"strings_to_formulas": False, "strings_to_numbers": False}) as out:
        for name, fill in sheets.items():
            fill(out, out.add_worksheet(name))


def cells(rows: Sequence[Sequence[object]], top: int = 0) -> Callable[[Any, Sheet], None]:
    def fill(out: Any, sheet: Sheet) -> None:
        for i, row in enumerate(rows):
            for j, cell in enumerate(row):
                if cell not in ("", None):
                    sheet.write(top + i, j, cell)

    return fill


def rows_of(name: str) -> list[list[str]]:
    rows = table(name)
    return [list(rows[0]), *(list(row.values()) for row in rows)]


def with_sites(folder: Path, fill: Callable[[Any, Sheet], None], file: str = "sites.xlsx") -> Path:
    write_scenario(folder)
    (folder / "sites.csv").unlink()
    book(folder / file, {"sites": fill})
    return folder


def errors(folder: Path) -> list[Problem]:
    return [p for p in check_scenario(folder) if p.severity is Severity.ERROR]


def only(problems: list[Problem]) -> Problem:
    assert len(problems) == 1, "\n".join(map(str, problems))
    return problems[0]


def test_the_same_scenario_in_two_workbooks(tmp_path: Path) -> None:
    plain = read_scenario(write_scenario(tmp_path / "csv"))
    folder = write_scenario(tmp_path / "xlsx")
    for path in TABLE_PATHS:
        (folder / f"{path}.csv").unlink()
    for home in ("", "catalogue/"):
        names = [p for p in TABLE_PATHS if p.startswith("catalogue/") == bool(home)]
        book(folder / f"{home}workbook.xlsx", {n.removeprefix(home): cells(rows_of(n)) for n in names})
    scenario = read_scenario(folder)
    assert scenario.tables == plain.tables
    assert set(scenario.input_hashes) == {"scenario.toml", "workbook.xlsx", "catalogue/workbook.xlsx"}


def test_cells_keep_their_kind(tmp_path: Path) -> None:
    """0012 typed as text stays; a number 12 is the id 12; NA is a name; dates, booleans, formulas."""
    folder = write_scenario(tmp_path)
    for path in ("sites", "catalogue/prices", "catalogue/switches"):
        (folder / f"{path}.csv").unlink()

    def sites(out: Any, sheet: Sheet) -> None:
        cells([[*HEADER, "priority"], ["0012", 46.5, 8.25, "camera", 2.0], [12, 47, 9.5, "radio"]])(
            out, sheet
        )
        cells([["NA", 47, 9, "radio"]], top=3)(out, sheet)
        sheet.write_formula(3, 1, "=B3+0.25", None, 47.25)

    def prices(out: Any, sheet: Sheet) -> None:
        day = out.add_format({"num_format": "d.m.yyyy"})
        cells(rows_of("catalogue/prices"))(out, sheet)
        sheet.write_number(1, 3, 72.50000000000001)  # as a formula may leave it
        sheet.write_datetime(1, 5, datetime.datetime(2026, 3, 4), day)

    def switches(out: Any, sheet: Sheet) -> None:
        rows = rows_of("catalogue/switches")
        cells([[*rows[0], "measured_allocation"], [*rows[1], True]])(out, sheet)

    book(folder / "sites.xlsx", {"sites": sites})
    book(folder / "catalogue/prices.xlsx", {"Sheet1": prices})
    book(folder / "catalogue/switches.xlsx", {"switches": switches})
    tables = read_scenario(folder).tables
    assert [(s.site_id, s.latitude_deg, s.priority) for s in tables.sites] == [
        ("0012", 46.5, 2),
        ("12", 47.0, 1),
        ("NA", 47.25, 1),
    ]
    price = next(row for row in tables.prices if row.unit_price == Decimal("72.5") and row.min_qty == 1)
    assert (price.sku, price.valid_from) == ("M-100/36", datetime.date(2026, 3, 4))
    assert tables.switches[0].measured_allocation is True


def test_rows_keep_their_numbers_below_titles_and_blank_rows(tmp_path: Path) -> None:
    def fill(out: Any, sheet: Sheet) -> None:
        sheet.merge_range("B2:E2", "Sites of the north")
        for j, name in enumerate(HEADER):
            sheet.write(4, j + 2, name)
            sheet.write(6, j + 2, ["a", 46, 8, "camera"][j])
            sheet.write(9, j + 2, ["b", 460, 8, "radio"][j])

    problem = only(check_scenario(with_sites(tmp_path, fill)))
    assert (problem.code, problem.file, problem.line, problem.column) == (
        "out-of-range",
        "sites.xlsx[sites]",
        10,
        "latitude_deg",
    )
    assert problem.message.endswith("(cell D10)")


def edited(path: Path, part: str, change: Callable[[str], str]) -> None:
    with zipfile.ZipFile(path) as old:
        members = {name: old.read(name) for name in old.namelist()}
    members[part] = change(members[part].decode()).encode()
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for name, content in members.items():
            new.writestr(name, content)


CELLS = [
    # the cell B3 (latitude) as XML, code, value
    ('<c r="B3" t="e"><v>#N/A</v></c>', "error-cell", "#N/A"),
    ('<c r="B3" t="e"><f>1/0</f><v>#DIV/0!</v></c>', "error-cell", "#DIV/0!"),
    ('<c r="B3"><f>B2+1</f></c>', "formula-without-value", ""),
    ('<c r="B3"><f>B2+1</f><v></v></c>', "formula-without-value", ""),
    ('<c r="B3" t="b"><v>1</v></c>', "not-a-number", "TRUE"),
    ('<c r="B3" t="inlineStr"><is><t>46,5</t></is></c>', "decimal-comma", "46,5"),
    ('<c r="B3" t="inlineStr"><is><t>&lt;b&gt;=cmd|x</t></is></c>', "not-a-number", "<b>=cmd|x"),
]


@pytest.mark.parametrize(("xml", "code", "value"), CELLS)
def test_a_cell_that_is_no_number_is_named(tmp_path: Path, xml: str, code: str, value: str) -> None:
    folder = with_sites(tmp_path, cells([HEADER, ["a", 46, 8, "camera"], ["b", 99, 8, "radio"]]))
    edited(
        folder / "sites.xlsx",
        "xl/worksheets/sheet1.xml",
        lambda text: text.replace('<c r="B3"><v>99</v></c>', xml),
    )
    problem = only(errors(folder))
    assert (problem.code, problem.line, problem.column, problem.value) == (code, 3, "latitude_deg", value)
    assert problem.message.endswith("(cell B3)")


def test_a_date_where_none_is_meant_and_an_id_that_lost_digits(tmp_path: Path) -> None:
    def fill(out: Any, sheet: Sheet) -> None:
        day = out.add_format({"num_format": "yyyy-mm-dd"})
        cells([HEADER, ["a", 46, 8, "camera"], [12345678901234567, 46, 8, "radio"]])(out, sheet)
        sheet.write_datetime(1, 0, datetime.datetime(2026, 3, 4), day)  # "3-4" typed as an id
        sheet.write_datetime(1, 1, datetime.datetime(2026, 5, 12, 6), day)

    found = errors(with_sites(tmp_path, fill))
    assert {(p.code, p.line, p.column) for p in found} == {
        ("unmeant-date", 2, "site_id"),
        ("unmeant-date", 2, "latitude_deg"),
        ("digits-lost", 3, "site_id"),
    }
    assert {p.value for p in found} >= {"2026-03-04", "2026-05-12 06:00:00"}


def test_merged_cells_below_the_header_warn(tmp_path: Path) -> None:
    def fill(out: Any, sheet: Sheet) -> None:
        cells([[*HEADER, "region"], ["a", 46, 8, "camera"], ["b", 47, 8, "radio"]])(out, sheet)
        sheet.merge_range("E2:E3", "north")

    folder = with_sites(tmp_path, fill)
    problem = only(check_scenario(folder))
    assert (problem.code, problem.severity, problem.line, problem.value) == (
        "merged-cells",
        Severity.WARNING,
        2,
        "E2:E3",
    )
    assert [site.region for site in read_scenario(folder).tables.sites] == ["north", ""]


def test_a_table_in_two_places_is_refused_and_both_are_named(tmp_path: Path) -> None:
    write_scenario(tmp_path)
    book(tmp_path / "workbook.xlsx", {"Sites ": cells(rows_of("sites"))})
    problem = only(check_scenario(tmp_path))
    assert (problem.code, problem.file) == ("two-files", "workbook.xlsx[Sites]")
    assert "sites.csv" in problem.message


def test_hidden_and_misnamed_sheets_are_not_read_and_that_is_said(tmp_path: Path) -> None:
    def hidden(out: Any, sheet: Sheet) -> None:
        cells(rows_of("sites"))(out, sheet)
        sheet.hide()

    write_scenario(tmp_path)
    names = {"Notes": cells([["a"]]), "sites": hidden, "device": cells([["a"]]), "prices": cells([["a"]])}
    book(tmp_path / "workbook.xlsx", names)
    found = {(p.code, p.file): p for p in check_scenario(tmp_path)}
    assert set(found) == {
        ("sheet-not-read", f"workbook.xlsx[{name}]") for name in ("sites", "device", "prices")
    }
    assert all(p.severity is Severity.WARNING for p in found.values())
    assert "devices" in found["sheet-not-read", "workbook.xlsx[device]"].remedy


def test_a_file_of_one_table_takes_the_sheet_of_its_name_else_the_first(tmp_path: Path) -> None:
    write_scenario(tmp_path)
    (tmp_path / "sites.csv").unlink()
    book(tmp_path / "sites.xlsx", {"Notes": cells([["x"]]), "SITES": cells(rows_of("sites"))})
    assert check_scenario(tmp_path) == []
    book(tmp_path / "sites.xlsx", {"Data": cells(rows_of("sites")), "loads": cells(rows_of("loads"))})
    problem = only(check_scenario(tmp_path))
    assert (problem.code, problem.file) == ("sheet-not-read", "sites.xlsx[loads]")


def zipped(members: Mapping[str, bytes]) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return stream.getvalue()


BROKEN = [
    b"",
    b"site_id,latitude_deg\n",
    b"PK\x03\x04" + b"\0" * 60,
    b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600,  # the container of a workbook with a password
    zipped({"mimetype": b"x"}),
    zipped(
        {
            "xl/workbook.xml": b"<!DOCTYPE a [<!ENTITY b 'c'>]><a>&b;</a>",
            "xl/_rels/workbook.xml.rels": b"<a/>",
        }
    ),
]


@pytest.mark.parametrize("data", BROKEN)
@pytest.mark.parametrize("file", ["sites.xlsx", "workbook.xlsx"])
def test_a_broken_workbook_is_named_once(tmp_path: Path, data: bytes, file: str) -> None:
    write_scenario(tmp_path)
    (tmp_path / "sites.csv").unlink()
    (tmp_path / file).write_bytes(data)
    problem = only(check_scenario(tmp_path))
    assert (problem.code, problem.file) == ("broken-workbook", file)
    assert "password" in problem.remedy


def test_an_empty_sheet_is_named(tmp_path: Path) -> None:
    problem = only(check_scenario(with_sites(tmp_path, cells([]))))
    assert (problem.code, problem.file) == ("empty-file", "sites.xlsx[sites]")


def test_a_cell_at_the_end_of_the_sheet_does_not_fill_the_memory(tmp_path: Path) -> None:
    def fill(out: Any, sheet: Sheet) -> None:
        cells(rows_of("sites"))(out, sheet)
        sheet.write(1048575, 16383, "x")

    problem = only(check_scenario(with_sites(tmp_path, fill)))
    assert problem.code == "broken-sheet"
    assert "XFD" in problem.message


def test_an_archive_that_unpacks_too_large_or_lies_about_its_size_is_refused() -> None:
    bomb = zipped({"a": bytes(UNPACKED_MAX_BYTES + 1)})
    assert len(bomb) < 1 << 20
    with pytest.raises(ArchiveError, match="MiB"):
        unpack(bomb)
    honest = zipped({"a": bytes(5000)})
    lying = honest.replace((5000).to_bytes(4, "little"), (50).to_bytes(4, "little"))
    assert lying != honest
    with pytest.raises(ArchiveError):
        unpack(lying)
    assert unpack(honest) == {"a": bytes(5000)}


def test_links_to_workbooks_outside_are_refused(tmp_path: Path) -> None:
    folder = with_sites(tmp_path / "in", cells(rows_of("sites")))
    (folder / "sites.xlsx").rename(tmp_path / "away.xlsx")
    (folder / "sites.xlsx").symlink_to(tmp_path / "away.xlsx")
    assert [p.code for p in check_scenario(folder)] == ["outside-folder"]


def test_a_long_cell_is_cut_where_it_is_shown(tmp_path: Path) -> None:
    folder = with_sites(tmp_path, cells([HEADER, ["a", 46, 8, "camera"], ["x" * 32767, 46, 8, "radio"]]))
    problem = only(errors(folder))
    assert (problem.code, len(problem.value)) == ("too-long", 120)


@pytest.mark.parametrize(
    ("number", "letters"), [(1, "A"), (26, "Z"), (27, "AA"), (702, "ZZ"), (16384, "XFD")]
)
def test_column_letters(number: int, letters: str) -> None:
    """A sheet's last column is XFD, the 16,384th (ECMA-376 limits as spreadsheets document them)."""
    assert (column_letters(number), column_number(letters)) == (letters, number)
