"""The command line: a thin shell over the library.

A command parses, calls one library function and prints. Exceptions become exit codes in one
place, `planner.cli.app`. Nothing heavy is imported before a command runs, so that help is instant.
"""

import sys
import traceback
from io import TextIOWrapper
from types import TracebackType

from typer.main import get_command

from planner.cli import audit, check, climate, columns, compare, explain, new, plan, savings, sites, sweep
from planner.cli.app import ExitCode, app
from planner.executors import seek_rings_less

__all__ = ["ExitCode", "app", "main"]

app.command("audit")(audit.audit)
app.command("break-even")(explain.break_even)
app.command("check")(check.check)
app.add_typer(climate.climate, name="climate")
app.command("columns")(columns.columns)
app.command("compare")(compare.compare)
app.command("explain")(explain.explain)
app.command("new")(new.new)
app.command("plan")(plan.plan)
app.command("savings")(savings.savings)
app.command("sites")(sites.sites)
app.command("sweep")(sweep.sweep)


def _bug(kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
    """Last resort for an error nobody raised on purpose: the whole traceback, and an exit code of its own."""
    traceback.print_exception(kind, error, trace)
    print("planner: this is a bug; please report it with the lines above", file=sys.stderr)
    raise SystemExit(int(ExitCode.BUG))


def main() -> None:
    """Entry point of `planner` and `python -m planner`."""
    sys.excepthook = _bug
    seek_rings_less()
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):  # a terminal in another encoding still gets every line
            stream.reconfigure(errors="backslashreplace")
    get_command(app)()  # calling `app` itself would put another hook in place
