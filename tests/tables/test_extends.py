"""Scenarios that extend others: what wins, where it came from, and what is refused."""

import hashlib
from pathlib import Path

import pytest

from planner.errors import Problem
from planner.layers import LAYERS_MAX
from planner.scenario import check_scenario, read_scenario
from tests.support import SETTINGS, table, write_rows, write_scenario


def layer(folder: Path, text: str = "", base: str = "../base") -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "scenario.toml").write_text(f'extends = "{base}"\n{text}', "utf-8")
    return folder


def only(problems: list[Problem]) -> Problem:
    assert len(problems) == 1, "\n".join(map(str, problems))
    return problems[0]


def test_another_policy_on_the_same_fleet(tmp_path: Path) -> None:
    base = read_scenario(write_scenario(tmp_path / "base"))
    scenario = read_scenario(layer(tmp_path / "top", "[policy]\nload_margin = 0.3\n"))
    assert scenario.tables == base.tables
    policy = scenario.settings.policy
    assert (policy.load_margin, policy.autonomy_days, scenario.settings.currency) == (0.3, 4.0, "EUR")
    origins = scenario.origins
    assert origins["policy.load_margin"] == origins["extends"] == "scenario.toml"
    assert origins["policy.autonomy_days"] == origins["catalogue"] == "../base/scenario.toml"
    assert origins["policy.uplink_ports"] == "default"
    assert read_scenario(tmp_path / "top", overrides={"policy.load_margin": "0.4"}).origins[
        "policy.load_margin"
    ] == ("--set")


def test_hashes_cover_every_layer(tmp_path: Path) -> None:
    write_scenario(tmp_path / "base")
    top = layer(tmp_path / "top")
    hashes = read_scenario(top).input_hashes
    assert {"scenario.toml", "../base/scenario.toml", "../base/sites.csv", "catalogue/prices.csv"} <= set(
        hashes
    )
    for name in ("scenario.toml", "../base/scenario.toml", "../base/sites.csv"):
        assert hashes[name] == hashlib.sha256((top / name).read_bytes()).hexdigest()


def test_a_table_of_the_layer_replaces_the_bases_whole(tmp_path: Path) -> None:
    write_scenario(tmp_path / "base")
    top = layer(tmp_path / "top")
    write_rows(top / "sites.csv", table("sites")[:1])
    write_rows(top / "loads.csv", table("loads")[:2])
    assert [site.site_id for site in read_scenario(top).tables.sites] == ["0012"]


def test_another_price_list_on_the_same_fleet(tmp_path: Path) -> None:
    write_scenario(tmp_path / "base")
    top = layer(tmp_path / "top")
    prices = [row | {"unit_price": "1"} for row in table("catalogue/prices")]
    write_rows(top / "prices.csv", prices)
    scenario = read_scenario(top)
    assert {str(row.unit_price) for row in scenario.tables.prices} == {"1"}
    assert "prices.csv" in scenario.input_hashes
    assert "catalogue/prices.csv" not in scenario.input_hashes
    assert scenario.tables.modules == read_scenario(tmp_path / "base").tables.modules


def test_a_catalogue_that_the_layer_names_is_its_own_and_whole(tmp_path: Path) -> None:
    write_scenario(tmp_path / "base")
    (write_scenario(tmp_path / "top") / "scenario.toml").write_text(
        'extends = "../base"\ncatalogue = "catalogue"\n', "utf-8"
    )
    (tmp_path / "top" / "catalogue" / "modules.csv").unlink()
    missing = [p for p in check_scenario(tmp_path / "top") if p.code == "missing-file"]
    assert only(missing).file == "catalogue/modules.csv"
    write_rows(tmp_path / "top" / "prices.csv", table("catalogue/prices"))
    twice = only([p for p in check_scenario(tmp_path / "top") if p.code == "two-files"])
    assert (twice.file, "prices.csv" in twice.message) == ("catalogue/prices.csv", True)


def test_a_catalogue_of_the_command_line_wins_over_the_layers_prices(tmp_path: Path) -> None:
    write_scenario(tmp_path / "base")
    top = layer(tmp_path / "top")
    write_rows(top / "prices.csv", [row | {"unit_price": "1"} for row in table("catalogue/prices")])
    scenario = read_scenario(top, overrides={"catalogue": "../base/catalogue"})
    assert {str(row.unit_price) for row in scenario.tables.prices} != {"1"}
    assert [p.code for p in scenario.warnings] == ["file-not-read"]


