"""A comparison as HTML: whole and alone, hostile names as text, the figures of the JSON."""

import json
import re
from collections import Counter
from decimal import Decimal
from html.parser import HTMLParser
from pathlib import Path

import pytest
from typer.testing import CliRunner

from planner.cli import app
from planner.compare import Comparison, compare_folders
from planner.compare.section import amount, price, section, sense, sides, signed, told
from planner.pipeline import plan_folder
from planner.tables.rerun_rows import (
    CauseRow,
    InputChangeRow,
    OrderChangeRow,
    PartChangeRow,
    SettingChangeRow,
    SiteChangeRow,
    TotalChangeRow,
)
from tests.rerun.small import OTHER, fleet_tables
from tests.support import write_scenario

HOSTILE = "</style><script>alert('x')</script><img src=x onerror=\"y\">&amp;"
VOID = {"meta", "link", "img", "br", "hr", "input"}


class Page(HTMLParser):
    """Elements with their attributes, visible text, values of figures by their row, and that tags match."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: Counter[str] = Counter()
        self.attributes: list[tuple[str, str, str]] = []
        self.texts: list[str] = []
        self.open: list[str] = []
        self.rows: list[tuple[dict[str, str], list[str]]] = []
        self.feed(text)
        self.close()
        assert not self.open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] += 1
        found = {name: value or "" for name, value in attrs}
        self.attributes += [(tag, name, value) for name, value in found.items()]
        if tag not in VOID:
            self.open.append(tag)
        if tag == "tr":
            self.rows.append((found, []))
        if tag == "data" and self.rows:
            self.rows[-1][1].append(found["value"])

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in ("style", "title"):
            self.texts.append(data)


@pytest.fixture(scope="module")
def plans(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Before and after the second battery falls under the first."""
    folder = tmp_path_factory.mktemp("section")
    for name, cost in (("one", "300"), ("two", "200")):
        scenario = write_scenario(folder / f"s-{name}", tables=fleet_tables(other_price=cost))
        plan_folder(scenario, folder / name)
    return [folder / "one", folder / "two"]


def test_the_page_stands_alone_and_has_the_figures_of_the_json(plans: list[Path], tmp_path: Path) -> None:
    file = tmp_path / "new" / "c.html"
    run = CliRunner().invoke(app, ["compare", *map(str, plans), "--html", str(file), "--json"])
    assert run.exit_code == 0, run.output
    said = json.loads(run.stdout)
    text = file.read_text(encoding="utf-8")
    page = Page(text)
    assert not {"script", "link", "img", "iframe", "object"} & page.tags.keys()
    names = {name for _, name, _ in page.attributes}
    assert not {"src", "href", "style"} & names
    assert not any(name.startswith("on") for name in names)
    assert "url(" not in text
    assert "@import" not in text
    values = [values for _, values in page.rows if values]
    for row in said["changed_totals"]:
        assert [row[f"cost_{name}"] for name in ("before", "after", "change")] in values
    (site,) = said["changed_sites"]
    costs = [site[f"cost_{name}"] for name in ("before", "after", "change")]
    assert [costs] == [values for row, values in page.rows if row.get("data-site") == site["site_id"]]
    orders = {(row["sku"], row["supplier"]): row for row in said["changed_orders"]}
    shown = {(row["data-sku"], row["data-supplier"]): v for row, v in page.rows if "data-sku" in row}
    assert shown.keys() == orders.keys()
    for key, row in orders.items():
        assert shown[key][:2] == [str(row["quantity_before"]), str(row["quantity_after"])]
        assert shown[key][-1] == row["cost_change"]
    assert OTHER in page.texts  # as it is, though it begins like a formula
    assert "prices" in page.texts  # the cause
    assert {"Ordered more", "Ordered less"} <= set(page.texts)


def test_a_plan_against_itself_says_that_nothing_differs(plans: list[Path], tmp_path: Path) -> None:
    found = compare_folders(plans[0], plans[0])
    page = Page(section(found, sides(plans[0], plans[0])))
    assert "Nothing differs between the two plans." in page.texts
    assert "table" not in page.tags
    assert page.tags["section"] == 1


