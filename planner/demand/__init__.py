"""Demand: what devices draw at the DC bus, through which boxes, when."""

from planner.demand.kits import KitResult, SupplyKit, enumerate_kits
from planner.demand.loads import schedule_hours, site_load_wh
from planner.demand.ports import PortAssignment

__all__ = ["KitResult", "PortAssignment", "SupplyKit", "enumerate_kits", "schedule_hours", "site_load_wh"]
