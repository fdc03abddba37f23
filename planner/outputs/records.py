"""What a fleet's plan is made from: everything known of the fleet, and the design chosen for each site."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from planner.demand import SupplyKit
from planner.designs import Choice, SiteInputs
from planner.sizing import Fleet

__all__ = ["Fleet", "SiteDesign"]


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
