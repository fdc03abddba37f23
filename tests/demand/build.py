"""Small tables for the demand tests, built from the row models; parts and devices are invented."""

import datetime
from collections.abc import Sequence
from typing import Literal

from planner.demand import KitResult, enumerate_kits
from planner.scenario import Tables
from planner.settings import DemandSettings, Policy, Settings
from planner.tables.catalogue import (
    BatteryRow,
    Chemistry,
    ConverterKind,
    ConverterRow,
    PortKind,
    PseKind,
    SwitchPortRow,
    SwitchRow,
)
from planner.tables.rows import Allocation, BusGrounding, DeviceRow, LoadRow, SiteRow, Supply

COMMON = {"maker": "Invented", "weight_kg": 1.0, "volume_l": 1.0}


def settings(
    *,
    uplink_ports: int = 0,
    switches_max: int = 3,
    loop_ohm: float = 12.5,
    bus_cable_drop: float = 0.03,
    uplink_medium: Literal["any", "copper", "fibre"] = "any",
    adapter_patch_m: float = 1.0,
) -> Settings:
    return Settings(
        plan_date=datetime.date(2026, 11, 25),
        policy=Policy(uplink_ports=uplink_ports, switches_max=switches_max, uplink_medium=uplink_medium),
        demand=DemandSettings(
            poe_loop_ohm_per_100m=loop_ohm, bus_cable_drop=bus_cable_drop, adapter_patch_m=adapter_patch_m
        ),
    )


def switch(
    sku: str = "SW",
    *,
    window: tuple[float, float] = (9, 60),
    own_w: float = 2.0,
    pse: PseKind = PseKind.REGULATED,
    efficiency: float = 0.9,
    budget_w: float = 60.0,
    measured: bool = False,
    **more: object,
) -> SwitchRow:
    return SwitchRow(
        **more,
        sku=sku,
        input_min_v=window[0],
        input_max_v=window[1],
        own_draw_w=own_w,
        pse_kind=pse,
        pse_efficiency=efficiency,
        poe_budget_w=budget_w,
        measured_allocation=measured,
        **COMMON,
    )


def poe_ports(sku: str, quantity: int, poe_class: int) -> SwitchPortRow:
    return SwitchPortRow(sku=sku, port_kind=PortKind.POE, quantity=quantity, poe_class=poe_class)


def passive_ports(sku: str, quantity: int, volts: float, max_w: float | None = None) -> SwitchPortRow:
    return SwitchPortRow(
        sku=sku, port_kind=PortKind.PASSIVE_POE, quantity=quantity, passive_v=volts, port_max_w=max_w
    )


def data_ports(sku: str, quantity: int) -> SwitchPortRow:
    return SwitchPortRow(sku=sku, port_kind=PortKind.DATA, quantity=quantity)


def sfp_ports(sku: str, quantity: int) -> SwitchPortRow:
    return SwitchPortRow(sku=sku, port_kind=PortKind.SFP, quantity=quantity)


def converter(
    sku: str,
    window: tuple[float, float],
    output_v: float,
    output_max_w: float,
    *,
    efficiency: float = 0.9,
    own_w: float = 0.5,
) -> ConverterRow:
    return ConverterRow(
        sku=sku,
        kind=ConverterKind.DC_DC,
        input_min_v=window[0],
        input_max_v=window[1],
        output_v=output_v,
        output_max_w=output_max_w,
        efficiency=efficiency,
        own_draw_w=own_w,
        **COMMON,
    )


def injector(
    sku: str,
    poe_class: int,
    *,
    window: tuple[float, float] = (9, 60),
    efficiency: float = 0.8,
    own_w: float = 0.5,
) -> ConverterRow:
    return ConverterRow(
        sku=sku,
        kind=ConverterKind.POE_INJECTOR,
        input_min_v=window[0],
        input_max_v=window[1],
        poe_class=poe_class,
        efficiency=efficiency,
        own_draw_w=own_w,
        **COMMON,
    )


def disconnect(
    sku: str,
    current_max_a: float,
    *,
    window: tuple[float, float] = (8, 66),
    efficiency: float = 1.0,
    own_w: float = 0.0,
    surge_a: float | None = None,
) -> ConverterRow:
    return ConverterRow(
        sku=sku,
        kind=ConverterKind.LOAD_DISCONNECT,
        input_min_v=window[0],
        input_max_v=window[1],
        current_max_a=current_max_a,
        surge_a=surge_a,
        efficiency=efficiency,
        own_draw_w=own_w,
        **COMMON,
    )


def inverter(
    sku: str,
    window: tuple[float, float],
    output_max_w: float,
    *,
    surge_w: float | None = None,
    output_v: float = 230.0,
    output_hz: float | None = 50.0,
    efficiency: float = 0.9,
    own_w: float = 4.0,
    isolated: bool = True,
) -> ConverterRow:
    return ConverterRow(
        sku=sku,
        kind=ConverterKind.INVERTER,
        input_min_v=window[0],
        input_max_v=window[1],
        output_v=output_v,
        output_hz=output_hz,
        output_max_w=output_max_w,
        surge_w=surge_w,
        efficiency=efficiency,
        own_draw_w=own_w,
        isolated=isolated,
        **COMMON,
    )


