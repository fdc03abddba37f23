"""Rules of the bus: feeds, converters, window, setpoint, grounding, load disconnect, temperatures."""

from collections.abc import Iterator

from planner.referee import store
from planner.referee.case import SiteCase
from planner.referee.check import Check, agrees, at_least, at_most, holds
from planner.referee.kit import unfit
from planner.referee.ports import bus_low_v
from planner.tables.catalogue import CommonTerminal, ControllerKind, ConverterKind, ConverterRow
from planner.tables.rows import BusGrounding, Supply
from planner.units import TEMP_STC_C

LOAD_TERMINALS, OWN_BOX = "controller's load terminals", "its own box"
VOLTS_WITHIN = 0.0055  # the plan rounds to 0.01 V
EPS_V = 1e-6


def system_voltage(case: SiteCase) -> Iterator[Check]:
    """The bus is the site's own or one of the policy's; blocks in series make it; the controller takes it."""
    volts, own = case.design.system_voltage_v, case.site.system_voltage_v
    allowed = (own,) if own is not None else case.settings.policy.system_voltages_v
    yield holds("system-voltage", case.id, f"{volts} V", volts in allowed, f"is none of {allowed}")
    row = case.controller
    yield at_least("controller-voltage", case.id, row.sku, volts, row.system_voltage_min_v, "V")
    yield at_most("controller-voltage", case.id, row.sku, volts, row.system_voltage_max_v, "V")


def feeds(case: SiteCase) -> Iterator[Check]:
    """What stands behind a converter gets its voltage, frequency and power; DC devices as their port says."""
    for sku, boxes in case.kit.fed.items():
        row = case.parts.part(sku, ConverterRow)
        wrong = list(unfit(row, boxes))
        yield holds("converter-output", case.id, sku, not wrong, f"does not suit {', '.join(wrong)}")
    for sku, shared in case.kit.shared.items():
        row = case.parts.part(sku, ConverterRow)
        boxes = case.kit.fed.get(sku, ())
        room = (row.output_max_w or 0.0) * case.rows.bill[sku]
        yield at_most("converter-power", case.id, sku, sum(box.max_w for box in boxes), room, "W")
        yield holds(
            "converter-share",
            case.id,
            sku,
            shared is not None and all(shared),
            "units do not carry what hangs on them, or stand idle",
        )
    behind = {box.name: sku for sku, boxes in case.kit.fed.items() for box in boxes}
    for tap in case.taps:
        if tap.device.supply in (Supply.DC, Supply.AC):
            own = behind.get(tap.device.device, "")
            yield holds(
                "device-feed",
                case.id,
                f"{tap.device.device} #{tap.row.instance}",
                tap.row.via_sku == own,
                f"stands behind {own or 'nothing'}",
            )
    kept = any(b.alternating for b in case.kit.boxes)
    yield holds("device-feed", case.id, "the bus", not kept, "an AC device stands on it")


def top_v(case: SiteCase, block_v: float) -> float:
    """Highest bus at a setpoint of a block: raised by the cold, capped by the controller."""
    follows = case.battery.temp_compensation_v_per_k if case.controller.temp_compensated else 0.0
    raised = block_v + follows * min(case.coldest_c - TEMP_STC_C, 0.0)
    return min(case.design.batteries_series * raised, case.controller.charge_max_v)


def setpoint(case: SiteCase) -> Iterator[Check]:
    """The setpoint is in the maker's range; at both extremes, where the controller ignores temperature."""
    row, series, slope = case.battery, case.design.batteries_series, case.battery.temp_compensation_v_per_k
    low, high = row.charge_min_v, row.charge_max_v
    if not case.controller.temp_compensated:
        low += slope * min(case.coldest_c - TEMP_STC_C, 0.0)
        high += slope * max(case.hottest_c - TEMP_STC_C, 0.0)
    stated = case.design.charge_setpoint_v
    yield at_least("setpoint-low", case.id, row.sku, stated, low * series, "V", slack=VOLTS_WITHIN)
    yield at_most("setpoint-high", case.id, row.sku, stated, high * series, "V", slack=VOLTS_WITHIN)
    yield at_most(
        "setpoint-made",
        case.id,
        case.controller.sku,
        stated,
        case.controller.charge_max_v,
        "V",
        slack=VOLTS_WITHIN,
    )


def equalising(case: SiteCase) -> Iterator[Check]:
    """A battery is equalised where maker, controller and boxes allow it; always, if required."""
    row, series, own = case.battery, case.design.batteries_series, None
    if row.equalise_v is not None and row.equalise_v * series <= case.controller.charge_max_v:
        own = row.equalise_v if top_v(case, row.equalise_v) <= case.kit.high_v else None
    stated = None if own is None else own * series
    yield agrees("equalise", case.id, row.sku, case.design.equalise_v, stated, "V", within=VOLTS_WITHIN)
    if case.settings.battery.equalise_required and row.equalise_v is not None:
        yield holds("equalise-required", case.id, row.sku, own is not None, "cannot be equalised here")


