"""What the command line loads, and how it ends: exit codes in a fresh interpreter."""

import subprocess
import sys

import pytest

HEAVY = {"pandas", "numpy", "pvlib", "pulp", "highspy", "scipy", "pyarrow"}
LIGHT_TOO = {"pydantic", "rich"}  # not in the first help; Typer loads the former to parse arguments

RUN = """
import sys
sys.argv = ["planner", *{arguments!r}]
try:
    from planner.cli import main
    main()
except SystemExit as end:
    assert not end.code, end.code
print("LOADED", *sorted(set(name.partition(".")[0] for name in sys.modules)))
"""


def fresh(code: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)


@pytest.mark.parametrize(
    "arguments",
    [
        ["--help"],
        ["check", "--help"],
        ["columns", "--help"],
        ["new", "--help"],
        ["sites", "--help"],
        ["--version"],
    ],
)
def test_help_loads_nothing_heavy(arguments: list[str]) -> None:
    done = fresh(RUN.format(arguments=arguments))
    assert done.returncode == 0, done.stderr
    loaded = set(done.stdout.rpartition("LOADED")[2].split())
    assert "typer" in loaded
    assert loaded & HEAVY == set()
    if arguments[0] == "--help":
        assert loaded & LIGHT_TOO == set()


@pytest.mark.parametrize("module", ["planner", "planner.errors", "planner.units", "planner.cli"])
def test_importing_the_shell_loads_nothing_heavy(module: str) -> None:
    done = fresh(f"import sys, {module}; print(*sorted({{name.partition('.')[0] for name in sys.modules}}))")
    assert done.returncode == 0, done.stderr
    assert set(done.stdout.split()) & (HEAVY | LIGHT_TOO) == set()


def test_workers_load_no_more_than_they_use() -> None:
    done = fresh("import sys, planner.sizing.batches; print(*sys.modules)")
    assert done.returncode == 0, done.stderr
    loaded = set(done.stdout.split())
    assert "numpy" in loaded
    assert loaded & {"pandas", "pvlib", "pyarrow", "scipy.stats", "scipy.signal", "scipy.spatial"} == set()


RAISING = """
import sys
from planner import cli
from planner.errors import InputError, OutputError, Problem, SolverError

@cli.app.command("fail")
def fail() -> None:
    raise {raised}

sys.argv = ["planner", "fail"]
cli.main()
"""


@pytest.mark.parametrize(
    ("raised", "code", "words"),
    [
        ("InputError([Problem(code='some-code', message='is odd', remedy='mend it')])", 3, "some-code"),
        ("OutputError('cannot write there')", 2, "cannot write there"),
        ("SolverError('no plan found')", 5, "no plan found"),
        ("KeyboardInterrupt", 130, "interrupted"),
        ("ZeroDivisionError('a slip')", 70, "ZeroDivisionError: a slip"),
    ],
)
def test_exceptions_become_exit_codes(raised: str, code: int, words: str) -> None:
    done = fresh(RAISING.format(raised=raised))
    assert done.returncode == code, done.stderr
    assert words in done.stderr
    assert done.stdout == ""


def test_the_module_equals_the_command() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "planner", "--version"], capture_output=True, text=True, check=False
    )
    from planner import __version__

    assert (done.returncode, done.stdout.strip()) == (0, __version__)
