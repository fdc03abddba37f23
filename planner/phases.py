"""When each site is built: phases with their own money, by priority, then by cost."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from planner.tables.rows import SiteRow
from planner.tables.trade_rows import PhaseRow


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseSpending:
    """A phase: its own money, what it may spend with what earlier ones left, and what it spends."""

    phase: int
    budget: Decimal
    available: Decimal
    spent: Decimal
    sites: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """Phase of each site that is built, and what each phase spends."""

    phase: Mapping[str, int]
    spending: Sequence[PhaseSpending]


def schedule(
    sites: Sequence[SiteRow], cost: Mapping[str, Decimal], phases: Sequence[PhaseRow], *, common: Decimal
) -> Schedule:
    """Build each site as early as its readiness and the money allow, by priority, then the cheapest first.

    Goods for all sites are one order, so its prices hold in every phase; `common`, what belongs to no site
    (spares, surplus, taking SKUs on), is paid before any site, over as many phases as it takes. What a phase
    leaves goes to the next. The last phase takes whatever is left: where the whole budget reaches for all
    sites, all are built.
    """
    waiting = sorted(
        (site for site in sites if site.site_id in cost),
        key=lambda site: (site.priority, cost[site.site_id], site.site_id),
    )
    rows = sorted(phases, key=lambda row: row.phase)
    built: dict[str, int] = {}
    spending, left, owed = [], Decimal(0), common
    for row in rows:
        available = left + row.budget
        spent = min(owed, available)
        left, owed, now = available - spent, owed - spent, []
        for site in waiting:
            price = cost[site.site_id]
            if site.ready_phase <= row.phase and (price <= left or row is rows[-1]):
                now.append(site)
                built[site.site_id] = row.phase
                left, spent = left - price, spent + price
        waiting = [site for site in waiting if site.site_id not in built]
        spending.append(
            PhaseSpending(
                phase=row.phase, budget=row.budget, available=available, spent=spent, sites=len(now)
            )
        )
    return Schedule(phase=built, spending=spending)
