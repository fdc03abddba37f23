"""The figures of one chosen design, month by month and at its electrical limits."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.designs import bus, pv_array
from planner.designs.catalogue import CatalogueArrays
from planner.designs.options import (
    SiteInputs,
    battery_depth,
    battery_temp_min_c,
    clipped_energy,
    net_load,
    string_usable_wh,
)
from planner.settings import Settings
from planner.tables.catalogue import ControllerKind
from planner.units import W_PER_M2_STC

FloatArray = NDArray[np.float64]


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
    """What a design does: by month (12,), and as single figures."""

    load_wh_day: FloatArray
    array_wh_day: FloatArray
    array_to_load_ratio: FloatArray
    array_w: float
    battery_wh: float
    usable_wh: float
    depth_of_discharge: float
    autonomy_days: float
    daily_depth: float
    bus_low_v: float
    bus_high_v: float
    string_cold_v_oc_v: float
    string_hot_v_mp_v: float
    array_i_sc_a: float
    charge_current_a: float

    @property
    def design_month(self) -> int:
        """Month 1..12 with the smallest ratio."""
        return int(np.argmin(self.array_to_load_ratio)) + 1


def design_balance(inputs: SiteInputs, choice: Choice, *, catalogue: CatalogueArrays, settings: Settings) -> Balance:
    """Figures of one design of a site, from the same physics that admitted it."""
    module, store = catalogue.modules[choice.module], catalogue.batteries[choice.battery]
    controller = catalogue.controllers[choice.controller]
    own = np.array([controller.own_draw_w * choice.controllers])
    day, night = (part[0, 0] for part in net_load(inputs, np.array([choice.kit]), own))
    volts = float(pv_array.charging_v(store.nominal_v, choice.charge_setpoint_v, choice.batteries_series))
    energy, current = _array(inputs, choice, catalogue, settings, volts)
    need = day + night / store.round_trip_efficiency
    ratio = np.divide(energy, need, out=np.full(need.shape, np.inf), where=need > 0)
    cold = battery_temp_min_c(inputs, settings)
    usable = float(string_usable_wh(catalogue, inputs, settings)[choice.battery])
    usable *= choice.batteries_series * choice.batteries_parallel
    rated = store.capacity_ah * store.nominal_v * choice.batteries_series * choice.batteries_parallel
    most = float((day + night).max())
    return Balance(
        load_wh_day=day + night, array_wh_day=energy, array_to_load_ratio=ratio,
        array_w=module.nameplate_w * choice.modules_series * choice.modules_parallel, battery_wh=rated,
        usable_wh=usable, depth_of_discharge=float(battery_depth(catalogue, cold)[choice.battery]),
        autonomy_days=usable / most if most > 0 else np.inf, daily_depth=float(night.max()) / rated,
        bus_low_v=float(bus.bottom_v(store.disconnect_v, choice.batteries_series, settings.demand.bus_cable_drop)),
        bus_high_v=float(bus.charging_top_v(
            choice.charge_setpoint_v, choice.batteries_series, store.temp_compensation_v_per_k, cold,
            controller.charge_max_v,
        )),
        string_cold_v_oc_v=choice.modules_series * float(
            pv_array.cold_v_oc_v(module.v_oc_v, module.beta_voc_per_k, inputs.temp_air_min_c)
        ),
        string_hot_v_mp_v=choice.modules_series * float(
            pv_array.hot_v_mp_v(module.v_mp_v, module.gamma_pmp_per_k, inputs.temp_air_max_c)
        ),
        array_i_sc_a=module.i_sc_a * choice.modules_parallel, charge_current_a=current,
    )


def _array(
    inputs: SiteInputs, choice: Choice, catalogue: CatalogueArrays, settings: Settings, volts: float
) -> tuple[FloatArray, float]:
    """Energy at the bus by month (12,), Wh a day, and the greatest charge current, A."""
    module, controller = catalogue.modules[choice.module], catalogue.controllers[choice.controller]
    factor = pv_array.derating(settings.array) * controller.efficiency
    if controller.kind is ControllerKind.PWM:
        one = pv_array.pwm_wh(module.i_mp_a, volts, inputs.poa_wh_m2_day, factor)
        return one * choice.modules_parallel, module.i_sc_a * choice.modules_parallel
    watts = module.nameplate_w * choice.modules_series
    unit = pv_array.mppt_wh(
        watts, module.gamma_pmp_per_k, np.full(inputs.temp_cell_c.shape, W_PER_M2_STC), inputs.temp_cell_c, factor
    )
    limit = np.array([controller.output_max_a * choice.controllers * volts])
    energy = clipped_energy(inputs, unit[None, :], np.array([choice.modules_parallel]), limit)[0]
    most = min(watts * choice.modules_parallel / volts, controller.output_max_a * choice.controllers)
    return energy, most
