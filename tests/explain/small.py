"""Two sites with two batteries to choose from, and every plan of them, priced by plain Decimal arithmetic.

Each site takes `UNITS` of `tests.plan.purchases`: three batteries. Six of the known one reach its tier.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from decimal import Decimal
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np

from planner.explain.bought import fleet_of
from planner.fleet.expand import cheapest_designs, units_needed
from planner.pipeline import plan_folder
from planner.scenario import Scenario, read_scenario
from planner.sizing.site import site_offer
from tests.plan.brute import Shop
from tests.plan.purchases import STORE, price, sites, twin, write_fleet
from tests.support import Rows, table

OTHER = "=B-NEW <i>"  # begins like a formula and holds markup, as makers' numbers may
TIERS = [price(STORE, "250"), price(STORE, "240", min_qty="6"), price(OTHER, "245")]
LABOUR = Decimal(500)
Units = Mapping[str, int]


def write_small(
    folder: Path, *, where: Rows | None = None, prices: Rows | None = None, **content: Any
) -> Path:
    """Write the scenario; `prices` are those of both batteries."""
    tables = twin("batteries", OTHER) | (content.pop("tables", None) or {})
    return write_fleet(folder, where or sites({}, {}), prices=prices or TIERS, tables=tables, **content)


def plan_small(folder: Path, overrides: dict[str, str] | None = None, **content: Any) -> Path:
    """Write the scenario, plan it, and give the plan's folder."""
    scenario = write_small(folder / "scenario", **content)
    plan_folder(scenario, folder / "plan", overrides=overrides)
    return folder / "plan"


def more_load(site: int, watts: float) -> dict[str, Any]:
    """Tables in which one site has a device of its own beside its load, written as a user would."""
    where = sites({}, {})
    where[site]["load_profile"] = "camera-and-more"
    loads = [row for row in table("loads") if row["load_profile"] == "camera"]
    copies = [row | {"load_profile": "camera-and-more"} for row in loads]
    more = {"load_profile": "camera-and-more", "device": "beacon", "quantity": "1", "cable_m": "0"}
    beacon = dict.fromkeys(table("devices")[0], "") | {
        "device": "beacon",
        "supply": "dc",
        "input_min_v": "1",
        "input_max_v": "400",
        "average_w": str(watts),
        "max_w": str(watts),
        "data_ports": "0",
    }
    return {
        "where": where,
        "tables": {"loads": [*loads, *copies, more], "devices": [*table("devices"), beacon]},
    }


class Every:
    """Every design of every site of a small scenario, sized by the planner, and the cost of their plans."""

    def __init__(self, folder: Path, overrides: dict[str, str] | None = None) -> None:
        self.scenario: Scenario = read_scenario(folder, overrides=overrides or {})
        self.shop = Shop(self.scenario)
        fleet = fleet_of(self.scenario)
        self.designs: list[list[dict[str, int]]] = []
        for i in range(len(self.scenario.tables.sites)):
            offer = site_offer(fleet, i, fleet.gear[i])
            pricer, low = fleet.pricer, fleet.market.low_price
            landed = pricer.landed(low, offer)
            priced = [pricer.price(option, landed, offer) for option in offer.options]
            dearest = max(float(p.cost[np.isfinite(p.cost)].max()) for p in priced)
            found, _ = cheapest_designs(pricer, offer, 0, priced, landed, 2 * dearest, 10**6)
            rows = units_needed(pricer, offer, found.column).toarray().round().astype(int)
            named = {tuple(zip(fleet.market.skus, row, strict=True)) for row in rows.tolist()}
            self.designs.append([{sku: n for sku, n in units if n} for units in sorted(named)])

    def cost(self, chosen: Sequence[Units]) -> Decimal:
        """What a plan costs: goods over the fleet, freight, access, labour."""
        need: Counter[str] = Counter()
        total = Decimal(0)
        for site, units in zip(self.scenario.tables.sites, chosen, strict=True):
            need.update(units)
            kg = sum((n * self.shop.weight[sku] for sku, n in units.items()), Decimal(0))
            total += kg * site.freight_per_kg + site.access_cost + LABOUR
        return total + sum((self.shop.cost(sku, n) for sku, n in need.items()), Decimal(0))

    def best(self) -> Decimal:
        """The cheapest plan over all sites' designs."""
        return min(map(self.cost, product(*self.designs)))

    def beside(self, s: int, rest: Sequence[Units]) -> list[tuple[Decimal, dict[str, int]]]:
        """What each design of a site makes of the whole plan beside the others', the cheapest first."""
        costs = [(self.cost([*rest[:s], one, *rest[s + 1 :]]), one) for one in self.designs[s]]
        return sorted(costs, key=lambda pair: (pair[0], sorted(pair[1].items())))
