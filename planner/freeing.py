"""Whether a rule of the purchase may keep a site from being served, told without a plan of the fleet."""

from collections.abc import Iterator, Mapping

from planner.errors import Refusal
from planner.existing import KitGround, KitKey, kit_key, kits_of, site_gear
from planner.fleet import make_market
from planner.purchase import WAITS
from planner.scenario import Scenario
from planner.sites import site_arrays
from planner.sizing import site_voltages


def may_free(scenario: Scenario, without: Scenario, unserved: Mapping[str, Refusal]) -> bool:
    """Whether a plan `without` some rules of the purchase may serve a site that the scenario's leaves out.

    Of a site's designs such rules decide nothing but which SKUs are for sale. So they leave as it is a site
    without a kit among those that are for sale without them; and one without a design, where the same are for
    sale with them, unless its curve may have been raised: misses of designs do that, and the fleet's plan
    chooses those.
    """
    if any(refusal.rule in WAITS for refusal in unserved.values()):
        return True
    tables, sold = scenario.tables, make_market(without).sold
    curved = (site_arrays(tables.sites, scenario.settings).availability > 0).tolist()
    changed = make_market(scenario).sold != sold
    open_sites = {
        site.site_id
        for site, curve in zip(tables.sites, curved, strict=True)
        if site.site_id in unserved and (changed or curve)
    }
    ground = KitGround(tables=without.tables, settings=without.settings, sold=sold)
    return any(kits_of(ground, key).kits for key in dict.fromkeys(_kit_keys(without, open_sites, sold)))


def _kit_keys(scenario: Scenario, sites: set[str], sold: frozenset[str]) -> Iterator[KitKey]:
    """What the kits of some sites depend on, at each system voltage."""
    for site, gear in zip(scenario.tables.sites, site_gear(scenario), strict=True):
        if site.site_id in sites:
            for voltage in site_voltages(site.system_voltage_v, scenario):
                yield kit_key(site.load_profile, voltage, gear, scenario.tables, sold)
