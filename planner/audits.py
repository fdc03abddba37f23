"""The audit of a written plan against the scenario's folder, as it stands now."""

from pathlib import Path

from planner.errors import OutputError
from planner.plan import scenario_of
from planner.referee import Verdict, audit_plan, overrides, read_manifest
from planner.scenario import read_scenario
from planner.units import bundled_scenario


def audit_folder(plan: Path, scenario: Path | None = None) -> Verdict:
    """Read a plan and its scenario, with the settings that the plan was given beside it, and audit the plan.

    Parameters
    ----------
    plan : Path
        Folder of the plan.
    scenario : Path, optional
        Folder of its scenario, or the name of a bundled one; where the plan notes it if not given.

    Raises
    ------
    OutputError
        There is no plan, or its scenario is not where it was.
    InputError
        With every problem of the scenario.
    """
    given = overrides(read_manifest(plan))
    home = scenario_of(plan) if scenario is None else bundled_scenario(scenario)
    if home is None or not home.is_dir():
        raise OutputError(f"the scenario of {plan} is not at {home}: name its folder with --scenario")
    return audit_plan(plan, read_scenario(home, overrides=given))
