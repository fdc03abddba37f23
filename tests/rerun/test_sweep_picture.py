"""The picture of a sweep: where dots stand, what is written, and that nothing is cut or covered."""

import math
from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from itertools import combinations as pairs
from pathlib import Path
from xml.etree import ElementTree

import pytest

from planner.pipeline import plan_fleet
from planner.runs import Attempt, plan_all
from planner.scenario import read_scenario
from planner.sweep.axes import combinations, read_axes
from planner.sweep.chart import AVAILABILITY, draw_sweep
from planner.sweep.results import sweep_row
from planner.sweep.scale import by_nines, in_order, rounded_marks
from planner.tables.rerun_rows import SweepRow
from tests.rerun.small import VALLEY, fleet_tables
from tests.support import write_scenario

SVG = "{http://www.w3.org/2000/svg}"
MANY = ",".join(str(n / 10) for n in range(1, 31))
WIDE, HIGH = 8.0, 14.0  # of a character at 14 px: no common sans-serif is wider in digits


def drawn(
    texts: Sequence[str],
    reached: Sequence[float | None],
    *,
    unserved: Sequence[int] = (),
    costs: Sequence[str | None] = (),
) -> ElementTree.Element:
    """The picture of plans that cost 1,000 and 100 more each, unless said otherwise."""
    axes = read_axes(texts)
    cases = combinations(axes)
    rows = []
    for at, (_, one) in enumerate(zip(cases, reached, strict=True)):
        cost = costs[at] if costs else str(1000 + 100 * at)
        rows.append(
            SweepRow(
                plan=at + 1,
                outcome="optimal",
                total_cost=None if cost is None else Decimal(cost),
                availability_mean=one,
                sites_unserved=int(at in unserved),
            )
        )
    return ElementTree.fromstring(draw_sweep(axes, cases, rows, "EUR"))


def circles(svg: ElementTree.Element) -> list[tuple[float, float]]:
    return [(float(dot.get("cx", "")), float(dot.get("cy", ""))) for dot in svg.iter(f"{SVG}circle")]


def words(svg: ElementTree.Element) -> list[str]:
    return [element.text or "" for element in svg.iter(f"{SVG}text")]


def boxes(svg: ElementTree.Element) -> list[tuple[str, float, float, float, float]]:
    """Each text with its left, top, right and bottom."""
    found = []
    for element in svg.iter(f"{SVG}text"):
        text, kind = element.text or "", (element.get("class") or "").split()
        x, y, wide = float(element.get("x", "")), float(element.get("y", "")), WIDE * len(text)
        left = x - wide if "end" in kind else x - wide / 2 if "mid" in kind else x
        found.append((text, left, y - HIGH + 3, left + wide, y + 2))
    return found


def test_each_nine_takes_as_much_room() -> None:
    """A loss of 10 %, 1 % and 0.1 %: two equal steps; 5 % and 2 % at log10 2 and log10 5 of the first."""
    scale = by_nines("x", [0.9, 0.99, None, 0.999])
    assert scale is not None
    assert scale.places == [pytest.approx(p) if p is not None else None for p in (0.0, 0.5, None, 1.0)]
    assert {label: place for place, label in scale.marks} == {
        "90 %": 0.0,
        "95 %": pytest.approx(math.log10(2) / 2),
        "98 %": pytest.approx(math.log10(5) / 2),
        "99 %": pytest.approx(0.5),
        "99.5 %": pytest.approx(0.5 + math.log10(2) / 2),
        "99.8 %": pytest.approx(0.5 + math.log10(5) / 2),
        "99.9 %": pytest.approx(1.0),
    }


def test_an_axis_ends_on_round_availabilities() -> None:
    scale = by_nines("x", [0.9931, 0.9947])
    assert scale is not None
    assert [label for _, label in scale.marks] == ["99.2 %", "99.4 %", "99.5 %"]
    low, high = scale.places
    assert low is not None
    assert high is not None
    # 0.69 % and 0.53 % between 0.8 % and 0.5 %
    assert low == pytest.approx(math.log(0.8 / 0.69) / math.log(0.8 / 0.5))
    assert high == pytest.approx(math.log(0.8 / 0.53) / math.log(0.8 / 0.5))


def test_no_loss_stands_one_step_beyond_the_least() -> None:
    scale = by_nines("x", [1.0, 0.95, 0.99])
    assert scale is not None
    assert scale.marks[-1] == (1.0, "no loss")
    assert scale.places == [1.0, 0.0, pytest.approx(math.log10(5) / math.log10(10))]  # of 5 % to 0.5 %


@pytest.mark.parametrize("reached", [[0.99, 0.99], [None, 0.99], [None, None], [1.0, 1.0], [0.9, 0.9 + 1e-9]])
def test_availabilities_that_are_alike_make_no_axis(reached: list[float | None]) -> None:
    assert by_nines("x", reached) is None


def test_values_stand_by_size_or_in_their_order() -> None:
    assert in_order("x", ["3", "7", "5"], ["5", "3", "7", "3"]).places == [0.5, 0.0, 1.0, 0.0]
    assert in_order("x", ["[12]", "[24]", "[48]"], ["[48]", "[12]"]).places == [1.0, 0.0]
    many = in_order("x", [str(n) for n in range(40)], ["0"])
    assert len(many.marks) <= 7


def test_round_marks() -> None:
    assert rounded_marks(83799.0, 104280.0) == [85000.0, 90000.0, 95000.0, 100000.0]
    assert rounded_marks(5.0, 5.0) == [5.0]
    for low, high in ((1.0, 1.7), (999.0, 1001.0), (0.1, 123456.0)):
        marks = rounded_marks(low, high)
        assert 3 <= len(marks) <= 11
        assert all(low <= mark <= high for mark in marks)