def test_tables_are_told_to_readers_who_do_not_see_them(plans: list[Path]) -> None:
    """Cards of narrow screens are no tables for a browser, so that roles say what they are."""
    page = Page(section(compare_folders(*plans), sides(*plans)))
    roles = Counter(value for _, name, value in page.attributes if name == "role")
    assert roles["table"] == page.tags["table"] == page.tags["caption"]
    assert roles["row"] == page.tags["tr"]
    assert roles["cell"] == page.tags["td"]
    assert roles["columnheader"] + roles["rowheader"] == page.tags["th"]
    assert sum(name == "scope" for _, name, _ in page.attributes) == page.tags["th"]


def test_hostile_names_are_text(plans: list[Path]) -> None:
    cost = {"cost_before": Decimal(1), "cost_after": Decimal(2), "cost_change": Decimal(1)}
    number = {"quantity_before": 1, "quantity_after": 2, "quantity_change": 1}
    site = {"site_id": HOSTILE, "change": "design", "cause": HOSTILE, **cost}
    prices = {"price_before": None, "price_after": Decimal(2)}
    order = {"supplier": HOSTILE, "supplier_before": "", "supplier_after": HOSTILE, "cause": HOSTILE}
    sku = {"sku": HOSTILE, "category": "x", **number, **cost}
    found = Comparison(
        changed_totals=[TotalChangeRow(category=HOSTILE, **cost)],
        changed_sites=[
            SiteChangeRow.model_validate(site | {"what": f"module_sku A -> {HOSTILE}; mounts 1 -> 2"}),
            SiteChangeRow.model_validate(site | {"what": HOSTILE, "change": "lost", "site_id": "b"}),
        ],
        changed_parts=[PartChangeRow.model_validate(sku | {"site_id": "b"})],
        changed_orders=[OrderChangeRow.model_validate(sku | order | prices)],
        changed_settings=[
            SettingChangeRow(
                setting=HOSTILE,
                value_before=HOSTILE,
                value_after="",
                origin_before=HOSTILE,
                origin_after=HOSTILE,
            )
        ],
        changed_inputs=[InputChangeRow(file=HOSTILE, change="added")],
        causes=[
            CauseRow(
                group=HOSTILE,
                differs=HOSTILE,
                cost_alone=None,
                cost_of_leaving_out=Decimal(1),
                sites_alone=0,
                sites_jointly=1,
                note=HOSTILE,
            )
        ],
    )
    names = sides(*plans)
    text = section(found, names)
    page = Page(text)
    assert not {"script", "img"} & page.tags.keys()
    assert page.tags["style"] == 1
    assert text.count("<script") == 0
    whole = "".join(page.texts)
    assert whole.count(HOSTILE) >= 14
    assert {value for _, name, value in page.attributes if name.startswith("data-s")} == {HOSTILE, "b"}
    assert not any(name.startswith("on") for _, name, _ in page.attributes)


def test_what_differs_is_told_in_a_readers_words() -> None:
    assert told("module_sku A; B -> C; mounts 1 -> 2; feeds X -> ") == [
        ("module", "A; B \u2192 C"),
        ("mounts", "1 \u2192 2"),
        ("fed", "X \u2192 none"),
    ]
    assert told("module_sku A -> B -> C") == [("module", "A -> B -> C")]  # which arrow parts them?
    assert told("not served: beyond-budget") == [("", "not served: beyond-budget")]
    assert told("") == []


def test_figures() -> None:
    assert [amount(Decimal("-1234.50")), amount(None)] == ["\u22121,234.50", ""]
    assert [price(Decimal("125.3900")), price(Decimal("0.1234")), price(Decimal("1200.0000"))] == [
        "125.39",
        "0.1234",
        "1,200.00",
    ]
    assert [signed(Decimal("1234.5")), signed(Decimal("-0.01")), signed(Decimal("0.00"))] == [
        "+1,234.5",
        "\u22120.01",
        "0.00",
    ]
    assert [sense(Decimal(n)) for n in (1, -1, 0)] == ["up", "down", "same"]


def test_a_page_that_cannot_be_written(plans: list[Path], tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    run = CliRunner().invoke(app, ["compare", *map(str, plans), "--html", str(tmp_path / "file" / "c.html")])
    assert run.exit_code == 2
    assert re.search(r"c\.html cannot be written", run.stderr)
