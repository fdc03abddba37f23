"""Checks of how devices are powered: what no part for sale feeds, budgets that contradict themselves."""

from collections.abc import Iterator
from typing import Any

from planner.errors import Problem
from planner.tables.catalogue import ConverterKind, PortKind
from planner.tables.checks import Check, Context
from planner.tables.part_checks import PD_POWER_W, ascending, needed
from planner.tables.read import ReadTable
from planner.tables.rows import BusGrounding, Supply

AC_ONLY = ("surge_w", "input_hz")


def served(context: Context) -> Iterator[Problem]:
    """Devices whose kind of supply no part with a price gives, nor one at a site: they find no design."""
    names = ("switches", "switch_ports", "converters", "prices", "existing")
    tables = [context.tables[name] for name in names]
    if not all(table.known for table in tables):
        return
    priced = context.tables["prices"].values("sku") | context.tables["existing"].values("sku")
    boxes = [row for row in context.rows("converters") if row.sku in priced]
    ports = [row for row in context.rows("switch_ports") if row.sku in priced]
    table = context.tables["devices"]
    why = {Supply.AC: _no_ac, Supply.PASSIVE_POE: _no_passive, Supply.POE: _no_poe}
    for at, row in enumerate(table.rows):
        reason = why[row.supply](row, boxes, ports) if row.supply in why else ""
        if reason:
            yield table.warning(
                at,
                code="supply-not-served",
                column="supply",
                value=row.supply,
                message=f"{reason}, so sites that run it have no design",
                remedy="add such a part with its price, or state another way to power the device",
            )


def _no_ac(row: Any, boxes: list[Any], ports: list[Any]) -> str:
    """What the inverters for sale lack."""
    inverters = [box for box in boxes if box.kind is ConverterKind.INVERTER]
    if not inverters:
        return "no inverter for sale feeds an AC device"
    low, high = row.input_min_v or 0.0, row.input_max_v or float("inf")
    volts = [box for box in inverters if box.output_v is not None and low <= box.output_v <= high]
    if not volts:
        return f"no inverter for sale gives {low:g} to {high:g} V"
    hertz = [box for box in volts if row.input_hz in (None, box.output_hz)]
    if not hertz:
        return f"no inverter for sale of its voltage gives {row.input_hz:g} Hz"
    power = max(box.output_max_w or 0.0 for box in hertz)
    if power < row.max_w:
        return f"takes {row.max_w:g} W, the largest inverter for sale of its voltage gives {power:g} W"
    surge = max(max(box.output_max_w or 0.0, box.surge_w or 0.0) for box in hertz)
    if surge < (row.surge_w or 0.0):
        return (
            f"starts with {row.surge_w:g} W, the strongest inverter for sale of its voltage gives {surge:g} W"
        )
    return ""


def _no_passive(row: Any, boxes: list[Any], ports: list[Any]) -> str:
    if any(port.port_kind is PortKind.PASSIVE_POE and port.passive_v == row.passive_v for port in ports):
        return ""
    if any(box.kind is ConverterKind.POE_ADAPTER and box.output_v == row.passive_v for box in boxes):
        return ""
    return f"no switch port and no adapter for sale gives passive {row.passive_v or 0.0:g} V"


def _no_poe(row: Any, boxes: list[Any], ports: list[Any]) -> str:
    if row.poe_class is None:
        return ""  # named as missing
    asked = 3 if row.poe_class == 0 else row.poe_class
    given = [port.poe_class for port in ports if port.port_kind is PortKind.POE]
    given += [box.poe_class for box in boxes if box.kind is ConverterKind.POE_INJECTOR]
    best = max((3 if one == 0 else one for one in given if one is not None), default=-1)
    return "" if best >= asked else f"no switch port and no injector for sale serves class {asked}"


def powered(context: Context) -> Iterator[Problem]:
    """Inrush over the greatest power; AC columns on AC devices alone; one step of alternatives."""
    table = context.tables["devices"]
    stated = {row.device: row.alternative_to for row in table.rows}
    for at, row in enumerate(table.rows):
        yield from ascending(table, at, "max_w", "surge_w")
        for name in AC_ONLY:
            if row.supply is not Supply.AC and getattr(row, name) is not None:
                yield _unused(table, at, name, "counts for an AC device alone")
        if row.alternative_to == row.device or stated.get(row.alternative_to):
            yield table.problem(
                at,
                code="contradiction",
                column="alternative_to",
                value=row.alternative_to,
                rule="a device that is no alternative itself",
                message="is an alternative itself"
                if row.alternative_to != row.device
                else "is the device itself",
                remedy="name the device that the loads name",
            )


