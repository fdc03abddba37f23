"""Array, battery and cost that a load of so many watts takes at a site, from a plan of such loads alone.

Each supply to weigh becomes a site of its own, at the same place and under the same rules, with one device
that draws its watts from the bus around the clock. Prices are those that the plan pays for a unit, without
tiers, so that the supplies do not lower each other's prices; stock, budget, spares and parts that stand there
are left out.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from planner.fleet import make_market
from planner.pipeline import plan_fleet
from planner.plan import Plan
from planner.savings.variants import Variant
from planner.scenario import Scenario
from planner.tables.rows import DeviceRow, LoadRow, Supply
from planner.tables.trade_rows import PriceRow

LEAST_W, WIDE_V = 0.001, (1.0, 400.0)  # a load that every bus feeds
PRICE_STEP = Decimal("0.0001")  # prices have four decimals


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerSide:
    """What carries a load at a site; needs are what is bought less what whole units give on top.

    Attributes
    ----------
    array_w, battery_wh : float
        Nameplate of the modules and rated energy of the batteries.
    array_need_w, battery_need_wh : float
        The same scaled to the asked array-to-load ratio and autonomy.
    cost : Decimal
        Equipment, freight and labour of it.
    """

    array_w: float
    battery_wh: float
    array_need_w: float
    battery_need_wh: float
    cost: Decimal


def unit_prices(scenario: Scenario, plan: Plan) -> dict[str, Decimal]:
    """Price of a unit of each SKU for sale: the plan's mean where it orders it, else the least first tier."""
    offers: dict[tuple[str, str], Decimal] = {}
    for offer in make_market(scenario).offers:  # tiers of a supplier in order of quantity
        offers.setdefault((offer.sku, offer.supplier), offer.unit_price)
    prices: dict[str, Decimal] = {}
    for (sku, _), price in offers.items():
        prices[sku] = min(price, prices.get(sku, price))
    lines = plan.tables["procurement"]
    cost: dict[str, Decimal] = {}
    units: dict[str, int] = {}
    for sku, number, amount in zip(lines["sku"], lines["quantity_ordered"], lines["line_cost"], strict=True):
        cost[sku], units[sku] = cost.get(sku, Decimal(0)) + amount, units.get(sku, 0) + number
    return prices | {sku: (cost[sku] / units[sku]).quantize(PRICE_STEP) for sku in cost}


def power_sides(
    scenario: Scenario, loads: Sequence[Variant], prices: Mapping[str, Decimal]
) -> list[PowerSide | str]:
    """What carries each load, or the rule that forbids it, in the order of the loads."""
    if not loads:
        return []
    plan = plan_fleet(_fleet_of(scenario, loads, prices))
    rows = {
        row["site_id"]: row
        for row in (
            dict(zip(plan.tables["site_designs"], cells, strict=True))
            for cells in zip(*plan.tables["site_designs"].values(), strict=True)
        )
    }
    reserves = _reserves(plan)
    sites = {site.site_id: site for site in scenario.tables.sites}
    policy = scenario.settings.policy
    found: list[PowerSide | str] = []
    for i, load in enumerate(loads):
        row, site = rows.get(_name(i)), sites[load.site_id]
        found.append(
            _power_side(
                row,
                reserves[_name(i)],
                ratio=site.array_to_load_ratio or policy.array_to_load_ratio,
                days=site.autonomy_days or policy.autonomy_days,
            )
            if row
            else plan.unserved[_name(i)].rule
        )
    return found


def _reserves(plan: Plan) -> dict[str, float]:
    """Greatest daily net load of each site, heaters at rest: what a day of autonomy is, Wh."""
    energy = plan.tables["energy_balance"]
    most: dict[str, float] = {}
    for site_id, net, heater in zip(
        energy["site_id"], energy["net_load_wh_day"], energy["heater_wh_day"], strict=True
    ):
        most[site_id] = max(most.get(site_id, 0.0), net - heater)
    return most


def _power_side(row: Mapping[str, Any], day_wh: float, *, ratio: float, days: float) -> PowerSide:
    got_ratio = row["array_to_load_ratio"]
    return PowerSide(
        array_w=row["array_w"],
        battery_wh=row["battery_wh"],
        array_need_w=row["array_w"] * ratio / got_ratio if got_ratio else 0.0,
        battery_need_wh=row["battery_wh"] * days * day_wh / row["usable_wh"],
        cost=row["equipment_cost"] + row["freight_cost"] + row["installation_cost"],
    )


def _name(i: int) -> str:
    return f"load-{i:06d}"  # in the order of the loads, as tables are sorted


def _fleet_of(scenario: Scenario, loads: Sequence[Variant], prices: Mapping[str, Decimal]) -> Scenario:
    """A scenario with a site for each load."""
    tables, settings = scenario.tables, scenario.settings
    sites = {site.site_id: site for site in tables.sites}
    copies: dict[str, list[str]] = {}
    for i, load in enumerate(loads):
        copies.setdefault(load.site_id, []).append(_name(i))

    def spread(rows: Sequence[Any]) -> list[Any]:
        """Rows about a site, for each of its loads."""
        return [
            row.model_copy(update={"site_id": name}) for row in rows for name in copies.get(row.site_id, ())
        ]

    return replace(
        scenario,
        settings=settings.model_copy(
            update={
                "policy": settings.policy.model_copy(update={"uplink_ports": 0}),
                "purchase": settings.purchase.model_copy(update={"budget": None, "need_by": None}),
            }
        ),
        tables=replace(
            tables,
            sites=[
                sites[load.site_id].model_copy(update={"site_id": _name(i), "load_profile": _name(i)})
                for i, load in enumerate(loads)
            ],
            **{
                name: spread(getattr(tables, name))
                for name in ("site_months", "site_climate_months", "climate_files", "horizon")
            },
            loads=[
                LoadRow(load_profile=_name(i), device=_name(i), quantity=1, cable_m=0.0)
                for i in range(len(loads))
            ],
            devices=[bus_device(_name(i), max(LEAST_W, load.bus_w)) for i, load in enumerate(loads)],
            prices=[_price(sku, price, settings.currency) for sku, price in sorted(prices.items())],
            **dict.fromkeys(
                ("existing", "supply_today", "stock", "sku_rules", "category_rules", "phases"), ()
            ),
        ),
    )


def bus_device(name: str, watts: float) -> DeviceRow:
    """A device that draws so many watts from any bus around the clock."""
    row = DeviceRow.model_validate(
        {
            "device": name,
            "supply": Supply.DC,
            "input_min_v": WIDE_V[0],
            "input_max_v": WIDE_V[1],
            "average_w": LEAST_W,
            "max_w": LEAST_W,
            "data_ports": 0,
        }
    )
    return row.model_copy(update={"average_w": watts, "max_w": watts})  # a supply may draw more than a device


def _price(sku: str, price: Decimal, currency: str) -> PriceRow:
    return PriceRow.model_validate(
        {"sku": sku, "supplier": "plan", "min_qty": 1, "unit_price": price, "currency": currency}
    )
