"""Small catalogues, kits and sites for the tests; invented parts with plausible data-sheet values."""

import datetime

import numpy as np

from planner.demand import SupplyKit
from planner.designs import CatalogueArrays, SiteInputs
from planner.settings import Settings
from planner.tables.catalogue import BatteryRow, ControllerRow, ModuleRow

GRID_W_M2 = np.arange(50.0, 1201.0, 50.0)

MODULE = {
    "sku": "M100", "maker": "Ostrel", "weight_kg": 7.5, "nameplate_w": 100.0, "v_oc_v": 22.0, "i_sc_a": 6.0,
    "v_mp_v": 18.0, "i_mp_a": 5.56, "beta_voc_per_k": -0.003, "gamma_pmp_per_k": -0.004, "length_m": 1.0,
    "width_m": 0.7,
}  # fmt: skip
BATTERY = {
    "sku": "B100", "maker": "Ostrel", "weight_kg": 30.0, "chemistry": "agm", "nominal_v": 12.0, "cells": 6,
    "capacity_ah": 100.0, "charge_v": 14.4, "charge_min_v": 14.1, "charge_max_v": 14.7,
    "temp_compensation_v_per_k": -0.02, "disconnect_v": 11.6, "charge_current_max_a": 25.0,
    "discharge_current_max_a": 100.0, "depth_of_discharge_max": 0.5, "round_trip_efficiency": 0.85,
    "batteries_series_max": 4, "batteries_parallel_max": 4, "volume_l": 12.0,
}  # fmt: skip
LITHIUM = {
    "sku": "L50", "chemistry": "lfp", "nominal_v": 12.8, "cells": 4, "capacity_ah": 50.0, "charge_v": 14.2,
    "charge_min_v": 14.0, "charge_max_v": 14.6, "temp_compensation_v_per_k": 0.0, "disconnect_v": 12.0,
    "charge_current_max_a": 25.0, "discharge_current_max_a": 50.0, "depth_of_discharge_max": 0.9,
    "round_trip_efficiency": 0.95, "charge_temp_min_c": 0.0,
}  # fmt: skip
CONTROLLER = {
    "sku": "T20", "maker": "Ostrel", "weight_kg": 1.0, "kind": "mppt", "system_voltage_min_v": 12,
    "system_voltage_max_v": 48, "pv_input_max_v": 100.0, "pv_input_max_a": 22.0, "output_max_a": 20.0,
    "headroom_v": 0.5, "efficiency": 0.97, "own_draw_w": 0.3, "charge_max_v": 60.0, "volume_l": 1.0,
    "load_terminal_max_a": 20.0,
}  # fmt: skip
PWM = {"sku": "P20", "kind": "pwm", "pv_input_max_v": 55.0, "pv_input_max_a": 20.0}


def module(**cells: object) -> ModuleRow:
    """A 36-cell module of 100 W, with other values where stated."""
    return ModuleRow.model_validate(MODULE | cells)


def battery(**cells: object) -> BatteryRow:
    """A lead-acid block of 12 V and 100 Ah, with other values where stated."""
    return BatteryRow.model_validate(BATTERY | cells)


def lithium(**cells: object) -> BatteryRow:
    """A lithium iron phosphate block of 12.8 V and 50 Ah, with other values where stated."""
    return BatteryRow.model_validate(BATTERY | LITHIUM | cells)


def controller(**cells: object) -> ControllerRow:
    """A tracker of 20 A with load terminals, with other values where stated."""
    return ControllerRow.model_validate(CONTROLLER | cells)


def pwm(**cells: object) -> ControllerRow:
    """A PWM controller of 20 A, with other values where stated."""
    return ControllerRow.model_validate(CONTROLLER | PWM | cells)


