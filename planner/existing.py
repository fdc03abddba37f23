"""What stands at each site already, and what its designs may therefore have."""

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace

from planner.demand import KitResult, UnitLimits, enumerate_kits
from planner.designs import CatalogueArrays, Selection, select
from planner.errors import Refusal
from planner.scenario import Scenario, Tables
from planner.settings import Settings
from planner.tables.existing import Keep


@dataclass(frozen=True, slots=True, kw_only=True)
class Gear:
    """Units of each SKU that stand at a site, and the SKUs of which every unit must be kept."""

    units: Mapping[str, int] = field(default_factory=dict)
    must: frozenset[str] = frozenset()

    @property
    def least(self) -> dict[str, int]:
        """Units that every design has at least."""
        return {sku: self.units[sku] for sku in sorted(self.must)}

    def most(self, sold: Collection[str]) -> dict[str, int]:
        """Units that a design may have of SKUs that are not for sale."""
        return {sku: number for sku, number in sorted(self.units.items()) if sku not in sold}

    def free(self, skus: Collection[str]) -> "Gear":
        """The same, where these SKUs may be kept or not."""
        return replace(self, must=self.must - frozenset(skus))


def site_gear(scenario: Scenario) -> list[Gear]:
    """The gear of each site, in the order of the table."""
    units: dict[str, dict[str, int]] = {site.site_id: {} for site in scenario.tables.sites}
    must: dict[str, set[str]] = {site_id: set() for site_id in units}
    for row in scenario.tables.existing:
        units[row.site_id][row.sku] = row.quantity
        if row.keep is Keep.MUST:
            must[row.site_id].add(row.sku)
    return [Gear(units=units[site_id], must=frozenset(must[site_id])) for site_id in units]


@dataclass(frozen=True, slots=True, kw_only=True)
class KitKey:
    """Sites with the same key have the same kits. `unsold` are SKUs that stand there and are not for sale."""

    load_profile: str
    system_voltage_v: int
    unsold: frozenset[str]
    limits: UnitLimits


def kit_key(load_profile: str, voltage: int, gear: Gear, tables: Tables, sold: Collection[str]) -> KitKey:
    """What the kits of a site depend on. Batteries not for sale count too: a bus must hold one of all."""
    if not gear.units:
        return KitKey(
            load_profile=load_profile, system_voltage_v=voltage, unsold=frozenset(), limits=UnitLimits()
        )
    most, switches = gear.most(sold), {row.sku for row in tables.switches}
    boxes = switches | {row.sku for row in tables.converters}
    return KitKey(
        load_profile=load_profile,
        system_voltage_v=voltage,
        unsold=frozenset(most),
        limits=UnitLimits(
            least=tuple((sku, n) for sku, n in gear.least.items() if sku in switches),
            most=tuple((sku, n) for sku, n in most.items() if sku in boxes),
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class KitGround:
    """What the kits of all sites are made of, beside their keys."""

    tables: Tables
    settings: Settings
    sold: frozenset[str]


def kits_of(ground: KitGround, key: KitKey) -> KitResult:
    """The kits of the sites with a key."""
    return enumerate_kits(
        ground.tables,
        load_profile=key.load_profile,
        system_voltage_v=key.system_voltage_v,
        settings=ground.settings,
        sold=ground.sold | key.unsold,
        limits=key.limits,
    )


def power_parts(whole: CatalogueArrays, gear: Gear, sold: Collection[str]) -> Selection:
    """Modules, batteries and controllers that a site's designs may have.

    Those for sale and those that stand there; where one must be kept, that one alone of its kind.
    """
    wanted: set[str] = set()
    for skus in (whole.module_sku, whole.battery_sku, whole.controller_sku):
        kept = gear.must & set(skus)
        wanted |= kept or {sku for sku in skus if sku in sold or sku in gear.units}
    return select(whole, wanted)


def blocking_parts(gear: Gear, able: Callable[[Gear], bool]) -> list[str]:
    """Parts to be kept but for which a site has a design; none where it has none in any case.

    `able` tells whether the site has one with other gear. Named are the parts of which one alone decides, or
    else all.
    """
    alone = [sku for sku in sorted(gear.must) if able(gear.free([sku]))]
    if alone or not gear.must:
        return alone
    return sorted(gear.must) if able(gear.free(gear.must)) else []


def kept_refusal(gear: Gear, blocking: Collection[str], why: Refusal) -> Refusal:
    """The refusal of a site that only parts to be kept block: what a design with them lacks."""
    parts = ", ".join(f"{gear.units[sku]} x {sku}" for sku in blocking)
    return Refusal(
        rule="kept-parts",
        subject=", ".join(blocking),
        value=why.value,
        limit=why.limit,
        unit=why.unit,
        message=f"{parts} must be kept, and no design of the site has them: "
        + why.message,
    )


def available(skus: Collection[str], gear: Gear, sold: Collection[str]) -> list[bool]:
    """Which SKUs are for sale or stand at a site."""
    return [sku in sold or sku in gear.units for sku in skus]
