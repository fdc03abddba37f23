"""CSV files separated by semicolons or tabs: told by the header alone."""

from pathlib import Path

import pytest

from planner.scenario import check_scenario, read_scenario
from tests.support import TABLE_PATHS, table, write_scenario

HEADER = "site_id,latitude_deg,longitude_deg,load_profile"


def separated(name: str, mark: str) -> str:
    rows = table(name)
    quoted = [[f'"{cell}"' if mark in cell or "," in cell else cell for cell in row.values()] for row in rows]
    return "\n".join([mark.join(rows[0]), *map(mark.join, quoted)]) + "\n"


@pytest.mark.parametrize("mark", [",", ";", "\t"])
@pytest.mark.parametrize("mark_of_order", ["", "\ufeff"])
def test_the_same_scenario_under_any_delimiter(tmp_path: Path, mark: str, mark_of_order: str) -> None:
    plain = read_scenario(write_scenario(tmp_path / "plain")).tables
    content: dict[str, str] = {name: mark_of_order + separated(name, mark) for name in TABLE_PATHS}
    assert read_scenario(write_scenario(tmp_path / "other", tables=content)).tables == plain


def problem_of(folder: Path, content: str) -> tuple[str, int | None, str, str]:
    found = [
        p for p in check_scenario(write_scenario(folder, tables={"sites": content})) if p.file == "sites.csv"
    ]
    assert len(found) == 1, "\n".join(map(str, found))
    return found[0].code, found[0].line, found[0].column, found[0].remedy


def test_the_data_do_not_tell_the_delimiter(tmp_path: Path) -> None:
    """Semicolons in cells, as many as commas, below a header of commas stay text."""
    content = f"{HEADER},name\na,46,8,camera,x;y;z;u;v\nb,46,8,radio,;;;;\n"
    write_scenario(tmp_path, tables={"sites": content})
    assert [site.name for site in read_scenario(tmp_path).tables.sites] == ["x;y;z;u;v", ";;;;"]


MIXED = [
    ("site_id,latitude_deg;longitude_deg,load_profile\na,46;8,camera\n", 1),
    ("site_id;latitude_deg\tlongitude_deg;load_profile\na;46;8;camera\n", 1),
    (HEADER.replace(",", ";") + "\na;46;8;camera\nb,46,8,radio\n", 3),
    (HEADER + "\na,46,8,camera\nb\t46\t8\tradio\n", 3),
]


@pytest.mark.parametrize(("content", "line"), MIXED)
def test_mixed_delimiters_are_refused(tmp_path: Path, content: str, line: int) -> None:
    assert problem_of(tmp_path, content)[:2] == ("mixed-delimiters", line)


def test_a_decimal_comma_stays_an_error_and_the_remedy_names_the_export(tmp_path: Path) -> None:
    content = HEADER.replace(",", ";") + "\na;46,5;8;camera\nb;46;8;radio\n"
    code, line, column, remedy = problem_of(tmp_path, content)
    assert (code, line, column) == ("decimal-comma", 2, "latitude_deg")
    assert "46.5" in remedy
    assert ".xlsx" in remedy


def test_rows_of_a_wrong_length_name_the_delimiter_of_the_file(tmp_path: Path) -> None:
    code, line, _, remedy = problem_of(tmp_path, HEADER.replace(",", ";") + "\na;46;8\nb;46;8;radio\n")
    assert (code, line) == ("too-few-cells", 2)
    assert "semicolon" in remedy


def test_unknown_headers_fall_to_the_delimiter_that_splits_them(tmp_path: Path) -> None:
    write_scenario(tmp_path, tables={"sites": "ort;breite;laenge\na;46;8\n"})
    unknown = [p.column for p in check_scenario(tmp_path) if p.code == "unknown-column"]
    assert unknown == ["breite", "laenge", "ort"]
