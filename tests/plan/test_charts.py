"""The picture of a plan: well-formed, with the plan's own numbers, whatever its names hold."""

from pathlib import Path
from xml.etree import ElementTree

import pytest

from planner.charts import draw, main
from planner.plan import Plan, write_plan
from planner.units import shipped
from tests.plan.fleets import Cut

README = Path(__file__).parents[2] / "README.md"
SVG = "{http://www.w3.org/2000/svg}"
NAME = '<b>Ridge & "Valley"</b> at the second bend of the old road'


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("charts")


@pytest.fixture(scope="module")
def plan(folder: Path) -> Plan:
    cut = Cut(folder / "fleet", ["finse", "kuusamo"])
    cut.change("sites", lambda rows: [rows[0] | {"name": NAME}, *rows[1:]])
    plan = cut.plan(solver__gap="0.1")
    write_plan(plan, folder / "plan")
    return plan


def texts(picture: str) -> list[str]:
    return [text.text or "" for text in ElementTree.fromstring(picture).iter(f"{SVG}text")]


def test_the_numbers_are_the_plan_s(plan: Plan, folder: Path) -> None:
    picture = draw(folder / "plan", "finse")
    shown = texts(picture)
    assert f"2 sites: {float(plan.total_cost):,.0f} EUR" in shown
    for amount in plan.category_costs.values():
        assert f"{float(amount):,.0f}" in shown
    energy = plan.tables["energy_balance"]
    at = [i for i, site in enumerate(energy["site_id"]) if site == "finse"]
    for i in at:
        assert f"{energy['array_to_load_ratio'][i]:.3g}" in shown
    bars = [
        float(bar.get("height", 0))
        for bar in ElementTree.fromstring(picture).iter(f"{SVG}rect")
        if bar.get("class") == "array"
    ][1:]  # the first is the legend's
    ratio = bars[0] / energy["array_wh_day"][at[0]]
    assert bars == pytest.approx([ratio * energy["array_wh_day"][i] for i in at], rel=0.02, abs=0.06)


def test_names_are_escaped_and_cut(plan: Plan, folder: Path) -> None:
    picture = draw(folder / "plan", "finse")
    assert "<b" not in picture
    assert any(text.startswith('<b>Ridge & "Valley"</b>') and "…" in text for text in texts(picture))


def test_the_tightest_site_is_drawn_and_repeats(plan: Plan, folder: Path) -> None:
    designs = plan.tables["site_designs"]
    tightest = designs["site_id"][designs["array_to_load_ratio"].index(min(designs["array_to_load_ratio"]))]
    assert draw(folder / "plan") == draw(folder / "plan", tightest)


def test_all_text_lies_within_the_picture(plan: Plan, folder: Path) -> None:
    """Mean widths of the widest common system font (DejaVu Sans, measured), 15 px, and 18 px bold."""
    root = ElementTree.fromstring(draw(folder / "plan", "finse"))
    for text in root.iter(f"{SVG}text"):
        each = 11.0 if text.get("class") == "head" else 8.1
        x, wide = float(text.get("x", 0)), each * len(text.text or "")
        left = {"mid": x - wide / 2, "end": x - wide}.get((text.get("class") or "").split(" ")[0], x)
        assert left >= 0
        assert left + wide <= float(root.get("width", 0)), text.text


def test_what_is_no_plan_is_refused(folder: Path, plan: Plan, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([str(folder / "fleet"), str(folder / "out.svg")]) == 2
    assert "holds no plan" in capsys.readouterr().err
    assert main([str(folder / "plan"), str(folder / "out.svg"), "nowhere"]) == 2
    assert "no design for nowhere" in capsys.readouterr().err
    assert not (folder / "out.svg").exists()
    assert main([str(folder / "plan"), str(folder / "out.svg")]) == 0
    assert (folder / "out.svg").read_text(encoding="utf-8") == draw(folder / "plan")


def test_the_readme_shows_a_picture_of_the_bundled_fleet() -> None:
    path = "scenarios/tundrakall/plan.svg"
    assert f"({path})" in README.read_text(encoding="utf-8")
    picture = (README.parent / path).read_text(encoding="utf-8")
    sites = len((shipped("scenarios") / "tundrakall" / "sites.csv").read_text().splitlines()) - 1
    assert any(text.startswith(f"{sites} sites: ") for text in texts(picture))
    assert "href" not in picture
    assert "url(" not in picture
