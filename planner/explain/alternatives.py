"""The designs that lost at a site: what each would cost the fleet more, and in what."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from planner.availability import prove
from planner.explain.beside import Rest, added_cost, ranked
from planner.explain.bought import Bought
from planner.fleet.buying import FloatArray, IntArray
from planner.fleet.expand import units_needed
from planner.fleet.needs import Needs
from planner.fleet.pool import Column, Designs
from planner.fleet.pricing import SiteOffer
from planner.money import to_money
from planner.outputs import chosen_design
from planner.procurement import OrderLine, order_lines
from planner.purchase import budget_of
from planner.sizing import site_kits
from planner.tables.explained_rows import ChoiceCostRow, ChoiceReasonRow, SiteChoiceRow

SHOWN = 3  # alternatives
LOOKED, LOOKED_MAX = 2_000, 128_000  # designs looked through for other main parts, and at most


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """A design of a site: its cost to the fleet beside the rest, by category of cost."""

    designs: Designs
    cost: float
    parts: dict[str, float]


def choices(bought: Bought, s: int, offer: SiteOffer, needs: Needs, rest: Rest) -> list[Choice]:
    """The design bought for the s-th site, then the cheapest others.

    First the cheapest that differs in a SKU or a number; then those whose module, battery, controller or
    switches were not shown yet, and where there are none, the next cheapest.
    """
    own = bought.designs.take(np.array([s]))
    found = [own, *_others(bought, s, offer, needs, rest)]
    return [
        Choice(
            designs=one,
            cost=float(added_cost(needs, rest, one)[0]),
            parts=cost_parts(bought, offer, needs, rest, one),
        )
        for one in found
    ]


def _others(bought: Bought, s: int, offer: SiteOffer, needs: Needs, rest: Rest) -> list[Designs]:
    """The cheapest designs other than the one bought."""
    pricer, looked = bought.fleet.pricer, LOOKED
    own = main_parts(bought, s, bought.designs.column.take(np.array([s])), 0)
    same = tuple(bought.needed[s].toarray().ravel().round().astype(int))
    while True:
        best = ranked(pricer, offer, s, needs, rest, looked)
        if best is None:
            return []
        needed = units_needed(pricer, offer, best.designs.column).toarray().round().astype(int)
        places = _distinct(needed, same)
        mains = [main_parts(bought, s, best.designs.column, d) for d in places]
        shown = _pick(places, mains, own)
        if len(shown) >= SHOWN or len(best.cost) < looked or looked >= LOOKED_MAX:
            rest_of_them = [d for d in places if d not in shown]
            shown = sorted([*shown, *rest_of_them[: SHOWN - len(shown)]])
            return [best.designs.take(np.array([d])) for d in shown]
        looked *= 8


def _distinct(needed: IntArray, same: tuple[int, ...]) -> list[int]:
    """Designs of other units than the one bought, each set of units once, the cheapest first."""
    seen, places = {same}, []
    for d, units in enumerate(map(tuple, needed.tolist())):
        if units not in seen:
            seen.add(units)
            places.append(d)
    return places


def _pick(places: Sequence[int], mains: Sequence[tuple[object, ...]], own: tuple[object, ...]) -> list[int]:
    """The cheapest, then those of other main parts."""
    seen, shown = {own}, list[int]()
    for d, main in zip(places, mains, strict=True):
        if not shown or main not in seen:
            seen.add(main)
            shown.append(d)
        if len(shown) == SHOWN:
            break
    return shown


def main_parts(bought: Bought, s: int, column: Column, d: int) -> tuple[object, ...]:
    """Module, battery, controller and switches of the d-th design."""
    fleet, i = bought.fleet, int(bought.served[s])
    kits = site_kits(fleet, i, int(column.system_voltage_v[d]), fleet.gear[i]).kits
    known = {row.sku for row in bought.scenario.tables.switches}
    switches = frozenset(sku for sku, _ in kits[int(column.kit[d])].units if sku in known)
    return int(column.module[d]), int(column.battery[d]), int(column.controller[d]), switches


def cost_parts(
    bought: Bought, offer: SiteOffer, needs: Needs, rest: Rest, one: Designs
) -> dict[str, float]:
    """What a design costs the fleet by category of goods, then freight, labour and upkeep."""
    market = bought.fleet.market
    usage: IntArray = one.usage.toarray().ravel().round().astype(np.int64)
    skus = np.arange(len(usage))
    goods: FloatArray = needs.of(skus, rest.need + usage) - needs.of(skus, rest.need)
    parts: dict[str, float] = {}
    for k in np.flatnonzero(usage):
        parts[market.category[k]] = parts.get(market.category[k], 0.0) + float(goods[k])
    parts["freight"] = float(usage @ market.freight_kg) * offer.freight_per_kg
    parts["installation"] = float(usage @ market.install_cost)
    parts["upkeep"] = float(one.other_cost[0]) - parts["freight"] - parts["installation"] - offer.fixed_cost
    return parts


def choice_rows(
    bought: Bought, s: int, found: Sequence[Choice], rest: Rest
) -> tuple[list[SiteChoiceRow], list[ChoiceReasonRow], list[ChoiceCostRow]]:
    """Rows of the design bought and of those that lost, why each did, and what it costs more."""
    currency = bought.scenario.settings.currency
    rows, reasons, costs = [], list[ChoiceReasonRow](), list[ChoiceCostRow]()
    missed = _missed(bought, int(bought.served[s]), [one.designs for one in found])
    for rank, one in enumerate(found):
        names = sorted(found[0].parts.keys() | one.parts.keys())
        change = {
            name: to_money(round(one.parts.get(name, 0.0) - found[0].parts.get(name, 0.0), 6), currency)
            for name in names
        }
        differs = {name: amount for name, amount in change.items() if amount}
        costs += [
            ChoiceCostRow(rank=rank, category=name, cost_change=amount) for name, amount in differs.items()
        ]
        more = sum(differs.values(), to_money(0.0, currency))
        words = [
            *(_in_words(name, amount, currency) for name, amount in differs.items()),
            *_tiers(bought, rest, found[0].designs, one.designs),
            *_limits(bought, more, rank in missed),
        ]
        rows.append(_row(bought, s, one.designs, rank, more))
        if words:
            reasons.append(ChoiceReasonRow(rank=rank, cost_more=more, why="; ".join(words)))
    return rows, reasons, costs


def _limits(bought: Bought, more: Decimal, missed: bool) -> Iterator[str]:
    """What stands against a design beside its cost."""
    if more and float(bought.plan.manifest["total_cost"]) + float(more) > budget_of(bought.scenario):
        yield "the budget does not reach for it"
    if missed:
        yield "in fresh years it misses the availability asked"


def _missed(bought: Bought, i: int, found: Sequence[Designs]) -> set[int]:
    """Places of the designs that miss an availability asked in years that no curve saw."""
    proofs = prove(bought.fleet, [chosen_design(bought.fleet, one, i, 0) for one in found])
    return {place for place, proof in enumerate(proofs) if proof.missed}


def _in_words(name: str, amount: Decimal, currency: str) -> str:
    return f"{name} {currency} {abs(amount):,} {'more' if amount > 0 else 'less'}"


def _tiers(bought: Bought, rest: Rest, own: Designs, other: Designs) -> Iterator[str]:
    """Price tiers that the fleet reaches or loses with another design."""
    market = bought.fleet.market
    before, after = (rest.need + one.usage.toarray().ravel().round().astype(np.int64) for one in (own, other))
    for k in np.flatnonzero((before != after) & (before > 0) & (after > 0)).tolist():
        old, new = (order_lines({market.skus[k]: int(some[k])}, market) for some in (before, after))
        high, now = (max(lines, key=lambda line: line.min_qty) for lines in (old, new))
        if high.min_qty != now.min_qty:
            word = "lost" if now.min_qty < high.min_qty else "reached"
            which = high if word == "lost" else now
            yield (
                f"the tier from {which.min_qty} units of {market.skus[k]} is {word}: "
                f"{_prices(new)} a unit instead of {_prices(old)}"
            )


def _prices(lines: Sequence[OrderLine]) -> str:
    return " and ".join(f"{price:,}" for price in sorted({line.unit_price for line in lines}))


def _row(bought: Bought, s: int, one: Designs, rank: int, more: Decimal) -> SiteChoiceRow:
    fleet, i, c = bought.fleet, int(bought.served[s]), one.column
    voltage, fittings, skus = int(c.system_voltage_v[0]), fleet.pricer.fittings, fleet.market.skus
    kit = site_kits(fleet, i, voltage, fleet.gear[i]).kits[int(c.kit[0])]
    return SiteChoiceRow(
        rank=rank,
        cost_more=more,
        system_voltage_v=voltage,
        surface_tilt_deg=float(fleet.plane.surface_tilt_deg[i, int(c.tilt[0])]),
        module_sku=fleet.catalogue.module_sku[int(c.module[0])],
        modules=int(c.modules_series[0] * c.modules_parallel[0]),
        controller_sku=fleet.catalogue.controller_sku[int(c.controller[0])],
        controllers=int(c.controllers[0]),
        battery_sku=fleet.catalogue.battery_sku[int(c.battery[0])],
        batteries=int(c.batteries_series[0] * c.batteries_parallel[0]),
        supply_kit=" + ".join(f"{number} x {sku}" for sku, number in kit.units),
        mount_sku=skus[fittings.mount_sku[int(c.mount[0])]],
        mounts=int(c.mounts[0]),
        enclosure_sku=skus[fittings.enclosure_sku[int(c.enclosure[0])]],
        enclosures=int(c.enclosures[0]),
    )
