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
from planner.settings import Settings

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


#: Runs `work(shared, part)` for each part and gives the results in order, in as many processes as it likes.
Spread = Callable[[Callable[[Any, Any], Any], Any, Sequence[Any]], Iterator[Any]]
BATCH_SITES = 50  # sites of a part: of each a few milliseconds


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """How many checks there are, and those that failed."""

    number: int
    broken: Sequence[Check]

    @property
    def passed(self) -> bool:
        """Whether none failed."""
        return not self.broken

    def summary(self) -> dict[str, Any]:
        """Counts, and the first broken checks in words."""
        return {
            "passed": self.passed,
            "checks": self.number,
            "broken": len(self.broken),
            "first_broken": [str(check) for check in self.broken[:SHOWN_MAX]],
        }


def tally(checks: Sequence[Check]) -> Tally:
    """The tally of some checks."""
    return Tally(number=len(checks), broken=[check for check in checks if not check.ok])


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """All checks of a plan."""

    checks: Sequence[Check]

    @property
    def broken(self) -> Sequence[Check]:
        """Checks that failed."""
        return tally(self.checks).broken

    @property
    def passed(self) -> bool:
        """Whether none failed."""
        return all(check.ok for check in self.checks)

    def summary(self) -> dict[str, Any]:
        """Counts, and the first broken checks in words."""
        return tally(self.checks).summary()

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
    opened = _opened(folder, scenario)
    checks = list(_of_files(opened))
    if opened.plan.whole:
        checks += [check for site in _sites(opened) for check in site_checks(opened.ground, site)]
        checks += _of_fleet(opened)
    return Verdict(checks=checks)


def begin_tally(folder: Path, scenario: Scenario, spread: Spread) -> Callable[[], Tally]:
    """Begin to look for what `audit_plan` finds, but for the checks that hold; what is returned waits for it.

    The sites are spread over processes. The plan's tables, and all that its manifest says of them, have to
    be there; its other files need not.

    Raises
    ------
    OutputError, InputError
        As `audit_plan` does.
    """
    opened = _opened(folder, scenario)
    first, sites = tally(list(_of_files(opened))), _sites(opened) if opened.plan.whole else []
    parts = [sites[start : start + BATCH_SITES] for start in range(0, len(sites), BATCH_SITES)]
    of_sites = spread(tally_sites, opened.ground, parts)

    def end() -> Tally:
        last = tally(list(_of_fleet(opened)) if opened.plan.whole else [])
        tallies = [first, *of_sites, last]
        return Tally(
            number=sum(one.number for one in tallies),
            broken=[check for one in tallies for check in one.broken],
        )

    return end


def audit_site(folder: Path, scenario: Scenario, site_id: str) -> list[Check]:
    """Every rule of one site of a written plan, as `audit_plan` checks it.

    Raises
    ------
    OutputError, InputError
        As `audit_plan` does.
    """
    opened = _opened(folder, scenario)
    return [check for site in _sites(opened, only=site_id) for check in site_checks(opened.ground, site)]


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteGround:
    """What all sites are checked against."""

    parts: Parts
    climate: Climate
    settings: Settings


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """A site to check, with its place in the scenario's table; without rows if it has no design or place."""

    site_id: str
    place: int = 0
    rows: SiteRows | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Opened:
    """A plan beside the scenario that it answers."""

    plan: PlanFiles
    scenario: Scenario
    ground: SiteGround


def _opened(folder: Path, scenario: Scenario) -> _Opened:
    plan, climate = read_plan(folder), Climate(scenario)
    ground = SiteGround(parts=Parts(scenario), climate=climate, settings=scenario.settings)
    return _Opened(plan=plan, scenario=scenario, ground=ground)


def _of_files(opened: _Opened) -> Iterator[Check]:
    """Hashes, settings, and both forms of the tables."""
    manifest = opened.plan.manifest
    yield from input_hashes(manifest, opened.scenario, opened.ground.climate.hashes)
    yield from settings(manifest, opened.scenario)
    yield from opened.plan.checks


def _of_fleet(opened: _Opened) -> Iterator[Check]:
    """Every rule of the order lines and of the purchase."""
    tables = opened.plan.tables
    fleet = FleetCase(
        scenario=opened.scenario,
        parts=opened.ground.parts,
        manifest=opened.plan.manifest,
        designs=tables["site_designs"],
        bill=tables["bill_of_materials"],
        orders=tables["procurement"],
        problems=tables["problems"],
    )
    for rule in (*FLEET_RULES, *PURCHASE_RULES):
        yield from rule(fleet)


def tally_sites(ground: SiteGround, sites: Sequence[Site]) -> Tally:
    """The tally of some sites."""
    return tally([check for site in sites for check in site_checks(ground, site)])


def site_checks(ground: SiteGround, site: Site) -> list[Check]:
    """Every rule of a site; one whose rows name what is not there is broken as such."""
    site_id = site.site_id
    if site.rows is None:
        note = "has rows without a design, or is no site of the scenario"
        return [holds("site-rows", site_id, "", False, note)]
    try:
        row, months = ground.parts.sites[site_id], ground.climate.of(site.place)
        case = open_case(row, site.rows, ground.parts, ground.settings, months)
        return [check for rule in SITE_RULES for check in rule(case)]
    except FaultError as fault:
        return [holds("site-rows", site_id, "", False, str(fault))]


def _sites(opened: _Opened, only: str | None = None) -> list[Site]:
    """Every site of the plan, or one, by name."""
    rows, place = _by_site(opened.plan), opened.ground.climate.place
    designs = {design.site_id: design for design in opened.plan.tables["site_designs"]}
    found = []
    for site_id in sorted(rows.keys() | designs.keys()) if only is None else [only]:
        design, tables = designs.get(site_id), rows.get(site_id, {})
        if design is None or site_id not in place:
            found.append(Site(site_id=site_id))
            continue
        some = SiteRows(
            design=design,
            lines=tables.get("bill_of_materials", ()),
            ports=tables.get("port_assignments", ()),
            energy=sorted(tables.get("energy_balance", ()), key=lambda row: row.month),
        )
        found.append(Site(site_id=site_id, place=place[site_id], rows=some))
    return found


def _by_site(plan: PlanFiles) -> dict[str, dict[str, list[Any]]]:
    """Rows of each site by table."""
    found: dict[str, dict[str, list[Any]]] = {}
    for name in ("bill_of_materials", "port_assignments", "energy_balance"):
        for row in plan.tables[name]:
            found.setdefault(row.site_id, {}).setdefault(name, []).append(row)
    return found
