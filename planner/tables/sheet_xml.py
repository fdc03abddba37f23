"""What a sheet's XML tells that its values do not: extent, errors, formulas without a value."""

import posixpath
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from xml.etree import ElementTree

from planner.tables.archive import ArchiveError, parse_xml

CELLS_MAX = 10_000_000  # extent of a sheet, blank cells too: they are laid out in memory

Place = tuple[int, int]  # row and column from 1

_REFERENCE = re.compile(rb"""\br\s*=\s*["']([A-Za-z]{0,7})(\d{0,9})["']""")
_NEEDS_A_LOOK = re.compile(rb"""\bt\s*=\s*["']e["']|<(?:\w+:)?f[\s/>]""")
_RELATION = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"
_STRICT_RELATION = "{http://purl.oclc.org/ooxml/officeDocument/relationships}id"


@dataclass(slots=True)
class Oddities:
    """Cells of a sheet that hold no value: error values, and formulas never calculated."""

    errors: dict[Place, str] = field(default_factory=dict)
    uncalculated: set[Place] = field(default_factory=set)


def sheet_parts(members: Mapping[str, bytes]) -> dict[str, str]:
    """Part of the archive for each sheet's name.

    Raises
    ------
    ArchiveError
        No workbook, or one that does not say where its sheets stand.
    """
    try:
        book = parse_xml(members["xl/workbook.xml"])
        relations = parse_xml(members["xl/_rels/workbook.xml.rels"])
    except KeyError as error:
        raise ArchiveError(f"has no part {error}, as a workbook has") from error
    targets = {item.get("Id"): item.get("Target", "") for item in relations}
    parts = {}
    for element in book.iter():
        if _local(element) == "sheet":
            target = targets.get(element.get(_RELATION) or element.get(_STRICT_RELATION)) or ""
            parts[element.get("name", "")] = posixpath.normpath(posixpath.join("/xl", target))[1:]
    return parts


def check_extent(xml: bytes) -> None:
    """Refuse a sheet whose last cell lies so far out that laying it out would fill the memory."""
    rows, columns = 1, 1
    for letters, digits in _REFERENCE.findall(xml):
        rows = max(rows, int(digits or 0))
        columns = max(columns, column_number(letters.decode()) if letters else 1)
    if rows * columns > CELLS_MAX:
        raise ArchiveError(f"reaches down to row {rows} and out to column {column_letters(columns)}")


def oddities(xml: bytes) -> Oddities:
    """Error values and uncalculated formulas of a sheet, by place."""
    found = Oddities()
    if not _NEEDS_A_LOOK.search(xml):  # the common case: values alone
        return found
    row = column = 0
    for element in parse_xml(xml).iter():
        if _local(element) == "row":
            number = element.get("r", "")
            row, column = int(number) if number.isdecimal() else row + 1, 0
        elif _local(element) == "c":
            place = _place(element.get("r"), row, column)
            column = place[1]
            _look(element, place, found)
    return found


def _look(cell: ElementTree.Element, place: Place, found: Oddities) -> None:
    children = {_local(child): child.text or "" for child in cell}
    kind = cell.get("t", "n")
    if kind == "e":
        found.errors[place] = children.get("v") or "an error"
    elif "f" in children and not children.get("v") and kind != "str":  # a text formula may give no text
        found.uncalculated.add(place)


def _place(reference: str | None, row: int, column: int) -> Place:
    match = re.fullmatch(r"([A-Za-z]{1,3})(\d{1,7})", reference or "")
    return (int(match[2]), column_number(match[1])) if match else (row, column + 1)


def _local(element: ElementTree.Element) -> str:
    return element.tag.rpartition("}")[2]


def column_number(letters: str) -> int:
    """1 for A, 27 for AA."""
    number = 0
    for letter in letters.upper():
        number = 26 * number + ord(letter) - ord("A") + 1
    return number


def column_letters(number: int) -> str:
    """A for 1, AA for 27."""
    letters = ""
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters
