"""Designs: array, controller and battery physics, and every feasible design of a site."""

from planner.designs.balance import Balance, Choice, design_balance
from planner.designs.catalogue import CatalogueArrays, Selection, make_catalogue_arrays, select
from planner.designs.diagnosis import blocking_rule
from planner.designs.inputs import SiteInputs
from planner.designs.options import SiteOptions, site_options

__all__ = [
    "Balance",
    "CatalogueArrays",
    "Choice",
    "Selection",
    "SiteInputs",
    "SiteOptions",
    "blocking_rule",
    "design_balance",
    "make_catalogue_arrays",
    "select",
    "site_options",
]
