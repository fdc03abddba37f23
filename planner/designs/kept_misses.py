"""Parts that must be kept and do not go into any design of a site: there are more than it can hold."""

import numpy as np

from planner.designs.catalogue import CatalogueArrays
from planner.designs.columns import make_columns
from planner.designs.inputs import EPS, SiteInputs
from planner.designs.part_misses import Miss, Stage
from planner.designs.stores import make_stores
from planner.errors import Refusal
from planner.settings import Settings


def no_room(voltage: int, one: SiteInputs, cat: CatalogueArrays, settings: Settings) -> Miss | None:
    """More controllers, batteries or modules to be kept than any design of the voltage has."""
    if not one.units_least:
        return None
    fewest, most = int(one.least_of(cat.controller_sku).min()), settings.policy.controllers_max
    if fewest > most:
        return _too_many(fewest, most, "controllers", "policy.controllers_max allows")
    stores = make_stores(one, cat, voltage, settings)
    over = stores.strings_least - stores.strings_max
    if len(over) and over.min() > 0:
        at = int(np.argmin(over))
        least, most = (int(n[at] * stores.series[at]) for n in (stores.strings_least, stores.strings_max))
        return _too_many(least, most, "battery blocks", "the maker's limit in parallel allows")
    columns = make_columns(one, cat, stores.chargers, settings)
    columns = columns.take(columns.strings_max > 0)
    if not len(columns.module):
        return None
    modules = columns.strings_least * columns.series
    most = int((columns.strings_max * columns.series).max())
    if (columns.strings_least > columns.strings_max).all():
        return _too_many(int(modules.min()), most, "modules", "the controllers take")
    area = float((columns.area_m2 * columns.strings_least).min())
    if one.module_area_max_m2 is not None and area > one.module_area_max_m2 + EPS:
        message = f"the modules have {area:.2f} m2, the site has room for {one.module_area_max_m2:g} m2"
        return _miss(area, one.module_area_max_m2, "m2", message)
    return None


def _too_many(least: int, most: int, what: str, limit: str) -> Miss:
    return _miss(least, most, "units", f"a design has {least} {what} at least; {limit} {most}")


def _miss(value: float, limit: float, unit: str, message: str) -> Miss:
    refusal = Refusal(
        rule="kept-room", subject="parts to be kept", value=value, limit=limit, unit=unit, message=message
    )
    return Stage.KEPT, limit / value, refusal
