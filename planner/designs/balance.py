"""The figures of one chosen design, month by month and at its electrical limits."""

from dataclasses import dataclass

import numpy as np

from planner.designs import bus, pv_array
from planner.designs.catalogue import CatalogueArrays
from planner.designs.inputs import (
    FloatArray,
    SiteInputs,
    battery_depth,
    battery_temp_hot_c,
    battery_temp_min_c,
    block_heater_wh,
    block_usable_wh,
    net_load,
)
from planner.settings import Settings
from planner.tables.catalogue import BatteryRow, ControllerKind, ControllerRow
from planner.units import HOURS_PER_DAY, W_PER_M2_STC


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One design by its indices and counts."""

    kit: int
    battery: int
    batteries_series: int
    batteries_parallel: int
    charge_setpoint_v: float
    module: int
    modules_series: int
    modules_parallel: int
    controller: int
    controllers: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """What a design does: by month (12,), and as single figures.

    Attributes
    ----------
    load_wh_day, net_load_wh_day, net_night_wh_day, array_wh_day, array_to_load_ratio : (12,)
        Load at the bus, the same less other supply, its part by night, the array's energy there, and that
        energy over the net load with the night's part through the battery; infinite where other supply
        carries the month.
    heater_wh_day : (12,)
        What the battery's heaters draw, part of the load.
    clipped_share : (12,)
        Share of the array's energy that trackers leave out at their output limit.
    array_w, battery_wh, usable_wh : float
        Nameplate, rated, and what is left of it in the cold at the end of life.
    autonomy_days, daily_depth : float
        `usable_wh` over the greatest month's load less heaters, and the longest night's discharge over rated
        energy.
    recovery_days : float
        Days in which the array refills a reserve of the asked days, in the month that takes longest.
    bus_low_v, bus_high_v : float
        Window of the bus; the top includes equalising where `equalise_v` is stated.
    equalise_v : float or None
        Equalising voltage of a block, where kit and controller hold it; None: charge without it.
    string_cold_v_oc_v, string_hot_v_mp_v, array_i_sc_a, array_circuit_a : float
        String voltages, short-circuit current of the array, and what its conductors are rated for.
    charge_current_a, charge_rate : float
        Greatest charge current, gross of load, and the same over the battery's rated ampere-hours.
    temp_battery_min_c, temp_battery_hot_c : float
        Coldest battery, and its mean in the hottest month.
    """

    load_wh_day: FloatArray
    net_load_wh_day: FloatArray
    net_night_wh_day: FloatArray
    heater_wh_day: FloatArray
    array_wh_day: FloatArray
    clipped_share: FloatArray
    array_to_load_ratio: FloatArray
    array_w: float
    battery_wh: float
    usable_wh: float
    depth_of_discharge: float
    autonomy_days: float
    daily_depth: float
    recovery_days: float
    bus_low_v: float
    bus_high_v: float
    equalise_v: float | None
    string_cold_v_oc_v: float
    string_hot_v_mp_v: float
    array_i_sc_a: float
    array_circuit_a: float
    charge_current_a: float
    charge_rate: float
    temp_battery_min_c: float
    temp_battery_hot_c: float

    @property
    def design_month(self) -> int:
        """Month 1..12 with the smallest ratio."""
        return int(np.argmin(self.array_to_load_ratio)) + 1


def design_balance(
    inputs: SiteInputs, choice: Choice, *, catalogue: CatalogueArrays, settings: Settings
) -> Balance:
    """Figures of one design of a site, from the same physics that admitted it."""
    module, store = catalogue.modules[choice.module], catalogue.batteries[choice.battery]
    controller = catalogue.controllers[choice.controller]
    own = np.array([controller.own_draw_w * choice.controllers])
    one = slice(choice.kit, choice.kit + 1)
    cold, blocks = battery_temp_min_c(inputs, settings), choice.batteries_series * choice.batteries_parallel
    heat = block_heater_wh(catalogue, inputs, settings)[choice.battery] * blocks
    loads = inputs.day_wh[one], inputs.night_wh[one], own
    by_day, by_night = net_load(inputs, *loads)
    rested = (by_day + by_night)[0, 0]  # heaters rest while the reserve is used
    day, night = (part[0, 0] for part in net_load(inputs, loads[0] + heat, *loads[1:]))
    energy, clipped, current = array_of(inputs, choice, catalogue, settings)
    need = day + night / store.round_trip_efficiency
    usable = float(block_usable_wh(catalogue, inputs, settings)[choice.battery]) * blocks
    rated, most = store.capacity_ah * store.nominal_v * blocks, float(rested.max())
    equalise = _equalise_v(inputs, choice, store, controller, cold)
    cold_v = pv_array.cold_v_oc_v(module.v_oc_v, module.beta_voc_per_k, inputs.temp_air_min_c)
    hot_v = pv_array.hot_v_mp_v(module.v_mp_v, module.gamma_pmp_per_k, inputs.temp_air_max_c)
    return Balance(
        load_wh_day=(loads[0] + loads[1])[0] + own[0] * HOURS_PER_DAY + heat,
        net_load_wh_day=day + night,
        net_night_wh_day=night,
        heater_wh_day=heat,
        array_wh_day=energy,
        clipped_share=clipped,
        array_to_load_ratio=np.divide(energy, need, out=np.full(need.shape, np.inf), where=need > 0),
        array_w=module.nameplate_w * choice.modules_series * choice.modules_parallel,
        battery_wh=rated,
        usable_wh=usable,
        depth_of_discharge=float(battery_depth(catalogue, cold)[choice.battery]),
        autonomy_days=usable / most if most > 0 else np.inf,
        daily_depth=float(night.max()) / rated,
        recovery_days=_recovery_days(
            inputs.autonomy_days * rested / store.round_trip_efficiency, energy - need
        ),
        bus_low_v=float(
            bus.bottom_v(store.disconnect_v, choice.batteries_series, settings.demand.bus_cable_drop)
        ),
        bus_high_v=_top_v(equalise or choice.charge_setpoint_v, choice, store, controller, cold),
        equalise_v=equalise,
        string_cold_v_oc_v=choice.modules_series * float(cold_v),
        string_hot_v_mp_v=choice.modules_series * float(hot_v),
        array_i_sc_a=module.i_sc_a * choice.modules_parallel,
        array_circuit_a=float(
            pv_array.circuit_a(module.i_sc_a, choice.modules_parallel, settings.array.irradiance_factor_isc)
        ),
        charge_current_a=current,
        charge_rate=current / (store.capacity_ah * choice.batteries_parallel),
        temp_battery_min_c=cold,
        temp_battery_hot_c=battery_temp_hot_c(inputs, settings),
    )


def _recovery_days(used_wh: FloatArray, surplus_wh: FloatArray) -> float:
    """Days in which a surplus refills what was used, of the month (12,) that takes longest."""
    days = np.divide(used_wh, surplus_wh, out=np.full(used_wh.shape, np.inf), where=surplus_wh > 0)
    return float(np.where(used_wh > 0, days, 0.0).max())


def _top_v(
    setpoint_v: float, choice: Choice, store: BatteryRow, controller: ControllerRow, cold_c: float
) -> float:
    """Highest bus voltage at a setpoint of a block."""
    return float(
        bus.charging_top_v(
            setpoint_v,
            choice.batteries_series,
            store.temp_compensation_v_per_k if controller.temp_compensated else 0.0,
            cold_c,
            controller.charge_max_v,
        )
    )


def _equalise_v(
    inputs: SiteInputs, choice: Choice, store: BatteryRow, controller: ControllerRow, cold_c: float
) -> float | None:
    """The battery's equalising voltage, if the controller makes it and the kit's window holds it."""
    if store.equalise_v is None or store.equalise_v * choice.batteries_series > controller.charge_max_v:
        return None
    top = _top_v(store.equalise_v, choice, store, controller, cold_c)
    return store.equalise_v if top <= inputs.kits[choice.kit].input_max_v else None


def array_of(
    inputs: SiteInputs, choice: Choice, catalogue: CatalogueArrays, settings: Settings
) -> tuple[FloatArray, FloatArray, float]:
    """Energy at the bus (12,), Wh a day, the share clipped (12,), and the greatest charge current, A."""
    module, controller = catalogue.modules[choice.module], catalogue.controllers[choice.controller]
    store = catalogue.batteries[choice.battery]
    volts = float(pv_array.charging_v(store.nominal_v, choice.charge_setpoint_v, choice.batteries_series))
    factor = pv_array.derating(settings.array) * controller.efficiency
    if controller.kind is ControllerKind.PWM:
        one = pv_array.pwm_wh(module.i_mp_a, volts, inputs.poa_wh_m2_day, factor)
        return one * choice.modules_parallel, np.zeros(len(one)), module.i_sc_a * choice.modules_parallel
    string_w = module.nameplate_w * choice.modules_series
    power = string_w * factor * pv_array.warm_share(module.gamma_pmp_per_k, inputs.temp_cell_c)
    each, over = divmod(choice.modules_parallel, choice.controllers)
    strings = np.repeat([each, each + 1], [choice.controllers - over, over])  # on each controller
    energy = pv_array.clipped_wh(
        strings[:, None] * power,
        np.full(len(strings), controller.output_max_a * volts),
        inputs.poa_clipped_wh_m2_day,
        inputs.clip_irradiance_w_m2,
    )
    current = np.minimum(strings * string_w / volts, controller.output_max_a)
    made, whole = energy.sum(axis=0), power * choice.modules_parallel * inputs.poa_wh_m2_day / W_PER_M2_STC
    clipped = 1.0 - np.divide(made, whole, out=np.ones_like(whole), where=whole > 0)
    return made, np.maximum(clipped, 0.0), float(current.sum())
