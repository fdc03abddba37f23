"""Why neither the bus nor any converter or inverter feeds a box: the rule, its value and its limit."""

from collections.abc import Sequence

from planner.demand.bus import Bus, BusLoad, on_bus
from planner.demand.feeding import earth_suits, form_suits
from planner.demand.grounding import NONE, accepted
from planner.errors import Refusal
from planner.tables.catalogue import ConverterKind, ConverterRow


def no_feed(load: BusLoad, bus: Bus) -> Refusal:
    """Why neither the bus nor a converter feeds a box."""
    fitting = [row for row in bus.feeders if form_suits(row, load)]
    earthed = [row for row in fitting if earth_suits(row, load, bus)]
    if earthed:
        return _too_weak(load, earthed)
    if fitting or (not load.alternating and on_bus(load, bus.spans)):
        return Refusal(
            rule="bus-grounding",
            subject=load.sku,
            message=f"ties a pole to earth that a bus with {bus.grounding.value} grounding does not, "
            "and no isolated converter suits",
        )
    return _no_inverter(load, bus) if load.alternating else _window(load, bus)


def _too_weak(load: BusLoad, rows: Sequence[ConverterRow]) -> Refusal:
    """Converters of the right voltage that lack power, or surge."""
    box = "inverter" if load.alternating else "converter"
    best = max(rows, key=lambda row: row.output_max_w or 0.0)
    load = load.fed_at(best.output_v or 0.0)
    if load.max_w > (best.output_max_w or 0.0):
        return Refusal(
            rule=f"{box}-power",
            subject=load.sku,
            value=best.output_max_w,
            limit=load.max_w,
            unit="W",
            message=f"takes up to {load.max_w:.1f} W, {box} {best.sku} gives {best.output_max_w:g} W",
        )
    best = max(rows, key=lambda row: max(row.output_max_w or 0.0, row.surge_w or 0.0))
    surge_w = max(best.output_max_w or 0.0, best.surge_w or 0.0)
    return Refusal(
        rule="inverter-surge",
        subject=load.sku,
        value=surge_w,
        limit=max(load.max_w, load.surge_w),
        unit="W",
        message=f"starts with {max(load.max_w, load.surge_w):.1f} W, inverter {best.sku} gives {surge_w:g} W "
        "for seconds",
    )


def _no_inverter(load: BusLoad, bus: Bus) -> Refusal:
    """No inverter on this bus, or none of the device's voltage and frequency."""
    rows = [row for row in bus.feeders if row.kind is ConverterKind.INVERTER]
    takes = f"{load.input_min_v:g} to {load.input_max_v:g} V" + (f", {load.hz:g} Hz" if load.hz else "")
    if not rows:
        return Refusal(
            rule="no-inverter",
            subject=load.sku,
            message=f"takes {takes} of alternating current; no inverter that the site may have lives "
            f"on a {bus.system_voltage_v} V bus",
        )

    def miss(row: ConverterRow) -> float:
        return max(load.input_min_v - (row.output_v or 0.0), (row.output_v or 0.0) - load.input_max_v, 0.0)

    best = min(rows, key=lambda row: (miss(row), row.sku))
    over = (best.output_v or 0.0) > load.input_max_v
    return Refusal(
        rule="inverter-voltage" if miss(best) else "inverter-frequency",
        subject=load.sku,
        value=best.output_v if miss(best) else best.output_hz,
        limit=(load.input_max_v if over else load.input_min_v) if miss(best) else load.hz,
        unit="V" if miss(best) else "Hz",
        message=f"takes {takes}; inverter {best.sku} gives {best.output_v:g} V, {best.output_hz or 0.0:g} Hz",
    )


def _window(load: BusLoad, bus: Bus) -> Refusal:
    low, charge = max(span.low_v for span in bus.spans), min(span.charge_v for span in bus.spans)
    over = load.input_max_v < charge
    return Refusal(
        rule="bus-window",
        subject=load.sku,
        value=load.input_max_v if over else load.input_min_v,
        limit=charge if over else low,
        unit="V",
        message=f"takes {load.input_min_v:g} to {load.input_max_v:g} V; a {bus.system_voltage_v} V bus falls "
        f"to {low:.1f} V and charges at {charge:.1f} V, and no converter on it suits",
    )


def no_common_bus(loads: Sequence[BusLoad], bus: Bus) -> Refusal:
    """Each box can be fed, but no battery's bus, or no grounding, suits them together."""
    low = max(loads, key=lambda load: load.input_min_v)
    high = min(loads, key=lambda load: load.input_max_v)
    poles = NONE.union(*(load.poles for load in loads))
    if bus.grounding not in accepted(poles):
        return Refusal(
            rule="bus-grounding",
            subject=" with ".join(sorted({load.sku for load in loads if load.poles})),
            message=f"tie poles to earth that do not go with a bus of {bus.grounding.value} grounding",
        )
    return Refusal(
        rule="bus-window",
        subject=f"{low.sku} with {high.sku}",
        message=f"{low.sku} asks for {low.input_min_v:g} V and more, {high.sku} for {high.input_max_v:g} V "
        f"and less: no {bus.system_voltage_v} V battery keeps both",
    )
