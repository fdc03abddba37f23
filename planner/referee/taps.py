"""Where each device takes its power, and what it takes there."""

from dataclasses import dataclass, replace
from math import inf

from planner.referee.parts import FaultError, Parts, Socket
from planner.referee.power import (
    GRADES,
    PASSIVE_HIGH,
    PASSIVE_LOW,
    at_port_w,
    at_source_w,
    least_source_v,
    loop_ohm,
    served_class,
)
from planner.settings import Settings
from planner.tables.catalogue import ConverterKind, ConverterRow, PseKind, SwitchRow
from planner.tables.plan_rows import PortRow
from planner.tables.rows import Allocation, DeviceRow, Supply

INJECTED = " + injector"  # after the name of the port that carries the data


@dataclass(frozen=True, slots=True, kw_only=True)
class Tap:
    """A device with what powers it.

    Attributes
    ----------
    switch, socket : SwitchRow, Socket or None
        What its cable is plugged into; of a device behind an injector, the port of its data.
    via : ConverterRow or None
        Injector, adapter, converter or inverter between.
    poe_class : int
        Class that the port, or the injector, serves; -1 for none.
    mean_w, standing_w, most_w : float
        At the port, the injector or the feed: mean while on, around the clock on top, greatest, W.
    allocated_w : float
        Share of the switch's budget, W.
    """

    row: PortRow
    device: DeviceRow
    switch: SwitchRow | None
    socket: Socket | None
    via: ConverterRow | None
    poe_class: int
    mean_w: float
    standing_w: float
    most_w: float
    allocated_w: float

    @property
    def on_port(self) -> bool:
        """Whether a switch's port powers it."""
        return self.switch is not None and not self.injected

    @property
    def injected(self) -> bool:
        """Whether an injector powers it."""
        return self.via is not None and self.via.kind is ConverterKind.POE_INJECTOR

    @property
    def adapted(self) -> bool:
        """Whether an adapter stands before it."""
        return self.via is not None and self.via.kind is ConverterKind.POE_ADAPTER


def make_tap(row: PortRow, parts: Parts, settings: Settings, lowest_v: float) -> Tap:
    """The tap of a row of `port_assignments` whose role is power; `lowest_v` is the lowest bus.

    Raises
    ------
    FaultError
        The row names what is not there, or a way that no device is powered.
    """
    device = parts.device(row.device)
    via = parts.part(row.via_sku, ConverterRow) if row.via_sku else None
    switch = parts.part(row.switch_sku, SwitchRow) if row.switch_sku else None
    port = row.port.removesuffix(INJECTED)
    socket = parts.socket(row.switch_sku, port) if switch else None
    cable_m, ohm = row.cable_m or 0.0, settings.demand.poe_loop_ohm_per_100m
    bare = Tap(
        row=row, device=device, switch=switch, socket=socket, via=via, poe_class=-1,
        mean_w=device.average_w, standing_w=0.0, most_w=device.max_w, allocated_w=0.0,
    )  # fmt: skip
    kind = via.kind if via else None
    if device.supply is Supply.POE and kind in (None, ConverterKind.POE_INJECTOR) and (switch or via):
        return _of_poe(bare, cable_m, ohm)
    if device.supply is Supply.PASSIVE_POE and switch and kind is None:
        return _of_passive(bare, cable_m)
    if device.supply is Supply.PASSIVE_POE and switch and kind is ConverterKind.POE_ADAPTER:
        return _of_adapted(bare, cable_m, settings)
    fed = {Supply.DC: (None, ConverterKind.DC_DC), Supply.AC: (ConverterKind.INVERTER,)}.get(
        device.supply, ()
    )
    if not switch and kind in fed and row.port == (kind.value if kind else "bus"):
        return bare if device.supply is Supply.AC else _of_dc(bare, cable_m, settings, lowest_v)
    raise FaultError(
        f"{device.device!r} ({device.supply.value}) is not powered by {row.port!r} via {row.via_sku!r}"
    )