def bus_window(case: SiteCase) -> Iterator[Check]:
    """Every box takes the bus from the load disconnect, less cable drop, to the charged cold battery."""
    low, high = bus_low_v(case), top_v(case, case.setpoint_v)
    if case.design.equalise_v is not None:
        high = max(high, top_v(case, case.design.equalise_v / case.design.batteries_series))
    for box in case.kit.boxes:
        yield at_least("bus-window-low", case.id, box.name, low, box.low_v, "V", slack=EPS_V)
        yield at_most("bus-window-high", case.id, box.name, high, box.high_v, "V", slack=VOLTS_WITHIN)
    figures = (
        ("bus_low_v", low),
        (
            "bus_high_v",
            top_v(
                case, (case.design.equalise_v or case.design.charge_setpoint_v) / case.design.batteries_series
            ),
        ),
        ("kit_input_min_v", case.kit.low_v),
        ("kit_input_max_v", case.kit.high_v),
    )
    for name, own in figures:
        yield agrees(
            "bus-figure", case.id, name, getattr(case.design, name), own, "V", within=2 * VOLTS_WITHIN
        )


def lowest_bus(case: SiteCase) -> Iterator[Check]:
    """Currents and losses are taken at the lowest bus of some battery, no higher than the site's own."""
    stated, drop = case.design.bus_lowest_v, 1.0 - case.settings.demand.bus_cable_drop
    yield at_most("lowest-bus", case.id, case.battery.sku, stated, bus_low_v(case), "V", slack=VOLTS_WITHIN)
    known = [
        store.class_v(row) > 0
        and abs(case.design.system_voltage_v / store.class_v(row) * row.disconnect_v * drop - stated) < 1e-4
        for row in case.parts.batteries
    ]
    yield holds("lowest-bus", case.id, f"{stated:g} V", any(known), "is the bus of no battery")


def grounding(case: SiteCase) -> Iterator[Check]:
    """No box or controller ties another pole to earth than the site; on a floating bus, all one."""
    earthed, poles = case.site.bus_grounding, case.kit.poles
    free = earthed is BusGrounding.FLOATING
    ok = len(poles) < 2 and (free or poles <= {earthed.value})
    yield holds("bus-grounding", case.id, "boxes", ok, f"tie {' and '.join(sorted(poles))} to earth")
    wrong = {BusGrounding.NEGATIVE: CommonTerminal.POSITIVE, BusGrounding.POSITIVE: CommonTerminal.NEGATIVE}
    clash = case.controller.common_terminal is wrong.get(earthed)
    yield holds(
        "controller-grounding",
        case.id,
        case.controller.sku,
        not clash,
        "joins through the pole that is not earthed",
    )
    same = case.design.bus_grounding == earthed.value
    yield holds("bus-grounding", case.id, "as stated", same, f"is {earthed.value}")


def load_disconnect(case: SiteCase) -> Iterator[Check]:
    """One box, or one controller's load terminals, disconnects the load and carries its greatest current."""
    kinds = ConverterKind.LOAD_DISCONNECT
    boxes = sum(
        n for sku, n in case.rows.bill.items()
        if isinstance(row := case.parts.by_sku[sku], ConverterRow) and row.kind is kinds
    )  # fmt: skip
    figures = (("load_current_max_a", case.load_a), ("load_current_surge_a", case.surge_a))
    for name, own in figures:
        yield agrees("load-current", case.id, name, getattr(case.design, name), own, "A", within=VOLTS_WITHIN)
    box, row = case.kit.disconnect, case.controller
    sku, most = (row.sku, row.load_terminal_max_a) if box is None else (box.sku, box.current_max_a)
    seconds = row.load_terminal_surge_a if box is None else box.surge_a
    yield at_most("disconnect-current", case.id, sku, case.load_a, most or 0.0, "A")
    if seconds is not None:
        yield at_most("disconnect-inrush", case.id, sku, case.surge_a, seconds, "A")
    if box is None:
        yield at_most("load-terminals", case.id, sku, case.design.controllers, 1, "controllers")
    named = {LOAD_TERMINALS: 0, OWN_BOX: 1}.get(case.design.load_disconnect, -1)
    yield agrees("disconnect-box", case.id, case.design.load_disconnect, boxes, named, "boxes")


def controllers(case: SiteCase) -> Iterator[Check]:
    """Controllers stand the enclosure's temperatures and their number."""
    row = case.controller
    yield at_most(
        "controllers-max",
        case.id,
        row.sku,
        case.design.controllers,
        case.settings.policy.controllers_max,
        "controllers",
    )
    yield at_least("controller-cold", case.id, row.sku, case.coldest_c, row.temp_min_c, "C")
    yield at_most("controller-heat", case.id, row.sku, case.hottest_c, row.temp_max_c, "C")
    if row.kind is ControllerKind.PWM:
        limit = row.output_max_a
        bright = case.settings.array.irradiance_factor_isc * case.module.i_sc_a * max(case.strings_each)
        yield at_most("controller-output", case.id, row.sku, bright, limit, "A")


def boxes_temperatures(case: SiteCase) -> Iterator[Check]:
    """Every box stands the cold and the heat inside the enclosure."""
    for box in case.kit.boxes:
        yield at_least("box-cold", case.id, box.name, case.coldest_c, box.temp_min_c, "C")
        yield at_most("box-heat", case.id, box.name, case.hottest_c, box.temp_max_c, "C")


BUS_RULES = (
    system_voltage,
    feeds,
    setpoint,
    equalising,
    bus_window,
    lowest_bus,
    grounding,
    load_disconnect,
    controllers,
    boxes_temperatures,
)
