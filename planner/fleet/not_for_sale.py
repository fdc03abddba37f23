"""Why a site has no design where parts exist, but none of a category has a price on the day of the plan."""

from collections.abc import Collection, Iterator, Sequence

from planner.errors import Refusal
from planner.scenario import Scenario, Tables
from planner.tables.catalogue import BalanceKind, Part
from planner.tables.rows import Supply


def not_for_sale(
    scenario: Scenario, available: Collection[str], load_profile: str, *, kits: bool
) -> Refusal | None:
    """The first category that a site needs and of which no part is `available`; None where each has some.

    Every site needs modules, batteries, controllers, mounts and enclosures. Where there are no `kits` of its
    profile, switches may be what is missing, if its devices ask for a port, and then converters.
    """
    for name, parts in _needed(scenario.tables, load_profile, kits=kits):
        if parts and not any(part.sku in available for part in parts):
            return Refusal(
                rule="not-for-sale",
                subject=name,
                message=f"none of the {len(parts)} {name} of the catalogue has a price that is valid on "
                f"{scenario.settings.plan_date}",
            )
    return None


def _needed(tables: Tables, load_profile: str, *, kits: bool) -> Iterator[tuple[str, Sequence[Part]]]:
    if not kits:
        names = {load.device for load in tables.loads if load.load_profile == load_profile}
        devices = [row for row in tables.devices if row.device in names]
        ported = (Supply.POE, Supply.PASSIVE_POE)
        if any(row.data_ports > 0 or row.supply in ported for row in devices):
            yield "switches", tables.switches
        yield "converters", tables.converters
    yield "modules", tables.modules
    yield "batteries", tables.batteries
    yield "controllers", tables.controllers
    yield "mounts", [row for row in tables.balance if row.kind is BalanceKind.MOUNT]
    yield "enclosures", [row for row in tables.balance if row.kind is BalanceKind.ENCLOSURE]
