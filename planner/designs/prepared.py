"""What a site's designs are made of before they are sized: store rows, what they ask, and array columns."""

from dataclasses import dataclass, replace

from planner.designs.catalogue import CatalogueArrays
from planner.designs.columns import Columns, make_columns, warm_shares
from planner.designs.inputs import SiteInputs
from planner.designs.site_parts import SiteParts
from planner.designs.stores import Stores, make_stores
from planner.designs.strings import Demands, make_demands
from planner.settings import Settings


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """A site at one system voltage and tilt: store rows (P), their demands (R), whole array columns (A)."""

    inputs: SiteInputs
    catalogue: CatalogueArrays
    settings: Settings
    system_voltage_v: int
    stores: Stores
    demands: Demands
    columns: Columns


def prepare(
    inputs: SiteInputs,
    *,
    catalogue: CatalogueArrays,
    system_voltage_v: int,
    settings: Settings,
    parts: SiteParts | None = None,
    like: Prepared | None = None,
    ends: bool = False,
) -> Prepared:
    """Rows and columns of a site; store rows and demands as in `like`, which differs in its tilt alone.

    What the site makes of `parts` may be known. At their `ends` heated batteries have rows of the fewest and
    the most strings alone: enough for a sketch and for ceilings.
    """
    if like is None:
        stores = make_stores(inputs, catalogue, system_voltage_v, settings, parts, ends=ends)
        demands = make_demands(inputs, catalogue, stores)
        columns = make_columns(inputs, catalogue, stores.chargers, settings)
    else:
        stores, demands = like.stores, like.demands
        columns = replace(like.columns, warm=warm_shares(inputs, catalogue))
    return Prepared(
        inputs=inputs,
        catalogue=catalogue,
        settings=settings,
        system_voltage_v=system_voltage_v,
        stores=stores,
        demands=demands,
        columns=columns,
    )
