"""`planner check` as a shell sees it."""

import json
import os
import pty
import subprocess
import sys
from pathlib import Path

from typer.testing import CliRunner, Result

from planner.cli import app
from tests.support import with_cell, write_scenario


def planner(*arguments: str | Path) -> Result:
    return CliRunner().invoke(app, [*map(str, arguments)])


def faulty(folder: Path) -> Path:
    tables = with_cell("sites", 0, latitude_deg="46,5") | with_cell("catalogue/fx", 0, date="2026-01-01")
    return write_scenario(folder, tables=tables)


def test_a_sound_scenario(tmp_path: Path) -> None:
    done = planner("check", write_scenario(tmp_path))
    assert (done.exit_code, done.stdout) == (0, "")
    assert "0 errors, 0 warnings" in done.stderr


def test_problems_as_tab_separated_text(tmp_path: Path) -> None:
    done = planner("check", faulty(tmp_path))
    lines = [line.split("\t") for line in done.stdout.splitlines()]
    assert done.exit_code == 3
    assert lines[0][:6] == ["severity", "file", "line", "column", "value", "code"]
    assert lines[1][:6] == ["error", "sites.csv", "2", "latitude_deg", "46,5", "decimal-comma"]
    assert lines[2][:2] == ["warning", "catalogue/fx.csv"]
    assert "1 error, 1 warning" in done.stderr


def test_problems_as_json(tmp_path: Path) -> None:
    done = planner("check", faulty(tmp_path), "--json")
    first, second = json.loads(done.stdout)
    assert done.exit_code == 3
    assert (first["code"], first["line"], first["severity"]) == ("decimal-comma", 2, "error")
    assert second["severity"] == "warning"


def test_json_of_no_problem_is_an_empty_list(tmp_path: Path) -> None:
    assert json.loads(planner("check", write_scenario(tmp_path), "--json").stdout) == []


def test_quiet_leaves_errors_only(tmp_path: Path) -> None:
    done = planner("check", faulty(tmp_path), "--quiet")
    assert len(done.stdout.splitlines()) == 2
    assert done.stderr == ""


def test_warnings_alone_are_no_failure(tmp_path: Path) -> None:
    done = planner("check", write_scenario(tmp_path, tables=with_cell("catalogue/fx", 0, date="2026-01-01")))
    assert done.exit_code == 0
    assert "stale-rate" in done.stdout


def test_overrides(tmp_path: Path) -> None:
    folder = write_scenario(tmp_path)
    assert planner("check", folder, "--set", "policy.autonomy_days=7").exit_code == 0
    refused = planner("check", folder, "--set", "policy.autonomy_days=700")
    assert refused.exit_code == 3
    assert "policy.autonomy_days" in refused.stdout


def test_usage_errors(tmp_path: Path) -> None:
    assert planner("check").exit_code == 2
    assert planner("check", tmp_path, "--set", "autonomy").exit_code == 2
    assert planner("chekc", tmp_path).exit_code == 2


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    done = planner("check", tmp_path / "none")
    assert done.exit_code == 3
    assert "missing-folder" in done.stdout


def test_control_characters_of_a_file_do_not_reach_the_terminal(tmp_path: Path) -> None:
    done = planner(
        "check", write_scenario(tmp_path, tables=with_cell("sites", 0, latitude_deg="\x1b[2Jx\ty"))
    )
    assert "\x1b" not in done.stdout
    assert "\\x1b[2Jx\\ty" in done.stdout


def test_an_ascii_terminal_still_gets_every_problem(tmp_path: Path) -> None:
    folder = write_scenario(tmp_path, tables=with_cell("sites", 0, latitude_deg="46°"))
    done = subprocess.run(
        [sys.executable, "-m", "planner", "check", str(folder)],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
    )
    assert done.returncode == 3
    assert "46\\xb0" in done.stdout


def test_a_terminal_gets_sentences_and_markup_stays_text(tmp_path: Path) -> None:
    folder = write_scenario(tmp_path, tables=with_cell("sites", 0, latitude_deg="[red]x"))
    master, slave = pty.openpty()
    environment = {**os.environ, "COLUMNS": "200", "TERM": "xterm"}
    with subprocess.Popen(
        [sys.executable, "-m", "planner", "check", str(folder)],
        stdout=slave,
        stderr=subprocess.DEVNULL,
        env=environment,
    ) as process:
        os.close(slave)
        text = b""
        while chunk := _read(master):
            text += chunk
    os.close(master)
    assert process.returncode == 3
    assert b"sites.csv:2, latitude_deg '[red]x': is not a number" in text
    assert b"\t" not in text


def _read(descriptor: int) -> bytes:
    try:
        return os.read(descriptor, 65536)
    except OSError:  # Linux reports the end of a terminal as an input/output error
        return b""
