"""Checks of single parts and devices: fields that need each other, and numbers that contradict each other."""

from collections.abc import Iterator
from typing import Any

from planner.errors import Problem
from planner.tables.catalogue import BalanceKind, Chemistry, ConverterKind, PortKind, PseKind
from planner.tables.checks import Check, Context
from planner.tables.read import ReadTable
from planner.tables.rows import Supply

#: Power at the powered device by class, W (IEEE 802.3-2022, clauses 33 and 145).
PD_POWER_W = {0: 12.95, 1: 3.84, 2: 6.49, 3: 12.95, 4: 25.5, 5: 40.0, 6: 51.0, 7: 62.0, 8: 71.3}

# Plausible ranges, common practice without source: outside them a warning asks for a second look.
DEVICE_W = (0.05, 500.0)  # a network device's mean power; less looks like kW typed for W
POWER_MISMATCH_MAX = 0.05  # v_mp * i_mp against nameplate
MODULE_W_PER_M2 = (60.0, 260.0)  # amorphous silicon to the best cells on sale
LEAD_ACID_WH_PER_KG = (15.0, 60.0)
LFP_WH_PER_KG = (50.0, 220.0)
LEAD_ACID_CELL_V = 2.0
LFP_CELL_V = 3.2
CELL_V_TOLERANCE = 0.03
LEAD_ACID_CHARGE_V_PER_CELL = (2.25, 2.50)  # absorption at 25 C
LFP_CHARGE_V_PER_CELL = (3.35, 3.65)
LFP_CHARGE_C = (-5.0, 20.0)  # lowest for charging; colder, lithium plates the anode (from memory)
MODULE_PRESSURE_PA = (500.0, 10000.0)  # IEC 61215 tests with 2400 Pa; less looks like kPa

_NEEDED_BY_SUPPLY = {
    Supply.POE: ("poe_class",),
    Supply.PASSIVE_POE: ("passive_v",),
    Supply.DC: ("input_min_v", "input_max_v"),
    Supply.AC: ("input_min_v", "input_max_v"),
}
_NEEDED_BY_CONVERTER = {
    ConverterKind.DC_DC: ("output_v", "output_max_w"),
    ConverterKind.POE_INJECTOR: ("poe_class",),
    ConverterKind.LOAD_DISCONNECT: ("current_max_a",),
    ConverterKind.INVERTER: ("output_v", "output_hz", "output_max_w"),
    ConverterKind.POE_ADAPTER: ("poe_class", "output_v", "output_max_w"),
    ConverterKind.SFP_MODULE: (),
}
_NEEDED_BY_BALANCE = {BalanceKind.MOUNT: ("module_area_max_m2",), BalanceKind.ENCLOSURE: ("volume_max_l",)}
_NEEDED_BY_PORT: dict[PortKind, tuple[str, ...]] = {
    PortKind.POE: ("poe_class",),
    PortKind.PASSIVE_POE: ("passive_v",),
    PortKind.DATA: (),
    PortKind.SFP: (),
}


def needed(table: ReadTable, at: int, names: tuple[str, ...], because: str) -> Iterator[Problem]:
    """Fields that a row of this kind must state."""
    for name in names:
        if getattr(table.rows[at], name) is None:
            yield table.problem(
                at,
                code="missing-value",
                column=name,
                message=f"must be stated {because}",
                rule="required here",
                remedy=f"write {name}, or correct the kind of the row",
            )


def ascending(
    table: ReadTable, at: int, low: str, high: str, *, strict: bool = False, warning: bool = False
) -> Iterator[Problem]:
    """Two fields of which the first may not exceed the second."""
    a, b = getattr(table.rows[at], low), getattr(table.rows[at], high)
    if a is None or b is None or a < b or (a == b and not strict):
        return
    relation = "under" if strict else "at most"
    report = table.warning if warning else table.problem
    yield report(
        at,
        code="contradiction",
        column=low,
        value=a,
        message=f"must be {relation} {high}, {b:g}",
        rule=f"{low} {'<' if strict else '<='} {high}",
        remedy=f"correct {low} or {high}; they may be swapped",
    )


def plausible(
    table: ReadTable, at: int, *, column: str, value: float, span: tuple[float, float], what: str, remedy: str
) -> Iterator[Problem]:
    """A warning where a derived figure is outside what is made."""
    if not span[0] <= value <= span[1]:
        yield table.warning(
            at,
            code="implausible",
            column=column,
            value=getattr(table.rows[at], column),
            rule=f"{span[0]:g} to {span[1]:g}",
            message=f"{what} is {value:.3g}",
            remedy=remedy,
        )


