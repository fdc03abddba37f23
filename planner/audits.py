"""The audit of a written plan against the scenario's folder and price lists, as they stand now."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from planner.errors import OutputError
from planner.plan import price_lists_of, scenario_of
from planner.referee import Verdict, audit_plan, overrides, read_manifest
from planner.scenario import read_scenario
from planner.tables.price_lists import OPTION, PriceLists
from planner.units import bundled_scenario

LABEL = f"{OPTION} "  # before a list's name among a plan's inputs


def audit_folder(
    plan: Path, scenario: Path | None = None, *, price_lists: PriceLists | None = None
) -> Verdict:
    """Read a plan and its scenario, with the settings that the plan was given beside it, and audit the plan.

    Parameters
    ----------
    plan : Path
        Folder of the plan.
    scenario : Path, optional
        Folder of its scenario, or the name of a bundled one; where the plan notes it if not given.
    price_lists : PriceLists, optional
        Those that the plan was made with; where and how the plan notes them if not given.

    Raises
    ------
    OutputError
        There is no plan, its scenario or a price list is not where it was, or other lists are given.
    InputError
        With every problem of the scenario and the price lists.
    """
    manifest = read_manifest(plan)
    home = scenario_of(plan) if scenario is None else bundled_scenario(scenario)
    if home is None or not home.is_dir():
        raise OutputError(f"the scenario of {plan} is not at {home}: name its folder with --scenario")
    lists = _lists(plan, manifest, price_lists)
    return audit_plan(plan, read_scenario(home, overrides=overrides(manifest), price_lists=lists))


def _lists(plan: Path, manifest: Mapping[str, Any], given: PriceLists | None) -> PriceLists | None:
    """The price lists that a plan was made with, from where they are given or noted; None without any."""
    inputs = manifest.get("inputs")
    names = [str(name).removeprefix(LABEL) for name in inputs or () if str(name).startswith(LABEL)]
    noted = price_lists_of(plan) if names else None
    if given is None:
        _check_there(plan, names, noted)
        return noted
    files = [path.name for path in given.files]
    if sorted(files) != sorted(names):
        made = f"with {', '.join(names)}" if names else "without a price list"
        raise OutputError(f"{plan} was made {made}, not with {', '.join(files)}: give its own lists, or none")
    if noted is None:
        return given
    # how lists are read does not change with the place where they stand
    return replace(given, mapping=given.mapping or noted.mapping, partial=given.partial or noted.partial)


def _check_there(plan: Path, names: Sequence[str], noted: PriceLists | None) -> None:
    """Refuse an audit whose price lists are not to be found."""
    gone = [path for path in noted.files if not path.is_file()] if noted else []
    if not names or (noted and not gone):
        return
    where = f"not at {', '.join(map(str, gone))}" if gone else "nowhere noted"
    raise OutputError(
        f"{plan} was made with {', '.join(names)}, {where}: name every list with {OPTION}, in the order in "
        "which they were given, with --mapping and --partial as then"
    )
