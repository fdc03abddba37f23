"""The group of all commands, and what the planner tells the shell."""

import sys
from enum import IntEnum
from typing import Any

import typer
from typer.core import TyperGroup

from planner.errors import InputError, OutputError, ServiceError, SolverError, WorkerError


class ExitCode(IntEnum):
    """What the planner tells the shell."""

    DONE = 0
    USAGE = 2
    BAD_INPUT = 3
    SITES_UNSERVED = 4
    NO_PLAN = 5
    AUDIT_FAILED = 6
    NO_ANSWER = 7
    BUG = 70
    INTERRUPTED = 130


class PlannerGroup(TyperGroup):
    """The group of all commands; turns the planner's errors into messages and exit codes."""

    def invoke(self, ctx: Any) -> Any:
        """Run the chosen command."""
        as_json = "--json" in ctx.args  # the command has not read them yet
        try:
            return super().invoke(ctx)
        except InputError as error:
            from planner.cli.output import show_problems

            show_problems(error.problems, as_json=as_json, stream=sys.stdout if as_json else sys.stderr)
            raise typer.Exit(ExitCode.BAD_INPUT) from error
        except OutputError as error:
            typer.echo(f"planner: {error}", err=True)
            raise typer.Exit(ExitCode.USAGE) from error
        except (SolverError, WorkerError) as error:
            typer.echo(f"planner: {error}", err=True)
            raise typer.Exit(ExitCode.NO_PLAN) from error
        except ServiceError as error:
            typer.echo(f"planner: {error}", err=True)
            raise typer.Exit(ExitCode.NO_ANSWER) from error
        except KeyboardInterrupt as error:
            typer.echo("planner: interrupted", err=True)
            raise typer.Exit(ExitCode.INTERRUPTED) from error


app = typer.Typer(
    name="planner",
    cls=PlannerGroup,
    no_args_is_help=True,
    rich_markup_mode=None,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _show_version(wanted: bool) -> None:
    if wanted:
        from planner import __version__

        typer.echo(__version__)
        raise typer.Exit


@app.callback()
def _root(
    version: bool = typer.Option(
        False, "--version", is_eager=True, callback=_show_version, help="Print the version."
    ),
) -> None:
    """Plan and buy power for fleets of off-grid, solar-powered network sites."""