def devices(context: Context) -> Iterator[Problem]:
    """Fields by kind of supply, class against power, slips of unit."""
    table = context.tables["devices"]
    for at, row in enumerate(table.rows):
        yield from needed(table, at, _NEEDED_BY_SUPPLY[row.supply], f"for supply {row.supply}")
        yield from ascending(table, at, "average_w", "max_w")
        yield from ascending(table, at, "input_min_v", "input_max_v")
        if row.supply is Supply.POE and row.poe_class is not None and row.max_w > PD_POWER_W[row.poe_class]:
            yield table.problem(
                at,
                code="class-exceeded",
                column="max_w",
                value=row.max_w,
                rule=f"at most {PD_POWER_W[row.poe_class]:g}",
                message=f"is more than class {row.poe_class} gives a device",
                remedy="write the data sheet's class and its power at the device, not at the port",
            )
        if row.average_w:
            yield from plausible(
                table,
                at,
                column="average_w",
                value=row.average_w,
                span=DEVICE_W,
                what="mean power in W",
                remedy="write watts, not kilowatts or milliwatts",
            )


def modules(context: Context) -> Iterator[Problem]:
    """The power point lies inside the curve and gives the nameplate; power fits the area."""
    table = context.tables["modules"]
    for at, row in enumerate(table.rows):
        yield from ascending(table, at, "v_mp_v", "v_oc_v", strict=True)
        yield from ascending(table, at, "i_mp_a", "i_sc_a", strict=True)
        yield from ascending(table, at, "v_oc_v", "system_voltage_max_v")
        yield from ascending(table, at, "width_m", "length_m", warning=True)
        yield from plausible(
            table,
            at,
            column="nameplate_w",
            value=row.v_mp_v * row.i_mp_a / row.nameplate_w,
            span=(1 - POWER_MISMATCH_MAX, 1 + POWER_MISMATCH_MAX),
            what="v_mp_v x i_mp_a / nameplate_w",
            remedy="compare the three values with the data sheet",
        )
        yield from plausible(
            table,
            at,
            column="nameplate_w",
            value=row.nameplate_w / (row.length_m * row.width_m),
            span=MODULE_W_PER_M2,
            what="power per area in W/m2",
            remedy="write watts and metres",
        )
        if row.pressure_max_pa is not None:
            yield from plausible(
                table,
                at,
                column="pressure_max_pa",
                value=row.pressure_max_pa,
                span=MODULE_PRESSURE_PA,
                what="wind pressure in Pa",
                remedy="write pascals, not kilopascals",
            )


def batteries(context: Context) -> Iterator[Problem]:
    """Voltages in their order, cells against nominal voltage, energy against weight."""
    table = context.tables["batteries"]
    for at, row in enumerate(table.rows):
        yield from ascending(table, at, "charge_min_v", "charge_v")
        yield from ascending(table, at, "charge_v", "charge_max_v")
        yield from ascending(table, at, "nominal_v", "charge_min_v", strict=True)
        yield from ascending(table, at, "disconnect_v", "nominal_v", strict=True)
        yield from ascending(table, at, "charge_v", "equalise_v")
        yield from _cells(table, at, row)
        yield from _heater(table, at, row)
        if (row.cycle_life is None) != (row.cycle_depth is None):
            blank = "cycle_life" if row.cycle_life is None else "cycle_depth"
            yield table.problem(
                at,
                code="missing-value",
                column=blank,
                message="must stand beside the other one: cycles mean little without their depth",
                remedy="write both, as the data sheet gives them, or neither",
            )
        yield from plausible(
            table,
            at,
            column="capacity_ah",
            value=row.capacity_ah * row.nominal_v / row.weight_kg,
            span=LFP_WH_PER_KG if row.chemistry is Chemistry.LFP else LEAD_ACID_WH_PER_KG,
            what="energy per weight in Wh/kg",
            remedy="write ampere-hours of one block, and its weight in kg",
        )


def _cells(table: ReadTable, at: int, row: Any) -> Iterator[Problem]:
    """Nominal voltage is cells x 2 V (lead-acid) or about 3.2 V (LFP); the charge voltage fits them."""
    lfp = row.chemistry is Chemistry.LFP
    expected = row.cells * (LFP_CELL_V if lfp else LEAD_ACID_CELL_V)
    if abs(row.nominal_v - expected) > expected * (CELL_V_TOLERANCE if lfp else 1e-9):
        yield table.problem(
            at,
            code="contradiction",
            column="nominal_v",
            value=row.nominal_v,
            rule=f"{expected:g} V",
            message=f"is not {row.cells} cells of {expected / row.cells:g} V",
            remedy="correct nominal_v or cells",
        )
        return
    yield from plausible(
        table,
        at,
        column="charge_v",
        value=row.charge_v / row.cells,
        span=LFP_CHARGE_V_PER_CELL if lfp else LEAD_ACID_CHARGE_V_PER_CELL,
        what="charge voltage per cell in V",
        remedy="write the absorption voltage of the whole block at 25 C",
    )


