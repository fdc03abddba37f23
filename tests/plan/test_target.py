"""Where a plan may be written: it replaces an earlier plan, and nothing else."""

import json
import os
from pathlib import Path

import pytest

from planner.errors import OutputError
from planner.plan import check_target

PLAN = {"planner_version": "0.1.0"}


def earlier_plan(folder: Path, **more: str) -> Path:
    folder.mkdir()
    (folder / "manifest.json").write_text(json.dumps(PLAN))
    (folder / "procurement.csv").write_text("sku\n")
    for name, text in more.items():
        (folder / name).write_text(text)
    return folder


def test_an_earlier_plan_and_an_empty_folder_may_be_replaced(tmp_path: Path) -> None:
    check_target(earlier_plan(tmp_path / "plan"))
    (tmp_path / "empty").mkdir()
    check_target(tmp_path / "empty")
    check_target(tmp_path / "new" / "deep")


def test_files_that_no_plan_wrote_are_never_replaced(tmp_path: Path) -> None:
    folder = earlier_plan(tmp_path / "plan", **{"thesis.txt": "years of work"})
    with pytest.raises(OutputError, match=r"thesis\.txt"):
        check_target(folder)


def test_a_subfolder_is_never_replaced(tmp_path: Path) -> None:
    folder = earlier_plan(tmp_path / "plan")
    (folder / "site_designs.csv").mkdir()
    with pytest.raises(OutputError, match=r"site_designs\.csv"):
        check_target(folder)


@pytest.mark.parametrize("text", ["{}", "[]", "not json", '{"version": 1}'])
def test_a_manifest_of_something_else_is_no_plan(tmp_path: Path, text: str) -> None:
    (tmp_path / "web").mkdir()
    (tmp_path / "web" / "manifest.json").write_text(text)
    with pytest.raises(OutputError, match=r"manifest\.json"):
        check_target(tmp_path / "web")


def test_a_plan_never_replaces_its_own_inputs(tmp_path: Path) -> None:
    folder = earlier_plan(tmp_path / "plan")
    for scenario in (folder, folder / "scenario"):
        with pytest.raises(OutputError, match="would replace"):
            check_target(folder, inputs=[scenario])


def test_the_working_folder_is_never_replaced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(earlier_plan(tmp_path / "plan"))
    with pytest.raises(OutputError, match="would replace"):
        check_target(Path("."))


def test_an_impossible_name_is_an_error_not_a_bug(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="cannot be written"):
        check_target(tmp_path / ("x" * 300))


def test_a_link_is_refused(tmp_path: Path) -> None:
    os.symlink(earlier_plan(tmp_path / "plan"), tmp_path / "link")
    with pytest.raises(OutputError, match="not a folder"):
        check_target(tmp_path / "link")
