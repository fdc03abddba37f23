"""The plan's tables and manifest, from the designs chosen."""

from planner.outputs.assemble import make_plan, objective_of
from planner.outputs.chosen import chosen_design, chosen_designs
from planner.outputs.records import Fleet, SiteDesign
from planner.outputs.upkeep import load_by_night, site_upkeep

__all__ = [
    "Fleet", "SiteDesign", "chosen_design", "chosen_designs", "load_by_night", "make_plan",
    "objective_of", "site_upkeep",
]
