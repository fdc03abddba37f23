"""Designs: array, controller and battery physics, and every feasible design of a site."""

from planner.designs.balance import Balance, Choice, design_balance
from planner.designs.catalogue import CatalogueArrays, Selection, make_catalogue_arrays, select
from planner.designs.diagnosis import blocking_rule
from planner.designs.floors import Ceilings, Floors, Needs, UnitCosts, ceilings, floors, least_needs
from planner.designs.inputs import SiteInputs
from planner.designs.options import SiteOptions, in_whole, site_options, size_designs
from planner.designs.prepared import Prepared, prepare

__all__ = [
    "Balance",
    "CatalogueArrays",
    "Ceilings",
    "Choice",
    "Floors",
    "Needs",
    "Prepared",
    "Selection",
    "SiteInputs",
    "SiteOptions",
    "UnitCosts",
    "blocking_rule",
    "ceilings",
    "design_balance",
    "floors",
    "in_whole",
    "least_needs",
    "make_catalogue_arrays",
    "prepare",
    "select",
    "site_options",
    "size_designs",
]
