"""A comparison as HTML: a section for a report, or a page of its own that needs nothing beside it.

Names come from tables that anyone may have written: the templates escape every text, and each name stands in
an element of its own direction of writing.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from planner.charts import CATEGORY_WORDS
from planner.compare.difference import Comparison
from planner.errors import OutputError
from planner.tables.plan_files import read_manifest
from planner.tables.rerun_rows import OrderChangeRow, PartChangeRow, SiteChangeRow

if TYPE_CHECKING:
    from jinja2 import Environment

TEMPLATES = Path(__file__).parent
MINUS = "\u2212"
CHANGES = {"design": "another design", "served": "newly served", "lost": "no longer served"}
ARROW = " -> "
#: What a reader calls the columns of a design.
DESIGN_WORDS = {
    "system_voltage_v": "bus, V",
    "surface_tilt_deg": "tilt, degrees",
    "surface_azimuth_deg": "azimuth, degrees",
    "supply_kit": "supply",
    "feeds": "fed",
    "load_disconnect": "load disconnect",
    "module_sku": "module",
    "modules_series": "modules in a string",
    "modules_parallel": "module strings",
    "controller_sku": "controller",
    "controllers": "controllers",
    "battery_sku": "battery",
    "batteries_series": "batteries in a string",
    "batteries_parallel": "battery strings",
    "charge_setpoint_v": "charge setpoint, V",
    "mount_sku": "mount",
    "mounts": "mounts",
    "enclosure_sku": "enclosure",
    "enclosures": "enclosures",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Sides:
    """Manifests of the two plans, and what to call them."""

    before: Mapping[str, Any]
    after: Mapping[str, Any]
    name_before: str
    name_after: str


def sides(before: Path, after: Path) -> Sides:
    """The two plans of a comparison, from their folders.

    Raises
    ------
    InputError
        A folder holds no plan.
    """
    names = [folder.resolve().name for folder in (before, after)]
    if names[0] == names[1]:
        names = [str(before), str(after)]
    return Sides(
        before=read_manifest(before), after=read_manifest(after), name_before=names[0], name_after=names[1]
    )


def section(found: Comparison, plans: Sides) -> str:
    """HTML of a comparison: one `<section>` with its own style, under a heading of the second level."""
    return _environment().get_template("section.html.j2").render(_view(found, plans))


def page(found: Comparison, plans: Sides) -> str:
    """The section as a whole document."""
    template = _environment().get_template("page.html.j2")
    return template.render(plans=plans, section=section(found, plans))


def write_page(found: Comparison, plans: Sides, file: Path) -> None:
    """Write the document.

    Raises
    ------
    OutputError
        It cannot be written there.
    """
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(page(found, plans), encoding="utf-8")
    except OSError as error:
        raise OutputError(f"{file} cannot be written: {error.strerror or error}") from error


@lru_cache(maxsize=1)
def _environment() -> "Environment":
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    made = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {"amount": amount, "price": price, "signed": signed, "sense": sense}
    return made


def amount(value: Decimal | float | None) -> str:
    """`1,234.50`; nothing for nothing."""
    return "" if value is None else f"{value:,}".replace("-", MINUS)


def price(value: Decimal | None) -> str:
    """`1,234.50`: a mean price has four decimals, of which the last two count where they are not zero."""
    text = amount(value)
    return text.removesuffix("00") if text.partition(".")[2].endswith("00") else text


def signed(value: Decimal | float | None) -> str:
    """`+1,234.50`, with a true minus sign."""
    return "" if value is None else f"{value:+,}".replace("-", MINUS) if value else f"{value:,}"


def sense(value: Decimal | float | None) -> str:
    """Class of a change: up, down, or none."""
    return "up" if value and value > 0 else "down" if value and value < 0 else "same"


def told(what: str) -> list[tuple[str, str]]:
    """What differs at a site, each column in a reader's word and with its text; a text alone without one.

    SKUs may hold anything, the marks between two columns or two values too: what begins with no column
    belongs to the one before, and values are told apart by an arrow only where one alone stands there.
    """
    found: list[tuple[str, str]] = []
    for chunk in what.split("; "):
        name, _, text = chunk.partition(" ")
        if name in DESIGN_WORDS:
            found.append((DESIGN_WORDS[name], text))
        elif found and found[-1][0]:
            found[-1] = (found[-1][0], f"{found[-1][1]}; {chunk}")
        elif chunk:
            found.append(("", chunk))
    return [(word, _arrowed(text) if word else text) for word, text in found]


def _arrowed(text: str) -> str:
    """`old → new`; nothing on one side is named."""
    pair = f" {text} ".split(ARROW)
    return " → ".join(part.strip() or "none" for part in pair) if len(pair) == 2 else text


def _view(found: Comparison, plans: Sides) -> dict[str, Any]:
    """What the template shows, in the order in which it shows it."""
    parts: dict[str, list[PartChangeRow]] = defaultdict(list)
    for row in found.changed_parts:
        parts[row.site_id].append(row)
    total = next((row for row in found.changed_totals if row.category == "total"), None)
    return {
        "found": found,
        "plans": plans,
        "currency": plans.after["currency"],
        "total": total,
        "traced": any(row.cause for row in found.changed_sites)
        or any(row.cause for row in found.changed_orders),
        "share": float(total.cost_change / total.cost_before) if total and total.cost_before else None,
        "words": CATEGORY_WORDS,
        "changes": CHANGES,
        "sites": [(row, told(row.what)) for row in sorted(found.changed_sites, key=_weight)],
        "parts": parts,
        "orders": _order_groups(found.changed_orders),
        "kept": plans.after.get("kept_designs"),
    }


def _weight(row: SiteChangeRow | OrderChangeRow) -> tuple[Decimal, tuple[str, ...]]:
    """The greatest changes of cost first."""
    name = (row.site_id,) if isinstance(row, SiteChangeRow) else (row.sku, row.supplier)
    return -abs(row.cost_change), name


def _order_groups(rows: Sequence[OrderChangeRow]) -> list[tuple[str, list[OrderChangeRow]]]:
    """Lines up, down, and alike in number at another price, each under its heading."""
    groups = {
        "Ordered more": [row for row in rows if row.quantity_change > 0],
        "Ordered less": [row for row in rows if row.quantity_change < 0],
        "Ordered as before, at another price": [row for row in rows if row.quantity_change == 0],
    }
    return [(name, sorted(some, key=_weight)) for name, some in groups.items() if some]
