"""What each site can be built as: its inputs, its designs, why it has none; in batches of sites."""

from planner.sizing.batches import FleetSites, Known, ready_workers
from planner.sizing.ground import Fleet
from planner.sizing.site import explain, site_inputs, site_kits, site_offer, site_voltages

__all__ = [
    "Fleet", "FleetSites", "Known", "explain", "ready_workers", "site_inputs", "site_kits", "site_offer",
    "site_voltages",
]