def catalogue(*parts: ModuleRow | BatteryRow | ControllerRow) -> CatalogueArrays:
    """Arrays of the parts, in order."""
    return CatalogueArrays(
        modules=tuple(part for part in parts if isinstance(part, ModuleRow)),
        batteries=tuple(part for part in parts if isinstance(part, BatteryRow)),
        controllers=tuple(part for part in parts if isinstance(part, ControllerRow)),
    )


def kit(**values: object) -> SupplyKit:
    """A switch on a 12 V bus from 9 to 60 V behind a load disconnect."""
    defaults = {
        "load_profile": "camera", "system_voltage_v": 12, "units": (("SW", 1),), "input_min_v": 9.0,
        "input_max_v": 60.0, "window_low_sku": "SW", "window_high_sku": "SW", "bus_w": (("always", 10.0),),
        "own_w": 0.0, "max_w": 20.0, "max_current_a": 2.0, "load_terminal": False, "volume_l": 1.0,
        "temp_min_c": -40.0, "temp_max_c": 70.0, "ports": (),
    }  # fmt: skip
    fields = SupplyKit.__dataclass_fields__
    return SupplyKit(**{name: value for name, value in (defaults | values).items() if name in fields})


def sky(sun_hours: object, *, day_hours: object = 12.0) -> dict[str, np.ndarray]:
    """Plane irradiation of days that rise and fall as half a sine, and its clipped integrals.

    `sun_hours` and `day_hours` are one value, or twelve.
    """
    hours = np.broadcast_to(np.asarray(day_hours, dtype=float), (12,))
    poa = np.broadcast_to(np.asarray(sun_hours, dtype=float) * 1000.0, (12,))
    step = (np.arange(200) + 0.5) / 200
    shape = np.sin(np.pi * step)
    irradiance = (poa / hours)[:, None] * shape / shape.mean()  # (12, 200), W/m2
    clipped = np.minimum(irradiance[:, None, :], GRID_W_M2[None, :, None]).mean(axis=2) * hours[:, None]
    return {"poa_wh_m2_day": poa.copy(), "poa_clipped_wh_m2_day": clipped, "clip_irradiance_w_m2": GRID_W_M2}


def site(*kits: SupplyKit, load_w: object = 10.0, sun_hours: object = 4.5, **values: object) -> SiteInputs:
    """A mild site with a constant load (one value for each kit, or one for all) around the clock."""
    kits = kits or (kit(),)
    watts = np.broadcast_to(np.asarray(load_w, dtype=float), (len(kits),))
    day_hours = np.broadcast_to(np.asarray(values.pop("day_hours", 12.0), dtype=float), (12,))
    fields: dict[str, object] = {
        "site_id": "S1", "temp_cell_c": np.full(12, 25.0), "temp_air_c": np.full(12, 15.0),
        "temp_air_min_c": 0.0, "temp_air_max_c": 30.0,
        "temp_cold_spell_c": 10.0, "temp_hot_month_c": 25.0, "day_hours": day_hours,
        "other_supply_wh_day": np.zeros(12), "autonomy_days": 3.0, "array_to_load_ratio": 1.1,
        "module_area_max_m2": None, "kits": kits, "day_wh": watts[:, None] * day_hours,
        "night_wh": watts[:, None] * (24.0 - day_hours),
    }  # fmt: skip
    return SiteInputs(**(fields | sky(sun_hours, day_hours=day_hours) | values))


def settings(**groups: dict[str, object]) -> Settings:
    """Default settings with some changed, as `settings(array={"soiling_loss": 0.0})`."""
    return Settings.model_validate({"plan_date": datetime.date(2026, 11, 25), **groups})


#: No loss of any kind: soiling, mismatch, wiring, ageing, temperature of batteries.
IDEAL = {
    "array": {"soiling_loss": 0.0, "mismatch_loss": 0.0, "wiring_loss": 0.0, "ageing_loss": 0.0},
    "battery": {
        "end_of_life_share": 1.0, "temperature_derating": False, "daily_depth_max_lead_acid": 1.0,
        "daily_depth_max_lfp": 1.0,
    },
}  # fmt: skip
