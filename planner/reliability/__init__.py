"""Reliability: years of weather, batteries through them, curves of one weather-only energy availability."""

from planner.reliability.curves import RATIOS, Curves, site_curves, unresolved, years_needed
from planner.reliability.loads import Loads
from planner.reliability.own_years import OWN_YEARS_LEAST, own_clearness, real_years
from planner.reliability.proof import Designs, Outcome, charge_limit_wh, simulate
from planner.reliability.years import drawn_temperatures, drawn_years

__all__ = [
    "OWN_YEARS_LEAST", "RATIOS", "Curves", "Designs", "Loads", "Outcome", "charge_limit_wh",
    "drawn_temperatures", "drawn_years", "own_clearness", "real_years", "simulate", "site_curves",
    "unresolved", "years_needed",
]
