"""Supplies to weigh at each site: today's, the plan's, and today's with one box replaced."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from planner.money import to_money
from planner.plan import Plan
from planner.savings.tree import Boxes, boxes_of, bus_w, with_other, without
from planner.scenario import Scenario
from planner.tables.catalogue import ConverterRow, SwitchRow
from planner.tables.existing import TodayKind, TodayRow
from planner.units import HOURS_PER_DAY

TODAY, WHOLE = "", "whole supply"
#: Boxes whose successor takes direct current from the bus; the others stay where they plug in.
TO_BUS = (TodayKind.SWITCH, TodayKind.INVERTER, TodayKind.CONVERTER)


@dataclass(frozen=True, slots=True, kw_only=True)
class Variant:
    """A supply of a site: what is replaced in it, by which parts, their cost, and the watts at the bus."""

    site_id: str
    replaced: str
    by: str
    part_cost: Decimal
    bus_w: float


def variants(scenario: Scenario, plan: Plan, unit_price: Mapping[str, Decimal]) -> list[Variant]:
    """Supplies of the sites that the plan serves and whose supply of today is stated, that one first."""
    today: dict[str, list[TodayRow]] = {}
    for row in scenario.tables.supply_today:
        today.setdefault(row.site_id, []).append(row)
    planned = planned_w(scenario, plan)
    units = supply_units(plan)
    found: list[Variant] = []
    for site_id, rows in sorted(today.items()):
        if site_id not in planned:
            continue
        boxes = boxes_of(rows)
        parts = units.get(site_id, Counter[str]())
        found.append(_variant(site_id, TODAY, {}, unit_price, scenario, bus_w(boxes)))
        found.append(_variant(site_id, WHOLE, parts, unit_price, scenario, planned[site_id]))
        found += _single(scenario, site_id, rows, boxes, parts, unit_price)
    return found


def _single(
    scenario: Scenario,
    site_id: str,
    rows: Sequence[TodayRow],
    boxes: Boxes,
    parts: Mapping[str, int],
    unit_price: Mapping[str, Decimal],
) -> Iterator[Variant]:
    """Today's supply with each box replaced: by its `swap_sku`, a switch by the plan's, others by nothing."""
    switches = {row.sku: row for row in scenario.tables.switches}
    for row in rows:
        if row.kind is TodayKind.DEVICE:
            continue
        new = {row.swap_sku: 1} if row.swap_sku else {}
        if not new and row.kind is TodayKind.SWITCH:
            new = {sku: number for sku, number in parts.items() if sku in switches}
        own, efficiency = _figures(scenario, new)
        tree = (
            with_other(boxes, row.box, own_w=own, efficiency=efficiency, on_bus=row.kind in TO_BUS)
            if new
            else without(boxes, row.box)
        )
        yield _variant(site_id, row.box, new, unit_price, scenario, bus_w(tree))


def _figures(scenario: Scenario, units: Mapping[str, int]) -> tuple[float, float]:
    """Own draw of some parts together, and the least efficiency among them."""
    parts: dict[str, SwitchRow | ConverterRow] = {row.sku: row for row in scenario.tables.converters}
    parts |= {row.sku: row for row in scenario.tables.switches}
    chosen = [(parts[sku], number) for sku, number in units.items()]
    own = sum(part.own_draw_w * number for part, number in chosen)
    shares = [part.pse_efficiency if isinstance(part, SwitchRow) else part.efficiency for part, _ in chosen]
    return own, min(shares, default=1.0)


def _variant(
    site_id: str,
    replaced: str,
    parts: Mapping[str, int],
    unit_price: Mapping[str, Decimal],
    scenario: Scenario,
    watts: float,
) -> Variant:
    cost = sum((number * unit_price.get(sku, Decimal(0)) for sku, number in parts.items()), Decimal(0))
    return Variant(
        site_id=site_id,
        replaced=replaced,
        by=" + ".join(f"{number} x {sku}" for sku, number in sorted(parts.items())),
        part_cost=to_money(cost, scenario.settings.currency),
        bus_w=watts,
    )


def supply_units(plan: Plan) -> dict[str, Counter[str]]:
    """Switches and converters that the plan gives each site."""
    bill = plan.tables["bill_of_materials"]
    found: dict[str, Counter[str]] = {}
    for site_id, sku, category, number in zip(
        bill["site_id"], bill["sku"], bill["category"], bill["quantity"], strict=True
    ):
        if category in ("switches", "converters"):
            found.setdefault(site_id, Counter())[sku] += number
    return found


def planned_w(scenario: Scenario, plan: Plan) -> dict[str, float]:
    """Watts of the plan's supply at each site's bus in the month of most; no margin, controller, heater."""
    own = {row.sku: row.own_draw_w for row in scenario.tables.controllers}
    designs, energy = plan.tables["site_designs"], plan.tables["energy_balance"]
    most: dict[str, float] = {}
    for site_id, load, heater in zip(
        energy["site_id"], energy["load_wh_day"], energy["heater_wh_day"], strict=True
    ):
        most[site_id] = max(most.get(site_id, 0.0), (load - heater) / HOURS_PER_DAY)
    margin = 1 + scenario.settings.policy.load_margin
    return {
        site_id: (most[site_id] - own[sku] * number) / margin
        for site_id, sku, number in zip(
            designs["site_id"], designs["controller_sku"], designs["controllers"], strict=True
        )
    }
