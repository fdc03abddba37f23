"""What a switch, an injector or a device draws where it is fed, with everything plugged into it."""

from collections.abc import Mapping
from dataclasses import replace
from math import inf

from planner.demand.bus import BusLoad, box_load
from planner.demand.channel import dc_loop_ohm, floor_v
from planner.demand.derating import budget_range
from planner.demand.grounding import NONE, box_poles, tied
from planner.demand.plans import PortPlan
from planner.demand.ports import hung_poles, port_window
from planner.settings import DemandSettings
from planner.tables.catalogue import PseKind, SwitchRow
from planner.tables.rows import DeviceRow, Supply


def switch_load(plan: PortPlan, row: SwitchRow, unit: int, devices: Mapping[str, DeviceRow]) -> BusLoad:
    """A switch with what it feeds.

    A pass-through PSE narrows its window to what its ports must hold, a derated budget its window and its
    temperatures to where the drawn budget is there. Adapters and SFP modules live on it.
    """
    hung = [
        a for a in plan.wiring.assignments if (a.host_sku, a.host_unit) == (row.sku, unit) and not a.via_sku
    ]
    modules = [plan.optics] * plan.modules_on(row.sku, unit) if plan.optics else []
    adapters = [plan.adapter_rows[a.adapter_sku] for a in hung if a.adapter_sku]
    low, top_c = budget_range(row, sum(a.allocated_w for a in hung))
    high, poles = row.input_max_v, box_poles(row)
    for a in hung:
        device = devices[a.device]
        if row.pse_kind is PseKind.PASSTHROUGH:
            floor, top = port_window(device, a.cable_m, a.poe_class)
            low, high = max(low, floor), min(high, top)
        if not a.adapter_sku:
            poles |= hung_poles(row, device)
    schedules: dict[str, float] = {}
    for a in hung:
        schedules[a.schedule] = schedules.get(a.schedule, 0.0) + a.host_w / row.pse_efficiency
    module_w = sum(module.own_draw_w for module in modules)
    return replace(
        box_load(row),
        schedules=tuple(sorted(schedules.items())),
        own_w=row.own_draw_w + module_w + sum(a.host_own_w for a in hung) / row.pse_efficiency,
        max_w=row.own_draw_w + module_w + sum(a.host_max_w for a in hung) / row.pse_efficiency,
        input_min_v=low,
        input_max_v=high,
        temp_min_c=max([row.temp_min_c, *(box.temp_min_c for box in (*modules, *adapters))]),
        temp_max_c=min([top_c, *(box.temp_max_c for box in (*modules, *adapters))]),
        poles=poles,
    )


def device_load(row: DeviceRow, cable_m: float, settings: DemandSettings) -> BusLoad:
    """A DC device at the end of its cable, or an AC one; that is apart from the bus, if its inverter is.

    What a cable of 230 V takes is left out.
    """
    alternating = row.supply is Supply.AC
    loop = dc_loop_ohm(cable_m, settings.dc_conductor_mm2, settings.copper_ohm_mm2_per_m)
    loop, least_v = 0.0 if alternating else loop, row.input_min_v or 0.0
    return BusLoad(
        sku=row.device,
        schedules=((row.schedule, row.average_w),),
        own_w=0.0,
        max_w=row.max_w,
        input_min_v=floor_v(row.max_w, least_v, loop) if loop else least_v,
        input_max_v=row.input_max_v or (inf if alternating else 0.0),
        volume_l=0.0,
        temp_min_c=-inf,
        temp_max_c=inf,
        poles=NONE if alternating else tied(row.case_ground),
        alternating=alternating,
        hz=row.input_hz,
        surge_w=(row.surge_w or 0.0) if alternating else 0.0,
        loop_ohm=loop,
    )


def injector_loads(plan: PortPlan) -> list[BusLoad]:
    """Each injector with its device."""
    rows = {row.sku: row for row in plan.injector_rows}
    return [
        replace(
            box_load(rows[a.via_sku]),
            schedules=((a.schedule, a.host_w / rows[a.via_sku].efficiency),),
            max_w=rows[a.via_sku].own_draw_w + a.host_max_w / rows[a.via_sku].efficiency,
        )
        for a in plan.wiring.assignments
        if a.via_sku
    ]
