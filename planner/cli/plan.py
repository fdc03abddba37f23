"""`planner plan`: a scenario's fleet, designed and costed."""

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from planner.cli.app import ExitCode
from planner.cli.output import (
    JsonOption,
    QuietOption,
    SetOption,
    note,
    number,
    parse_overrides,
    show_fields,
    show_json,
)

#: What ended a run that is not as good as asked.
STOPPED = {
    "stopped": "the proof stopped",
    "time_limit": "the time limit came",
    "interrupted": "the interrupt came",
}


def plan(
    scenario: Annotated[
        Path, typer.Argument(help="Folder with scenario.toml, or the name of a bundled scenario.")
    ],
    out: Annotated[
        Path, typer.Option("--out", "-o", help="Folder for the plan; an earlier plan there is replaced.")
    ],
    settings: SetOption = None,
    workers: Annotated[
        int | None,
        typer.Option(
            min=1, max=256, help="Processes for the sites; as many as the fleet deserves unless stated."
        ),
    ] = None,
    cluster: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Dask scheduler whose workers size the sites.")
    ] = None,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> None:
    """Choose switch, converters, panels, controller and batteries for every site at least capital cost.

    Exit code 4 says that the plan is written but some sites are not served; each comes with its reason. Every
    plan is audited before it takes its place; exit code 6 says that it did not pass: neither build nor order.
    An interrupt (Ctrl-C) while designs are chosen keeps the best plan so far; a second one gives up.

    \b
    Example:
      planner plan tundrakall --out plans/tundrakall --set policy.autonomy_days=7
    """
    from planner.cli.interrupt import stop_on_interrupt
    from planner.cli.progress import progress
    from planner.pipeline import Machines, plan_folder
    from planner.units import bundled_scenario

    with progress(quiet=quiet) as report, stop_on_interrupt() as stop:
        made, files = plan_folder(
            bundled_scenario(scenario),
            out,
            overrides=parse_overrides(settings),
            progress=report,
            stop=stop,
            machines=Machines(workers=workers, cluster=cluster),
        )
    if as_json:
        show_json({**made.manifest, "out": str(out), "files": files})
    elif not quiet:
        show_fields(_summary(made.manifest))
    for line in _remarks(made.manifest, made.tables["problems"]["severity"]):
        note(line, quiet=quiet)
    for site_id, refusal in made.unserved.items():
        note(f"{site_id} is not served: {refusal.message} [{refusal.rule}]")
    for reason in made.manifest.get("why_not", ()):
        note(_blocked(reason))
    note(f"written to {out}: {', '.join(files)}", quiet=quiet)
    audit = made.manifest["audit"]
    if not audit["passed"]:
        for line in audit["first_broken"]:
            note(f"broken: {line}")
        note(f"the plan did not pass its audit: {audit['broken']} of {audit['checks']} checks are broken")
        raise typer.Exit(ExitCode.AUDIT_FAILED)
    if made.manifest["outcome"] == "interrupted":
        raise typer.Exit(ExitCode.INTERRUPTED)
    if made.unserved:
        raise typer.Exit(ExitCode.SITES_UNSERVED)


def _remarks(manifest: Mapping[str, Any], severities: Sequence[str]) -> Iterator[str]:
    """What the figures alone do not say."""
    warnings = sum(severity == "warning" for severity in severities)
    if why := STOPPED.get(manifest["outcome"]):
        asked = float(manifest["settings"]["solver.gap"]["value"])
        yield (
            f"{why} before the asked gap of {100 * asked:.2f} %: the plan is valid, and no plan "
            f"can be more than {100 * manifest['mip_gap']:.2f} % cheaper"
        )
    if warnings:
        yield f"{number(warnings, 'warning')} in the table `problems`"


def _blocked(reason: Mapping[str, Any]) -> str:
    """A family of rules that leaves sites out, and what it would need."""
    numbers = (
        f"needs {reason['needs']:,.6g} {reason['unit']}, you gave {reason['gave']:,.6g}; "
        if reason["needs"] is not None
        else ""
    )
    return f"rule {reason['rule']}: {numbers}without it {number(len(reason['sites']), 'more site')} served"


def _summary(manifest: Mapping[str, Any]) -> dict[str, object]:
    """The lines of the short summary."""
    costs, currency, gap, audit = (manifest[name] for name in ("costs", "currency", "mip_gap", "audit"))
    return {
        "sites planned": manifest["sites_planned"],
        "sites not served": manifest["sites_unserved"],
        **{f"{name}, {currency}": amount for name, amount in costs.items()},
        f"total, {currency}": manifest["total_cost"],
        "no plan can cost less than": manifest["best_bound"],
        "gap": f"{100 * gap:.2f} %" if isinstance(gap, float) else "",
        "outcome": manifest["outcome"],
        "audit": f"{audit['checks'] - audit['broken']} of {audit['checks']} checks kept",
    }
