"""The fleet: what designs cost together, the cheapest plan, and how good it is."""

from planner.fleet.market import Market, Offer, make_market
from planner.fleet.solution import FleetSolution
from planner.fleet.solve import candidates, solve_fleet
from planner.fleet.solver import Outcome

__all__ = ["FleetSolution", "Market", "Offer", "Outcome", "candidates", "make_market", "solve_fleet"]
