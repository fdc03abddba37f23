"""Demand: what devices draw at the DC bus, through which boxes, when."""

from planner.demand.assign import LinkEnd, PortAssignment
from planner.demand.kits import KitResult, SupplyKit, enumerate_kits
from planner.demand.limits import UnitLimits
from planner.demand.loads import Draws, drawn_wh, draws_of, schedule_hours, site_load_wh

__all__ = [
    "Draws",
    "KitResult",
    "LinkEnd",
    "PortAssignment",
    "SupplyKit",
    "UnitLimits",
    "drawn_wh",
    "draws_of",
    "enumerate_kits",
    "schedule_hours",
    "site_load_wh",
]
