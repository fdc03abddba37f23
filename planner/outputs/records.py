"""What a fleet's plan is made from: everything known of the fleet, and the design chosen for each site."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from planner.climate import PlaneOfArray, SiteClimate
from planner.demand import KitResult, SupplyKit
from planner.designs import CatalogueArrays, Choice, SiteInputs
from planner.errors import Refusal
from planner.existing import Gear, KitKey
from planner.fleet import Market
from planner.fleet.pricing import Pricer
from planner.scenario import Scenario
from planner.sites import FloatArray, SiteArrays


@dataclass(frozen=True, slots=True, kw_only=True)
class Fleet:
    """Everything known of a fleet while it is planned; kits, tilts and refusals fill up on the way."""

    scenario: Scenario
    market: Market
    catalogue: CatalogueArrays
    pricer: Pricer
    arrays: SiteArrays
    climate: SiteClimate
    plane: PlaneOfArray
    hours: Mapping[str, tuple[FloatArray, FloatArray]]
    day_hours: FloatArray
    other_supply_wh_day: FloatArray
    gear: Sequence[Gear]
    kits: dict[KitKey, KitResult]
    tilts: list[tuple[int, ...]]
    refusals: dict[str, Refusal]

    def site_hours(self, i: int) -> dict[str, tuple[FloatArray, FloatArray]]:
        """Schedule hours of one site, as a batch of one."""
        return {name: (day[i : i + 1], night[i : i + 1]) for name, (day, night) in self.hours.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteDesign:
    """The design chosen for a site; `bought` are the units of each SKU that do not stand there yet."""

    site: int
    system_voltage_v: int
    surface_tilt_deg: float
    choice: Choice
    kit: SupplyKit
    inputs: SiteInputs
    mount_sku: str
    mounts: int
    enclosure_sku: str
    enclosures: int
    bought: Mapping[str, int]

    def units(self, fleet: Fleet) -> dict[str, int]:
        """Units of every SKU that the design has at the site, kept ones too, by SKU."""
        c, cat = self.choice, fleet.catalogue
        units = Counter(dict(self.kit.units))
        units[cat.modules[c.module].sku] += c.modules_series * c.modules_parallel
        units[cat.controllers[c.controller].sku] += c.controllers
        units[cat.batteries[c.battery].sku] += c.batteries_series * c.batteries_parallel
        units[self.mount_sku] += self.mounts
        units[self.enclosure_sku] += self.enclosures
        return dict(sorted(units.items()))