def test_problems_name_the_layer(tmp_path: Path) -> None:
    write_scenario(tmp_path / "base", settings=SETTINGS + "load_margin = 9\n")
    top = layer(tmp_path / "top", '[policy]\nautonomy_days = "x"\n')
    write_rows(top / "sites.csv", [row | {"latitude_deg": "91"} for row in table("sites")])
    found = {(p.file, p.line, p.column) for p in check_scenario(top)}
    assert found == {
        ("../base/scenario.toml", 8, "policy.load_margin"),
        ("scenario.toml", 3, "policy.autonomy_days"),
        ("sites.csv", 2, "latitude_deg"),
        ("sites.csv", 3, "latitude_deg"),
    }


def test_a_chain_of_three(tmp_path: Path) -> None:
    write_scenario(tmp_path / "base")
    layer(tmp_path / "middle", "[policy]\nload_margin = 0.3\nuplink_ports = 2\n")
    top = layer(tmp_path / "deep" / "top", "[policy]\nload_margin = 0.4\n", base="../../middle")
    scenario = read_scenario(top)
    assert (scenario.settings.policy.load_margin, scenario.settings.policy.uplink_ports) == (0.4, 2)
    assert scenario.origins["policy.uplink_ports"] == "../../middle/scenario.toml"
    assert "../../base/sites.csv" in scenario.input_hashes


@pytest.mark.parametrize("length", [1, 2, 3])
def test_a_ring_is_refused_and_named(tmp_path: Path, length: int) -> None:
    for i in range(length):
        layer(tmp_path / f"s{i}", base=f"../s{(i + 1) % length}")
    problem = only([p for p in check_scenario(tmp_path / "s0") if p.code == "bad-base"])
    assert problem.column == "extends"
    assert " -> ".join(f"../s{(i + 1) % length}" for i in range(length)) in problem.message


def test_a_chain_has_an_end(tmp_path: Path) -> None:
    for i in range(LAYERS_MAX):
        layer(tmp_path / f"s{i}", base=f"../s{i + 1}")
    write_scenario(tmp_path / f"s{LAYERS_MAX}")
    assert only([p for p in check_scenario(tmp_path / "s0") if p.code == "bad-base"]).line == 1
    assert read_scenario(tmp_path / "s1").settings.policy.autonomy_days == 4.0


@pytest.mark.parametrize("base", ["../none", "../bare", "/etc", "", "../file", "x" * 5000, "a\\u0000b"])
def test_a_base_that_is_no_scenario_is_refused(tmp_path: Path, base: str) -> None:
    write_scenario(tmp_path / "top")
    (tmp_path / "bare").mkdir()
    (tmp_path / "file").write_text("x")
    (tmp_path / "top" / "scenario.toml").write_text(f'extends = "{base}"\n' + SETTINGS, "utf-8")
    found = check_scenario(tmp_path / "top")
    if base == "":
        assert found == []
    else:
        assert (only(found).code, only(found).file, only(found).line) == ("bad-base", "scenario.toml", 1)


def test_links_lead_to_no_base_and_out_of_none(tmp_path: Path) -> None:
    write_scenario(tmp_path / "real")
    (tmp_path / "base").symlink_to(tmp_path / "real")
    top = layer(tmp_path / "top")
    assert "link" in only([p for p in check_scenario(top) if p.code == "bad-base"]).message
    (tmp_path / "base").unlink()
    write_scenario(tmp_path / "base")
    (tmp_path / "base" / "sites.csv").unlink()
    (tmp_path / "base" / "sites.csv").symlink_to(tmp_path / "real" / "sites.csv")
    problem = only(check_scenario(top))
    assert (problem.code, problem.file) == ("outside-folder", "../base/sites.csv")


def test_a_number_is_no_base_and_the_command_line_names_none(tmp_path: Path) -> None:
    folder = write_scenario(tmp_path, settings="extends = 3\n" + SETTINGS)
    assert {(p.column, p.value) for p in check_scenario(folder)} == {("extends", "3")}
    write_scenario(tmp_path)
    problem = only(check_scenario(folder, overrides={"extends": "../base"}))
    assert (problem.code, problem.file) == ("not-an-override", "--set")