def _heater(table: ReadTable, at: int, row: Any) -> Iterator[Problem]:
    """A heater has cold to work in; a lithium battery that charges in frost has a heater."""
    if row.heater_w > 0 and row.charge_temp_min_c <= row.temp_min_c:
        yield table.warning(
            at,
            code="heater-idle",
            column="heater_w",
            value=row.heater_w,
            rule="charge_temp_min_c > temp_min_c",
            message=f"has nothing to do: its cells may be charged at {row.temp_min_c:g} C, the least",
            remedy="write what the cells stand by themselves as charge_temp_min_c",
        )
    if row.chemistry is Chemistry.LFP:
        yield from plausible(
            table,
            at,
            column="charge_temp_min_c",
            value=row.charge_temp_min_c,
            span=LFP_CHARGE_C,
            what="charging temperature of lithium cells in C",
            remedy="write what the cells stand, about 0, and the power of a built-in heater as heater_w",
        )


def controllers(context: Context) -> Iterator[Problem]:
    """System voltages in order, array input above the charging voltage."""
    table = context.tables["controllers"]
    for at in range(len(table.rows)):
        yield from ascending(table, at, "system_voltage_min_v", "system_voltage_max_v")
        yield from ascending(table, at, "charge_max_v", "pv_input_max_v")
        yield from ascending(table, at, "load_terminal_max_a", "load_terminal_surge_a")


def switches(context: Context) -> Iterator[Problem]:
    """Input window, and PoE ports that fit the switch's kind of power sourcing."""
    table, ports = context.tables["switches"], context.tables["switch_ports"]
    with_ports = ports.values("sku")
    poe = {row.sku for row in ports.rows if row.port_kind is PortKind.POE}
    for at, row in enumerate(table.rows):
        yield from ascending(table, at, "input_min_v", "input_max_v", strict=True)
        if ports.known and row.sku not in with_ports:
            yield table.warning(
                at,
                code="no-ports",
                column="sku",
                value=row.sku,
                message="has no ports, so it serves nothing",
                remedy=f"add its ports to {ports.file}",
            )
        if row.sku in poe and row.pse_kind is PseKind.NONE:
            yield table.problem(
                at,
                code="contradiction",
                column="pse_kind",
                value=row.pse_kind,
                rule="regulated | passthrough",
                message="is none, yet the switch has PoE ports",
                remedy="correct pse_kind, or the ports in switch_ports",
            )
        if row.sku in poe and row.pse_kind is not PseKind.NONE and row.poe_budget_w == 0:
            yield table.problem(
                at,
                code="missing-value",
                column="poe_budget_w",
                message="must be stated for a switch with PoE ports",
                remedy="write the PoE power over all ports",
                rule="over 0",
            )


def switch_ports(context: Context) -> Iterator[Problem]:
    """Fields by kind of port."""
    table = context.tables["switch_ports"]
    for at, row in enumerate(table.rows):
        yield from needed(table, at, _NEEDED_BY_PORT[row.port_kind], f"for a {row.port_kind} port")


def converters(context: Context) -> Iterator[Problem]:
    """Input window, and fields by kind of box."""
    table = context.tables["converters"]
    for at, row in enumerate(table.rows):
        yield from ascending(table, at, "input_min_v", "input_max_v", strict=True)
        yield from needed(table, at, _NEEDED_BY_CONVERTER[row.kind], f"for a {row.kind}")


#: Optional limits, and the kind of part that they are asked of.
_BALANCE_LIMITS = {
    "wind_max_m_s": BalanceKind.MOUNT,
    "weight_max_kg": BalanceKind.MOUNT,
    "damping_k": BalanceKind.ENCLOSURE,
}


def balance(context: Context) -> Iterator[Problem]:
    """Fields by kind, tilts in order."""
    table = context.tables["balance"]
    for at, row in enumerate(table.rows):
        yield from needed(table, at, _NEEDED_BY_BALANCE[row.kind], f"for a {row.kind}")
        yield from ascending(table, at, "tilt_min_deg", "tilt_max_deg")
        for name, kind in _BALANCE_LIMITS.items():
            if row.kind is not kind and getattr(row, name) is not None:
                yield table.warning(
                    at,
                    code="not-used",
                    column=name,
                    value=getattr(row, name),
                    rule=f"{kind}s only",
                    message=f"is not asked of a {row.kind}",
                    remedy="leave it blank, or correct the kind of the row",
                )


PART_CHECKS: tuple[Check, ...] = (
    devices,
    modules,
    batteries,
    controllers,
    switches,
    switch_ports,
    converters,
    balance,
)
