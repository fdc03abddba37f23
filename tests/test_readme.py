"""Examples of the README run as they stand."""

import re
import shlex
from pathlib import Path

import pytest
from typer.testing import CliRunner

from planner.cli import app
from planner.pipeline import plan_folder
from planner.starter import write_starter
from tests.support import SETTINGS, table, write_scenario

README = Path(__file__).parent.parent / "README.md"
EXAMPLES = re.findall(r"^\$ planner (.+)$", README.read_text(encoding="utf-8"), re.MULTILINE)


def test_there_are_examples_and_two_set_up_commands() -> None:
    blocks = re.findall(r"^```sh\n(.*?)^```$", README.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    assert len(blocks) == 2
    assert all(len(block.strip().splitlines()) == 1 for block in blocks)
    assert len(EXAMPLES) >= 4


def minimal(folder: Path, *, days: int) -> Path:
    """A scenario that plans at once, to stand for those of the README's plans."""
    return write_scenario(folder, settings=SETTINGS.replace("autonomy_days = 4", f"autonomy_days = {days}"))


def named_like(folder: Path, name: str) -> Path:
    """The same with a site, or a module, of a name that the README takes from the bundled fleet."""
    tables = {path: table(path) for path in ("sites", "catalogue/modules", "catalogue/prices")}
    module = tables["catalogue/modules"][0]["sku"]
    for row in [row for rows in tables.values() for row in rows] if " " in name else []:
        if row.get("sku") == module:
            row["sku"] = name
    tables["sites"] = [tables["sites"][1] | ({} if " " in name else {"site_id": name})]
    tables["catalogue/stock"] = [table("catalogue/stock")[0] | {"sku": tables["catalogue/modules"][0]["sku"]}]
    return write_scenario(folder, tables={**tables})


@pytest.mark.parametrize("example", EXAMPLES)
def test_example_runs(example: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    arguments = [re.sub("^(plans|fleets)/", f"{tmp_path}/", part) for part in shlex.split(example)]
    arguments = [str(README.parent / part) if part.startswith("scenarios/") else part for part in arguments]
    if arguments[0] == "plan":
        monkeypatch.chdir(tmp_path)  # bundled scenarios are found by name anywhere
        arguments += ["--set", "solver.gap=0.2", "--set", "policy.system_voltages_v=[12]"]  # it is quick
    if arguments[0] == "sweep":
        arguments += ["--no-availability", "--workers", "1"]  # it is quick
    if arguments[0] == "compare":
        for number, folder in enumerate(arguments[1:3]):
            plan_folder(minimal(tmp_path / f"scenario-{number}", days=3 + number), Path(folder))
    elif arguments[0] in ("explain", "break-even"):
        plan_folder(named_like(tmp_path / "scenario", arguments[2]), Path(arguments[1]))
    elif example.split()[1] == "fleets/my-fleet" and arguments[0] != "new":
        write_starter(Path(arguments[1]))
    result = CliRunner().invoke(app, arguments)
    assert result.exit_code in (0, 4), result.output
