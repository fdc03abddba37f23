"""The audit: every rule over every site and order line of a written plan."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from planner.referee.array import ARRAY_RULES
from planner.referee.battery import BATTERY_RULES
from planner.referee.bus import BUS_RULES
from planner.referee.case import SiteCase, SiteRows, open_case
from planner.referee.check import Check, holds
from planner.referee.costs import COST_RULES
from planner.referee.energy import ENERGY_RULES
from planner.referee.files import PlanFiles, input_hashes, read_plan, settings
from planner.referee.months import Climate
from planner.referee.orders import FLEET_RULES, FleetCase
from planner.referee.parts import FaultError, Parts
from planner.referee.ports import PORT_RULES
from planner.referee.purchase import PURCHASE_RULES
from planner.scenario import Scenario

SiteRule = Callable[[SiteCase], Iterable[Check]]

#: Rules of a site, in the order in which they are reported.
SITE_RULES: Sequence[SiteRule] = (
    *PORT_RULES,
    *BUS_RULES,
    *ARRAY_RULES,
    *BATTERY_RULES,
    *ENERGY_RULES,
    *COST_RULES,
)
SHOWN_MAX = 20  # broken checks that the manifest names


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """All checks of a plan."""

    checks: Sequence[Check]

    @property
    def broken(self) -> list[Check]:
        """Checks that failed."""
        return [check for check in self.checks if not check.ok]

    @property
    def passed(self) -> bool:
        """Whether none failed."""
        return all(check.ok for check in self.checks)

    def by_rule(self) -> list[tuple[str, int, int, float | None, str, str]]:
        """Of each rule: its checks, how many are broken, and the least margin of one unit, with its place."""
        rules: dict[tuple[str, str], list[Check]] = {}
        for check in self.checks:
            rules.setdefault((check.rule, check.unit), []).append(check)
        rows = []
        for (rule, unit), some in rules.items():
            measured = [check for check in some if check.margin is not None]
            least = min(measured, key=lambda check: (check.ok, check.margin or 0.0), default=None)
            margin = None if least is None else float(f"{least.margin:.4g}")
            where = "" if least is None else ", ".join(part for part in (least.site, least.subject) if part)
            rows.append((rule, len(some), sum(not check.ok for check in some), margin, unit, where))
        return rows

    def summary(self) -> dict[str, Any]:
        """Counts, and the first broken checks in words."""
        broken = self.broken
        return {
            "passed": not broken,
            "checks": len(self.checks),
            "broken": len(broken),
            "first_broken": [str(check) for check in broken[:SHOWN_MAX]],
        }


def audit_plan(folder: Path, scenario: Scenario) -> Verdict:
    """Recheck a written plan from the tables of the scenario that it answers.

    Parameters
    ----------
    folder : Path
        The plan.
    scenario : Scenario
        With the overrides that the plan was given.

    Raises
    ------
    OutputError
        The folder holds no plan.
    InputError
        With every problem of the weather files.
    """
    plan, climate = read_plan(folder), Climate(scenario)
    checks = [
        *input_hashes(plan.manifest, scenario, climate.hashes),
        *settings(plan.manifest, scenario),
        *plan.checks,
    ]
    if plan.whole:
        parts = Parts(scenario)
        checks += _sites(plan, scenario, parts, climate)
        fleet = FleetCase(
            scenario=scenario,
            parts=parts,
            manifest=plan.manifest,
            designs=plan.tables["site_designs"],
            bill=plan.tables["bill_of_materials"],
            orders=plan.tables["procurement"],
            problems=plan.tables["problems"],
        )
        for rule in (*FLEET_RULES, *PURCHASE_RULES):
            checks += rule(fleet)
    return Verdict(checks=checks)


def audit_site(folder: Path, scenario: Scenario, site_id: str) -> list[Check]:
    """Every rule of one site of a written plan, as `audit_plan` checks it.

    Raises
    ------
    OutputError, InputError
        As `audit_plan` does.
    """
    return list(_sites(read_plan(folder), scenario, Parts(scenario), Climate(scenario), only=site_id))


def _sites(
    plan: PlanFiles, scenario: Scenario, parts: Parts, climate: Climate, only: str | None = None
) -> Iterator[Check]:
    """Every rule of every site, or of one; a site whose rows name what is not there is broken as such."""
    rows, place = _by_site(plan), {site.site_id: i for i, site in enumerate(scenario.tables.sites)}
    designs = {design.site_id: design for design in plan.tables["site_designs"]}
    for site_id in sorted(rows.keys() | designs.keys()) if only is None else [only]:
        design = designs.get(site_id)
        if design is None or site_id not in place:
            yield holds(
                "site-rows", site_id, "", False, "has rows without a design, or is no site of the scenario"
            )
            continue
        try:
            tables = rows.get(site_id, {})
            case = open_case(
                parts.sites[site_id],
                SiteRows(
                    design=design,
                    lines=tables.get("bill_of_materials", ()),
                    ports=tables.get("port_assignments", ()),
                    energy=sorted(tables.get("energy_balance", ()), key=lambda row: row.month),
                ),
                parts,
                scenario.settings,
                climate.of(place[site_id]),
            )
            found = [check for rule in SITE_RULES for check in rule(case)]
        except FaultError as fault:
            found = [holds("site-rows", site_id, "", False, str(fault))]
        yield from found


def _by_site(plan: PlanFiles) -> dict[str, dict[str, list[Any]]]:
    """Rows of each site by table."""
    found: dict[str, dict[str, list[Any]]] = {}
    for name in ("bill_of_materials", "port_assignments", "energy_balance"):
        for row in plan.tables[name]:
            found.setdefault(row.site_id, {}).setdefault(name, []).append(row)
    return found