def _unused(table: ReadTable, at: int, column: str, message: str) -> Problem:
    return table.warning(
        at,
        code="not-used",
        column=column,
        value=getattr(table.rows[at], column),
        message=message,
        remedy="leave it blank",
    )


def budgets(context: Context) -> Iterator[Problem]:
    """Budgets of switches that fall with voltage or heat: both columns, in order, within the range."""
    table = context.tables["switches"]
    passive = {row.sku for row in context.rows("switch_ports") if row.port_kind is PortKind.PASSIVE_POE}
    poe = {row.sku for row in context.rows("switch_ports") if row.port_kind is PortKind.POE}
    for at, row in enumerate(table.rows):
        for pair in (
            ("poe_budget_low_w", "poe_budget_low_below_v"),
            ("poe_derate_above_c", "poe_derate_w_per_k"),
        ):
            if (getattr(row, pair[0]) is None) != (getattr(row, pair[1]) is None):
                yield from needed(table, at, pair, f"beside {' and '.join(pair)}")
        yield from ascending(table, at, "poe_budget_low_w", "poe_budget_w", strict=True)
        yield from ascending(table, at, "input_min_v", "poe_budget_low_below_v", strict=True)
        yield from ascending(table, at, "poe_budget_low_below_v", "input_max_v", strict=True)
        if row.poe_derate_above_c is not None and row.poe_derate_above_c >= row.temp_max_c:
            yield _unused(table, at, "poe_derate_above_c", "is no lower than temp_max_c, so nothing falls")
        if row.sku in passive - poe and row.poe_budget_w == 0:
            yield table.warning(
                at,
                code="no-budget",
                column="poe_budget_w",
                value=row.poe_budget_w,
                message="is 0, so its passive ports feed nothing",
                remedy="write the power over all passive ports",
            )


def helpers(context: Context) -> Iterator[Problem]:
    """Surge of inverters; what an adapter's class can carry."""
    table = context.tables["converters"]
    for at, row in enumerate(table.rows):
        if row.kind is ConverterKind.INVERTER:
            yield from ascending(table, at, "output_max_w", "surge_w")
        if row.kind is ConverterKind.LOAD_DISCONNECT:
            yield from ascending(table, at, "current_max_a", "surge_a")
        if (
            row.kind is ConverterKind.POE_ADAPTER
            and row.poe_class is not None
            and row.output_max_w is not None
        ):
            most = PD_POWER_W[row.poe_class]
            asked = row.output_max_w / row.efficiency + row.own_draw_w
            if asked > most:
                yield table.warning(
                    at,
                    code="class-exceeded",
                    column="output_max_w",
                    value=row.output_max_w,
                    rule=f"at most {(most - row.own_draw_w) * row.efficiency:.4g}",
                    message=f"takes {asked:.4g} W, class {row.poe_class} gives a device {most:g} W",
                    remedy="write the class it asks for and its power at the output",
                )


def earths(context: Context) -> Iterator[Problem]:
    """On a positive-earthed bus, a device that does not say what its case is tied to may short it."""
    profiles = {
        row.load_profile for row in context.rows("sites") if row.bus_grounding is BusGrounding.POSITIVE
    }
    used = {row.device for row in context.rows("loads") if row.load_profile in profiles}
    table = context.tables["devices"]
    for at, row in enumerate(table.rows):
        silent = row.case_ground is None and row.supply in (Supply.DC, Supply.PASSIVE_POE)
        if silent and (row.device in used or row.alternative_to in used):
            yield table.warning(
                at,
                code="not-stated",
                column="case_ground",
                message="is blank, while a site with a positive-earthed bus runs the device",
                remedy="write negative, positive or floating, as the data sheet says",
            )


SUPPLY_CHECKS: tuple[Check, ...] = (served, powered, budgets, helpers, earths)
