"""Designs: array, controller and battery physics, and every feasible design of a site."""

from planner.designs.balance import Balance, Choice, design_balance
from planner.designs.bands import Bands, greatest_of_bands, least_of_bands, make_bands
from planner.designs.catalogue import CatalogueArrays, Selection, make_catalogue_arrays, select
from planner.designs.costs import PartCosts
from planner.designs.diagnosis import blocking_rule
from planner.designs.floors import Ceilings, Floors, ceilings, floors
from planner.designs.inputs import SiteInputs
from planner.designs.kits import Kits, as_kits
from planner.designs.options import SiteOptions, in_whole, site_options, size_designs
from planner.designs.prepared import Prepared, prepare
from planner.designs.site_parts import SiteParts, site_parts
from planner.designs.sketch import Outline, Sketch, least_costs, make_outline, make_sketch, refined

__all__ = [
    "Balance",
    "Bands",
    "CatalogueArrays",
    "Ceilings",
    "Choice",
    "Floors",
    "Kits",
    "Outline",
    "PartCosts",
    "Prepared",
    "Selection",
    "SiteInputs",
    "SiteOptions",
    "SiteParts",
    "Sketch",
    "as_kits",
    "blocking_rule",
    "ceilings",
    "design_balance",
    "floors",
    "greatest_of_bands",
    "in_whole",
    "least_costs",
    "least_of_bands",
    "make_bands",
    "make_catalogue_arrays",
    "make_outline",
    "make_sketch",
    "prepare",
    "refined",
    "select",
    "site_options",
    "site_parts",
    "size_designs",
]
