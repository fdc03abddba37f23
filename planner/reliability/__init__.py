"""Reliability: years of weather, batteries through them, curves of one weather-only energy availability."""

from planner.reliability.curves import RATIOS, Curves, site_curves, unresolved
from planner.reliability.loads import Loads
from planner.reliability.own_years import OWN_YEARS_LEAST, own_clearness, real_years
from planner.reliability.proof import Designs, Outcome, charge_limit_wh, simulate
from planner.reliability.search import BATTERY_DAYS_MAX
from planner.reliability.steps import NO_STEP, Proof, SiteCurve, Step
from planner.reliability.years import drawn_temperatures, drawn_years
from planner.settings import years_needed

__all__ = [
    "BATTERY_DAYS_MAX", "NO_STEP", "OWN_YEARS_LEAST", "RATIOS", "Curves", "Designs", "Loads", "Outcome",
    "Proof", "SiteCurve", "Step", "charge_limit_wh", "drawn_temperatures", "drawn_years", "own_clearness",
    "real_years", "simulate", "site_curves", "unresolved",
    "years_needed",
]
