"""Designs: array, controller and battery physics, and every feasible design of a site."""

from planner.designs.catalogue import CatalogueArrays, make_catalogue_arrays
from planner.designs.options import SiteInputs, SiteOptions, site_options

__all__ = ["CatalogueArrays", "SiteInputs", "SiteOptions", "make_catalogue_arrays", "site_options"]
