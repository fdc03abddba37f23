"""The plan's tables and manifest, from the designs chosen."""

from planner.outputs.assemble import make_plan
from planner.outputs.records import Fleet, SiteDesign

__all__ = ["Fleet", "SiteDesign", "make_plan"]
