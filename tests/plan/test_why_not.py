"""Which families of rules leave a site out: as plans without each of them tell, but with no plan in vain."""

from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

from planner.fleet.stop import Stop
from planner.pipeline import plan_fleet
from planner.plan import Plan
from planner.scenario import Scenario, read_scenario
from planner.why_not import FAMILIES, blocked
from tests.plan.purchases import MODULE, SWITCH, price, sites, twin, write_fleet
from tests.support import Rows, table

STRONG = "S-90"  # a forbidden switch, the only one for the devices of `DEVICE`
DEVICE = {"device": "cam-8", "supply": "poe", "poe_class": "8", "average_w": "8", "max_w": "60"}
#: How a scenario looks without each family.
DROPPED: Mapping[str, Callable[[Scenario], bool]] = {
    "budget": lambda one: one.settings.purchase.budget is None,
    "stock": lambda one: all(row.stock_qty is None for row in one.tables.stock),
    "lists": lambda one: not one.tables.sku_rules,
    "distinct-skus": lambda one: all(row.distinct_max is None for row in one.tables.category_rules),
}


def fleet(folder: Path, cells: dict[str, str], *, ports: bool = True) -> Path:
    """A plain site, and one with cells of its own, under rules of every family of `DROPPED`.

    The forbidden switch has the ports of `DEVICE`, or those of the other switch alone.
    """
    strong = {"sku": STRONG, "port_kind": "poe", "quantity": "2", "poe_class": "8"}
    own = [strong] if ports else []
    like = [row | {"sku": STRONG} for row in table("catalogue/switch_ports") if row["sku"] == SWITCH]
    loads = [row for row in table("loads") if row["load_profile"] == "camera"]
    tables: dict[str, Rows] = {
        **twin("switches", STRONG, poe_budget_w="120"),
        "catalogue/switch_ports": [*table("catalogue/switch_ports"), *like, *own],
        "devices": [*table("devices"), table("devices")[0] | DEVICE],
        "loads": [*loads, loads[0] | {"load_profile": "strong", "device": "cam-8"}],
        "sku_rules": [{"sku": STRONG, "rule": "forbidden"}],
        "category_rules": [{"category": "modules", "distinct_max": "1"}],
    }
    stock = [{"sku": MODULE, "supplier": "north", "pack_qty": "1", "stock_qty": "1000"}]
    return write_fleet(folder, sites({}, cells), prices=[price(STRONG, "500")], stock=stock, tables=tables)


ALL = ["budget", "stock", "lists", "distinct-skus"]


@pytest.mark.parametrize(
    ("cells", "ports", "budget", "planned", "rules"),
    [
        # too little room for an array: other SKUs might need less, of which the lists alone bar any
        ({"module_area_max_m2": "0.3"}, True, 99_000, ["lists"], []),
        # the same where a curve is: a miss may have raised it
        ({"module_area_max_m2": "0.3", "availability": "0.9"}, True, 99_000, ALL, []),
        # no switch of the catalogue has its ports
        ({"load_profile": "strong"}, False, 99_000, [], []),
        ({"load_profile": "strong", "availability": "0.9"}, False, 99_000, [], []),
        # a forbidden one has
        ({"load_profile": "strong"}, True, 99_000, ["lists"], ["lists"]),
        # it waits for money
        ({}, True, 3_000, ALL, ["budget"]),
    ],
)
def test_no_plan_is_made_that_could_serve_nobody_more(
    tmp_path: Path, cells: dict[str, str], ports: bool, budget: int, planned: list[str], rules: list[str]
) -> None:
    folder, made = fleet(tmp_path, cells, ports=ports), list[str]()
    scenario = read_scenario(folder, overrides={"purchase.budget": str(budget)})
    plan = plan_fleet(scenario)
    assert len(plan.unserved) == 1

    def plan_it(without: Scenario) -> Plan:
        made.extend(name for name, dropped in DROPPED.items() if dropped(without))
        return plan_fleet(without)

    found = list(blocked(scenario, plan, plan_it, Stop()))
    assert made == planned
    assert [(one.rule, one.sites) for one in found] == [(rule, tuple(plan.unserved)) for rule in rules]
    for name in set(DROPPED) - set(planned):  # the plans that were not made
        without = FAMILIES[name].drop(scenario)
        assert without is not None
        assert plan_fleet(without).unserved == plan.unserved
