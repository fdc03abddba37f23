"""The plan from the designs chosen: money counted again from whole units, tables, manifest."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from planner.designs import design_balance
from planner.fleet import FleetSolution
from planner.money import to_money
from planner.outputs.manifest import manifest
from planner.outputs.problems import problem_rows
from planner.outputs.records import Fleet, SiteDesign
from planner.outputs.reliability_rows import reliability_rows
from planner.outputs.site_rows import site_design_rows
from planner.outputs.tables import bill_rows, energy_rows, port_rows, procurement_rows
from planner.outputs.upkeep import replacement_cost
from planner.phases import Schedule, schedule
from planner.plan import Plan
from planner.procurement import (
    OrderLine,
    SiteCost,
    SiteLine,
    SiteUse,
    onboarding_cost,
    order_lines,
    site_lines,
)
from planner.reliability import Proof
from planner.tables.plan_rows import PLAN_TABLES, PlanRow, by_column


def make_plan(
    fleet: Fleet,
    designs: Sequence[SiteDesign],
    solution: FleetSolution | None,
    timings: Mapping[str, float],
    *,
    served_most: int,
    proofs: Sequence[Proof] = (),
) -> Plan:
    """All tables and the manifest; money is counted again from whole units."""
    bill = costed(fleet, designs)
    total, replaced, costs = bill.total, bill.replaced, bill.costs
    balances = [
        design_balance(d.inputs, d.choice, catalogue=fleet.catalogue, settings=fleet.scenario.settings)
        for d in designs
    ]
    built = build_schedule(fleet, designs, costs, total)
    rows: dict[str, Sequence[PlanRow]] = {
        "site_designs": site_design_rows(fleet, designs, balances, costs, replaced, built.phase),
        "bill_of_materials": bill_rows(bill.lines),
        "procurement": procurement_rows(bill.orders, fleet.scenario.settings.currency),
        "energy_balance": energy_rows(fleet, designs, balances),
        "port_assignments": port_rows(fleet, designs),
        "reliability": reliability_rows(fleet, designs, proofs),
        "problems": problem_rows(fleet, designs, balances, proofs),
    }
    return Plan(
        scenario=fleet.scenario,
        manifest=manifest(
            fleet,
            solution,
            sites_planned=len(designs),
            served_most=served_most,
            amounts=bill.amounts,
            total=total,
            replaced=sum(replaced, Decimal(0)),
            spending=built.spending,
            proofs=proofs,
        ),
        tables={name: by_column(model, rows[name]) for name, model in PLAN_TABLES.items()},
        unserved=dict(fleet.refusals),
        total_cost=total,
        category_costs=bill.amounts,
        timings=timings,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Costed:
    """What designs cost together: order lines, site lines, and costs by site (D,) and by category."""

    orders: Sequence[OrderLine]
    lines: Sequence[SiteLine]
    costs: Sequence[SiteCost]
    replaced: Sequence[Decimal]
    amounts: Mapping[str, Decimal]

    @property
    def total(self) -> Decimal:
        """All that is spent at once."""
        return sum(self.amounts.values(), Decimal(0))


def costed(fleet: Fleet, designs: Sequence[SiteDesign]) -> Costed:
    """Order what designs take from whole units, and share it out between their sites."""
    sites, need = fleet.scenario.tables.sites, Counter[str]()
    for design in designs:
        need.update(design.bought)
    orders = order_lines(need, fleet.market)
    uses = [SiteUse(site_id=sites[d.site].site_id, units=d.units(fleet), bought=d.bought) for d in designs]
    lines = site_lines(uses, orders, fleet.market)
    equipment = equipment_costs(lines)
    costs = [site_cost(fleet, design, equipment[sites[design.site].site_id]) for design in designs]
    return Costed(
        orders=orders,
        lines=lines,
        costs=costs,
        replaced=[replacement_cost(fleet, design, fleet.scenario.settings) for design in designs],
        amounts=category_costs(orders, costs, onboarding_cost(need, fleet.market)),
    )


def objective_of(fleet: Fleet, designs: Sequence[SiteDesign]) -> Decimal:
    """What is least of some designs: their cost, with the batteries replaced later where that is asked."""
    bill, lifetime = costed(fleet, designs), fleet.scenario.settings.objective == "lifetime"
    return bill.total + (sum(bill.replaced, Decimal(0)) if lifetime else 0)


def build_schedule(
    fleet: Fleet, designs: Sequence[SiteDesign], costs: Sequence[SiteCost], total: Decimal
) -> Schedule:
    """Phase of each site; what no site bears is common."""
    sites = fleet.scenario.tables.sites
    by_site = {sites[d.site].site_id: cost.site_cost for d, cost in zip(designs, costs, strict=True)}
    common = total - sum(by_site.values(), Decimal(0))
    return schedule(sites, by_site, fleet.scenario.tables.phases, common=common)


def equipment_costs(lines: Sequence[SiteLine]) -> dict[str, Decimal]:
    """Each site's share of the order lines."""
    costs: dict[str, Decimal] = {}
    for line in lines:
        costs[line.site_id] = costs.get(line.site_id, Decimal(0)) + line.line_cost
    return costs


def site_cost(fleet: Fleet, design: SiteDesign, equipment_cost: Decimal) -> SiteCost:
    """What a site costs, itemised."""
    site, currency = fleet.scenario.tables.sites[design.site], fleet.scenario.settings.currency
    settings, market = fleet.scenario.settings, fleet.market
    weight, labour = Decimal(0), Decimal(str(settings.policy.installation_cost))
    for sku, number in design.bought.items():
        weight += number * Decimal(str(market.freight_kg[market.index[sku]]))
        labour += number * Decimal(str(market.install_cost[market.index[sku]]))
    return SiteCost(
        equipment_cost=equipment_cost,
        freight_cost=to_money(weight * site.freight_per_kg, currency),
        access_cost=to_money(site.access_cost, currency),
        installation_cost=to_money(labour, currency),
    )


def category_costs(
    orders: Sequence[OrderLine], costs: Sequence[SiteCost], onboarding: Decimal
) -> dict[str, Decimal]:
    """Total by category of goods, then freight, access, labour, and taking SKUs on; they make the plan's."""
    amounts: dict[str, Decimal] = {}
    for order in orders:
        amounts[order.category] = amounts.get(order.category, Decimal(0)) + order.line_cost
    for name in ("freight_cost", "access_cost", "installation_cost"):
        amounts[name.removesuffix("_cost")] = sum((getattr(cost, name) for cost in costs), Decimal(0))
    return amounts | ({"onboarding": onboarding} if onboarding else {})
