"""`planner plan`: a scenario's fleet, designed and costed."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from planner.cli.app import ExitCode
from planner.cli.compare import said
from planner.cli.output import (
    JsonOption,
    MappingOption,
    PartialOption,
    PricesOption,
    QuietOption,
    SetOption,
    note,
    number,
    parse_overrides,
    show_fields,
    show_json,
    show_tables,
)

if TYPE_CHECKING:
    from planner.compare import Comparison
    from planner.plan import Plan
    from planner.tables.rerun_rows import PriceChangeRow

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
    prices: PricesOption = None,
    mapping: MappingOption = None,
    partial: PartialOption = False,
    earlier: Annotated[
        Path | None, typer.Option("--from", help="Folder of an earlier plan to tell the changes from.")
    ] = None,
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
    An interrupt (Ctrl-C) while designs are chosen, or while it asks why not all sites are served, keeps the
    best plan so far; a second one gives up.
    A price list is all that its suppliers sell, unless --partial; it takes the place of their prices SKU by
    SKU. With --from, the setting purchase.keep_share lets sites keep their earlier design unless changing it
    saves more than that share of its cost.

    \b
    Examples:
      planner plan tundrakall --out plans/tundrakall --set policy.autonomy_days=7
      planner plan my-fleet --out plans/spring --prices spring.xlsx --from plans/autumn
    """
    from planner.cli.interrupt import stop_on_interrupt
    from planner.cli.progress import progress
    from planner.pipeline import Machines
    from planner.rerun import plan_again
    from planner.tables.price_lists import PriceLists
    from planner.tables.rerun_rows import COMPARE_TABLES, PriceChangeRow
    from planner.units import bundled_scenario

    lists = PriceLists(files=prices, mapping=mapping, partial=partial) if prices else None
    with progress(quiet=quiet) as report, stop_on_interrupt() as stop:
        made, files, changed = plan_again(
            bundled_scenario(scenario),
            out,
            earlier=earlier,
            overrides=parse_overrides(settings),
            price_lists=lists,
            progress=report,
            stop=stop,
            machines=Machines(workers=workers, cluster=cluster),
        )
    if as_json:
        show_json({**made.manifest, "out": str(out), "files": files, **_reprice(made, changed)})
    elif not quiet:
        show_fields(_summary(made.manifest))
        show_tables(
            {"price_changes": made.scenario.price_changes, **(changed.tables() if changed else {})},
            {"price_changes": PriceChangeRow, **COMPARE_TABLES},
        )
    if earlier is None and made.manifest["settings"]["purchase.keep_share"]["value"]:
        note("purchase.keep_share does nothing without --from and an earlier plan", quiet=quiet)
    if made.scenario.price_changes:
        note(_prices_said(made.scenario.price_changes), quiet=quiet)
    if made.reuse:
        note(f"of {earlier}, {made.reuse}", quiet=quiet)
    if changed is not None:
        note(f"since {earlier}: {said(changed, made.manifest['currency'])}", quiet=quiet)
    for line in remarks(made.manifest, made.tables["problems"]["severity"]):
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


def _reprice(made: "Plan", changed: "Comparison | None") -> dict[str, Any]:
    """What price lists and an earlier plan add to the JSON."""
    more: dict[str, Any] = {
        "price_changes": [row.model_dump(mode="json") for row in made.scenario.price_changes]
    }
    if changed is not None:
        more["changes"] = {
            name: [row.model_dump(mode="json") for row in rows] for name, rows in changed.tables().items()
        }
    return more


def _prices_said(rows: "Sequence[PriceChangeRow]") -> str:
    """How many prices went which way."""
    number_of = Counter(row.change for row in rows)
    return "prices of the lists: " + ", ".join(f"{count} {way}" for way, count in sorted(number_of.items()))


def remarks(manifest: Mapping[str, Any], severities: Sequence[str]) -> Iterator[str]:
    """What the figures alone do not say."""
    warnings = sum(severity == "warning" for severity in severities)
    yield from _kept(manifest)
    if why := STOPPED.get(manifest["outcome"]):
        asked = float(manifest["settings"]["solver.gap"]["value"])
        yield (
            f"{why} before the asked gap of {100 * asked:.2f} %: the plan is valid, and no plan "
            f"can be more than {100 * manifest['mip_gap']:.2f} % cheaper"
        )
    if (most := manifest["sites_served_most"]) > manifest["sites_planned"]:
        yield f"not proven that no more sites can be served: at most {most} within budget and stock"
    if warnings:
        yield f"{number(warnings, 'warning')} in the table `problems`"


def _kept(manifest: Mapping[str, Any]) -> Iterator[str]:
    """What became of the designs of an earlier plan."""
    kept, share = manifest.get("kept_designs"), manifest["settings"]["purchase.keep_share"]["value"]
    if kept is None:
        return
    least = f"{100 * share:.6g} % of its cost"
    yield (
        f"earlier designs: {number(kept['sites_alike'], 'site')} would have the same anyway; "
        f"{number(len(kept['kept']), 'site')} kept, as a change saves {least} or less; "
        f"{number(len(kept['changed']), 'site')} changed, as it saves more; "
        f"{number(len(kept['cannot_stay']), 'site')} changed, as the earlier one is no longer possible"
    )
    if kept["kept"]:
        over = f"{kept['cost_over_cheapest']} {manifest['currency']}"
        yield f"keeping them costs {over} over the cheapest plan found"


def _blocked(reason: Mapping[str, Any]) -> str:
    """A family of rules that leaves sites out, and what it would need."""
    if not reason["sites"]:
        return f"rule {reason['rule']}: it is open whether it leaves sites out"
    numbers = (
        f"needs {reason['needs']:,.6g} {reason['unit']}, you gave {reason['gave']:,.6g}; "
        if reason["needs"] is not None
        else ""
    )
    return f"rule {reason['rule']}: {numbers}without it {number(len(reason['sites']), 'more site')} served"


def _horizon(manifest: Mapping[str, Any]) -> str:
    return f"{manifest['settings']['lifetime.horizon_years']['value']:g}"


def _summary(manifest: Mapping[str, Any]) -> dict[str, object]:
    """The lines of the short summary."""
    costs, currency, gap, audit = (manifest[name] for name in ("costs", "currency", "mip_gap", "audit"))
    return {
        "sites planned": manifest["sites_planned"],
        "sites not served": manifest["sites_unserved"],
        **{f"{name}, {currency}": amount for name, amount in costs.items()},
        f"total, {currency}": manifest["total_cost"],
        f"with batteries replaced over {_horizon(manifest)} years, {currency}": manifest["lifetime_cost"],
        f"no plan can cost less than, {currency}": manifest["best_bound"],
        "gap": f"{100 * gap:.2f} %" if isinstance(gap, float) else "",
        "outcome": manifest["outcome"],
        "audit": f"{audit['checks'] - audit['broken']} of {audit['checks']} checks kept",
    }