def _of_dc(tap: Tap, cable_m: float, settings: Settings, lowest_v: float) -> Tap:
    """What the cable takes at the converter's output, or at the lowest bus that the device can be on."""
    loop, window = dc_loop_ohm(cable_m, settings), dc_low_v(tap.device, cable_m, settings)
    volts = (tap.via.output_v or 0.0) if tap.via else max(window, lowest_v)
    mean = at_source_w(tap.device.average_w, volts, loop)
    return replace(tap, mean_w=mean, most_w=at_source_w(tap.device.max_w, volts, loop))


def dc_loop_ohm(cable_m: float, settings: Settings) -> float:
    """Loop of a DC cable, out and back: `2 rho L / A`."""
    return 2.0 * settings.demand.copper_ohm_mm2_per_m * cable_m / settings.demand.dc_conductor_mm2


def dc_low_v(device: DeviceRow, cable_m: float, settings: Settings) -> float:
    """Lowest voltage at the source of a DC device's cable that leaves it its own."""
    loop, least = dc_loop_ohm(cable_m, settings), device.input_min_v or 0.0
    return least_source_v(device.max_w, least, loop) if loop else least


def _of_poe(tap: Tap, cable_m: float, ohm: float) -> Tap:
    device, grade = tap.device, served_class(tap.device.poe_class)
    if grade not in GRADES:
        raise FaultError(f"{device.device!r} has no PoE class")
    most = at_port_w(device.max_w, grade, cable_m, ohm)
    measured = device.power_allocation is Allocation.MEASURED and bool(
        tap.switch and tap.switch.measured_allocation
    )
    share = 0.0 if tap.via else most if measured else GRADES[grade].pse_w
    mean = at_port_w(device.average_w, grade, cable_m, ohm)
    return replace(tap, poe_class=grade, mean_w=mean, standing_w=0.0, most_w=most, allocated_w=share)


def _of_passive(tap: Tap, cable_m: float) -> Tap:
    """A boosted port keeps its voltage; one that passes its input on is taken at the lowest it may have."""
    device, loop = tap.device, loop_ohm(cable_m)
    volts = device.passive_v or 0.0
    if tap.switch is not None and tap.switch.pse_kind is PseKind.PASSTHROUGH:
        volts = passive_window(device, cable_m)[0]
    most = at_source_w(device.max_w, volts, loop)
    mean = at_source_w(device.average_w, volts, loop)
    return replace(tap, poe_class=-1, mean_w=mean, standing_w=0.0, most_w=most, allocated_w=most)


def _of_adapted(tap: Tap, cable_m: float, settings: Settings) -> Tap:
    """The adapter's own draw stands; the patch lies behind it, the rest of the cable before it."""
    device, row = tap.device, tap.via
    grade = served_class(row.poe_class if row else None)
    if row is None or grade not in GRADES or not row.output_v:
        raise FaultError(f"adapter {tap.row.via_sku!r} states no class or no output")
    patch_m = min(cable_m, settings.demand.adapter_patch_m)
    loop, before_m = loop_ohm(patch_m), cable_m - patch_m

    def port_w(watts: float) -> float:
        at_adapter = row.own_draw_w + watts / row.efficiency
        return at_port_w(at_adapter, grade, before_m, settings.demand.poe_loop_ohm_per_100m)

    standing = port_w(0.0)
    return replace(
        tap,
        poe_class=grade,
        mean_w=port_w(at_source_w(device.average_w, row.output_v, loop)) - standing,
        standing_w=standing,
        most_w=port_w(at_source_w(device.max_w, row.output_v, loop)),
        allocated_w=GRADES[grade].pse_w,
    )


def passive_window(device: DeviceRow, cable_m: float) -> tuple[float, float]:
    """Voltages that a port which passes its input on must keep for a passive device."""
    nominal = device.passive_v or 0.0
    low = least_source_v(device.max_w, device.input_min_v or 0.0, loop_ohm(cable_m))
    return max(PASSIVE_LOW * nominal, low), device.input_max_v or PASSIVE_HIGH * nominal


def patch_window(device: DeviceRow, source_v: float, cable_m: float) -> tuple[float, float]:
    """Lowest and highest source voltage for a passive device on a source that keeps its voltage."""
    low = least_source_v(device.max_w, device.input_min_v, loop_ohm(cable_m)) if device.input_min_v else 0.0
    return low, device.input_max_v or inf