def test_cost_against_availability() -> None:
    svg = drawn(["policy.autonomy_days=3,5,7"], [0.9, 0.99, 0.999])
    assert svg.findtext(f"{SVG}title") == f"Total cost, EUR, against {AVAILABILITY}"
    dots = circles(svg)
    assert dots[1][0] - dots[0][0] == pytest.approx(dots[2][0] - dots[1][0], abs=0.2)
    assert dots[0][1] > dots[1][1] > dots[2][1]  # dearer is higher
    assert dots[0][1] - dots[1][1] == pytest.approx(dots[1][1] - dots[2][1], abs=0.2)
    assert {"3", "5", "7", "beside a dot: policy.autonomy_days"} <= set(words(svg))
    said = [dot.findtext(f"{SVG}title") for dot in svg.iter(f"{SVG}circle")]
    assert said[1] == "policy.autonomy_days = 5, 1100 EUR, availability 99 %"


def test_cost_against_what_is_varied_where_availability_is_alike() -> None:
    svg = drawn(["prices.all=1.2,0.8,1.0"], [0.9912] * 3)
    title = svg.findtext(f"{SVG}title")
    assert title == "Total cost, EUR, against prices.all"
    assert any("99.12 % in all plans" in text for text in words(svg))
    assert sorted(x for x, _ in circles(svg)) == [x for x, _ in circles(svg)]  # a line goes along the axis
    assert any("is not known" in text for text in words(drawn(["prices.all=1.2,0.8"], [None, None])))


def test_a_plan_that_leaves_sites_out_is_a_ring_and_none_is_no_dot() -> None:
    svg = drawn(
        ["policy.autonomy_days=3,5,7"], [0.9, 0.99, None], unserved=[1], costs=["1000", "900", None]
    )
    kinds = [dot.get("class") for dot in svg.iter(f"{SVG}circle")]
    assert kinds == [None, "ring"]
    assert any("a ring: some sites are not served" in text for text in words(svg))
    nothing = drawn(["policy.autonomy_days=3,5"], [None, None], costs=[None, None])
    assert not circles(nothing)
    assert "no plan was found" in words(nothing)


@pytest.mark.parametrize(
    ("texts", "reached", "start"),
    [
        (["policy.autonomy_days=3,5,7", "prices.battery=0.8,1.0"], [0.99, 0.99, 0.995, 0.995, 0.999, 1], 900),
        (["policy.system_voltages_v=[12],[12, 24],[12, 24, 48]"], [0.98, 0.98001, 0.98002], 1_234_567),
        ([f"prices.all={MANY}"], [0.9 + n / 400 for n in range(30)], 50),
        (["policy.load_margin=0.05,0.1", f"prices.battery={MANY}"], [0.95, 0.96] * 30, 1),
        (["name=" + "W" * 90 + ",b", "currency=EUR,NOK"], [0.9, 0.99, 0.999, 0.9999], 10),
        ([f"prices.all={MANY}"], [0.9] * 30, 50),
    ],
)
def test_no_text_is_cut_or_lies_over_another(texts: list[str], reached: list[float], start: int) -> None:
    svg = drawn(texts, reached, costs=[f"{start + 10 * n}.25" for n in range(len(reached))])
    _, _, wide, high = (float(part) for part in svg.get("viewBox", "").split())
    every = boxes(svg)
    for text, left, top, right, bottom in every:
        head = text.startswith("Total cost")  # of another size
        assert head or (left >= 12 and right <= wide - 12), text
        assert top >= 12, text
        assert bottom <= high - 12, text
    for one, other in pairs(every, 2):
        apart = one[3] <= other[1] or other[3] <= one[1] or one[4] <= other[2] or other[4] <= one[2]
        assert apart, (one[0], other[0])


def test_names_are_escaped() -> None:
    svg = drawn(['name=<script>"&,b'], [0.9, 0.99])
    assert not list(svg.iter(f"{SVG}script"))
    assert any("<script>" in text for text in words(svg))


def test_availability_of_all_sites_is_that_of_the_proof(tmp_path: Path) -> None:
    """Asked or not, a design is judged in the same years; where it is asked, the plan's table has it."""
    folder = write_scenario(tmp_path, tables=fleet_tables())
    scenarios = [read_scenario(folder, overrides={"policy.availability": asked}) for asked in ("0", "0.9")]
    attempts = plan_all(scenarios, simulate_all=True, workers=1)
    free, asked = (attempt.plan for attempt in attempts)
    assert free is not None
    assert asked is not None
    (proven,) = asked.tables["reliability"]["availability"]
    assert not free.tables["reliability"]["availability"]
    assert free.tables["bill_of_materials"] == asked.tables["bill_of_materials"]  # six days do
    assert free.availability == asked.availability == {VALLEY: pytest.approx(proven, abs=1e-6)}
    rows = [sweep_row(number, attempt) for number, attempt in enumerate(attempts)]
    assert {row.availability_mean for row in rows} == {row.availability_least for row in rows} == {proven}


def test_the_mean_and_the_least_of_the_sites(tmp_path: Path) -> None:
    plan = plan_fleet(read_scenario(write_scenario(tmp_path, tables=fleet_tables())))
    both = replace(plan, availability={"a": 0.9, "b": 0.99})
    row = sweep_row(1, Attempt(plan=both))
    assert (row.availability_mean, row.availability_least) == (0.945, 0.9)
    assert sweep_row(1, Attempt(plan=plan)).availability_mean is None  # it was not simulated