def adapter(
    sku: str,
    poe_class: int,
    output_v: float,
    output_max_w: float,
    *,
    efficiency: float = 0.85,
    own_w: float = 0.5,
) -> ConverterRow:
    return ConverterRow(
        sku=sku,
        kind=ConverterKind.POE_ADAPTER,
        input_min_v=37,
        input_max_v=57,
        poe_class=poe_class,
        output_v=output_v,
        output_max_w=output_max_w,
        efficiency=efficiency,
        own_draw_w=own_w,
        **COMMON,
    )


def sfp_module(sku: str = "OPT", own_w: float = 0.7) -> ConverterRow:
    return ConverterRow(
        sku=sku,
        kind=ConverterKind.SFP_MODULE,
        input_min_v=3.1,
        input_max_v=3.5,
        own_draw_w=own_w,
        **COMMON,
    )


def battery(sku: str = "AGM", nominal_v: float = 12.0, disconnect_v: float = 11.6) -> BatteryRow:
    per_12 = nominal_v / 12
    return BatteryRow(
        sku=sku,
        chemistry=Chemistry.AGM,
        nominal_v=nominal_v,
        cells=round(6 * per_12),
        capacity_ah=100,
        charge_v=14.4 * per_12,
        charge_min_v=14.1 * per_12,
        charge_max_v=14.7 * per_12,
        temp_compensation_v_per_k=-0.02 * per_12,
        disconnect_v=disconnect_v,
        charge_current_max_a=25,
        discharge_current_max_a=100,
        depth_of_discharge_max=0.5,
        round_trip_efficiency=0.85,
        **COMMON,
    )


def poe(
    device: str = "cam",
    poe_class: int = 3,
    *,
    average_w: float = 3.0,
    max_w: float | None = None,
    measured: bool = False,
    ports: int = 1,
    schedule: str = "always",
) -> DeviceRow:
    return DeviceRow(
        device=device,
        supply=Supply.POE,
        poe_class=poe_class,
        average_w=average_w,
        max_w=average_w if max_w is None else max_w,
        data_ports=ports,
        power_allocation=Allocation.MEASURED if measured else Allocation.CLASS,
        schedule=schedule,
    )


def passive(
    device: str = "radio",
    volts: float = 24.0,
    *,
    average_w: float = 4.0,
    max_w: float = 6.0,
    window: tuple[float, float] | None = None,
) -> DeviceRow:
    return DeviceRow(
        device=device,
        supply=Supply.PASSIVE_POE,
        passive_v=volts,
        average_w=average_w,
        max_w=max_w,
        input_min_v=window[0] if window else None,
        input_max_v=window[1] if window else None,
    )


def direct(
    device: str = "logger",
    window: tuple[float, float] = (9, 32),
    *,
    average_w: float = 1.0,
    max_w: float = 2.0,
    ports: int = 0,
    schedule: str = "always",
) -> DeviceRow:
    return DeviceRow(
        device=device,
        supply=Supply.DC,
        input_min_v=window[0],
        input_max_v=window[1],
        average_w=average_w,
        max_w=max_w,
        data_ports=ports,
        schedule=schedule,
    )


def ac(
    device: str = "modem",
    *,
    average_w: float = 10.0,
    max_w: float | None = None,
    surge_w: float | None = None,
    window: tuple[float, float] = (207, 253),
    hz: float | None = None,
    ports: int = 0,
    schedule: str = "always",
    alternative_to: str | None = None,
) -> DeviceRow:
    return DeviceRow(
        device=device,
        supply=Supply.AC,
        input_min_v=window[0],
        input_max_v=window[1],
        input_hz=hz,
        average_w=average_w,
        max_w=average_w if max_w is None else max_w,
        surge_w=surge_w,
        data_ports=ports,
        schedule=schedule,
        alternative_to=alternative_to,
    )


def tables(
    loads: Sequence[tuple[DeviceRow, int, float]],
    *,
    switches: Sequence[SwitchRow] = (),
    ports: Sequence[SwitchPortRow] = (),
    converters: Sequence[ConverterRow] = (),
    batteries: Sequence[BatteryRow] | None = None,
    alternatives: Sequence[DeviceRow] = (),
    groundings: Sequence[BusGrounding] = (),
) -> Tables:
    """Tables of one profile, `p`, from (device, quantity, cable in m); 12 V blocks unless told.

    `alternatives` are devices that no load names; there is a site for each of `groundings`.
    """
    devices = {row.device: row for row in (*(row for row, _, _ in loads), *alternatives)}
    return Tables(
        sites=[
            SiteRow(
                site_id=f"s-{g.value}", latitude_deg=46, longitude_deg=8, load_profile="p", bus_grounding=g
            )
            for g in groundings
        ],
        site_months=(),
        horizon=(),
        loads=[
            LoadRow(load_profile="p", device=row.device, quantity=quantity, cable_m=cable_m)
            for row, quantity, cable_m in loads
        ],
        devices=list(devices.values()),
        schedules=(),
        modules=(),
        batteries=[battery()] if batteries is None else batteries,
        controllers=(),
        switches=switches,
        switch_ports=ports,
        converters=converters,
        balance=(),
        prices=(),
        stock=(),
        suppliers=(),
        fx=(),
    )


def kits(given: Tables, voltage: int = 12, asked: Settings | None = None) -> KitResult:
    return enumerate_kits(given, load_profile="p", system_voltage_v=voltage, settings=asked or settings())
