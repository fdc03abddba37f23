"""Whether an earlier plan can spare a scenario's work, and why not."""

import hashlib

from planner.kept import MEMBERS_MAX, UNPACKED_MAX_BYTES, hashes_of, member
from planner.layers import SETTINGS_FILE
from planner.reuse.kept import Kept, unpacked
from planner.scenario import Scenario
from planner.settings import flat_settings
from planner.tables.archive import ArchiveError, unpack
from planner.tables.plan_files import INPUTS, SEARCH, WrittenPlan, file_bytes
from planner.tables.registry import BY_NAME

#: Tables and settings that all of it outlives.
FREE_TABLES = ("prices", "fx", "suppliers", "stock", "sku_rules", "category_rules", "phases")
FREE_SETTINGS = (
    "name",
    "catalogue",
    "extends",
    "plan_date",
    "purchase.budget",
    "purchase.keep_share",
    "purchase.need_by",
)


def reusable(plan: WrittenPlan, scenario: Scenario) -> tuple[Kept | None, str]:
    """What an earlier plan can spare a scenario's, or why nothing, in words that follow the plan's name."""
    if scenario.settings.objective == "lifetime":
        return None, "nothing is used again where lifetime costs are least: replacements have prices too"
    if differs := sorted(_differences(plan, scenario)):
        return None, f"nothing is used again, as these differ too: {', '.join(differs)}"
    data, problems = file_bytes(plan.folder, SEARCH, plan.manifest)
    if data is None or problems:
        return None, "nothing is used again: it has not kept its search"
    try:
        kept = unpacked(data)
        kept.check(scenario)
        return kept, ""
    except (ArchiveError, ValueError, KeyError) as error:
        return None, f"nothing is used again: its search cannot be read ({error})"


def _differences(plan: WrittenPlan, scenario: Scenario) -> set[str]:
    """Tables, files and settings that differ and may not."""
    data, problems = file_bytes(plan.folder, INPUTS, plan.manifest)
    if data is None or problems:
        return {INPUTS}
    members = unpack(data, most_bytes=UNPACKED_MAX_BYTES, most_members=MEMBERS_MAX)
    free = {SETTINGS_FILE, *(member(BY_NAME[name]) for name in FREE_TABLES)}
    before = {name: hashlib.sha256(one).hexdigest() for name, one in members.items()}
    now = hashes_of(scenario)
    files = {name for name in before.keys() | now.keys() if before.get(name) != now.get(name)}
    stated = {name: cell["value"] for name, cell in plan.manifest["settings"].items()}
    own = flat_settings(scenario.settings)
    settings = {
        name
        for name in stated.keys() | own.keys()
        if name not in FREE_SETTINGS and not name.startswith("solver.") and stated.get(name) != own.get(name)
    }
    return {name.removesuffix(".parquet") for name in files - free} | settings
