"""Reliability: years of weather, the battery through them, curves of equal weather-only energy availability."""

from planner.reliability.curves import RATIOS, Curves, site_curves, unresolved, years_needed
from planner.reliability.loads import Loads
from planner.reliability.proof import Designs, Outcome, charge_limit_wh, simulate
from planner.reliability.years import drawn_temperatures, drawn_years, real_years

__all__ = [
    "RATIOS", "Curves", "Designs", "Loads", "Outcome", "charge_limit_wh", "drawn_temperatures", "drawn_years",
    "real_years", "simulate", "site_curves", "unresolved", "years_needed",
]
