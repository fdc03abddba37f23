"""Array physics: string voltages hot and cold, currents, and the energy that reaches the bus."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from planner.settings import ArraySettings
from planner.units import TEMP_STC_C, W_PER_M2_STC

FloatArray = NDArray[np.float64]

CELL_RISE_K = 30.0  # cell above air in full sun, open rack (common practice; IEC 61215 NOCT gives 25 to 30 K)


def cold_v_oc_v(v_oc_v: ArrayLike, beta_voc_per_k: ArrayLike, temp_air_min_c: ArrayLike) -> FloatArray:
    """Open-circuit voltage at dawn on the coldest day, the cell as cold as the air, V."""
    warmth = np.asarray(temp_air_min_c, dtype=float) - TEMP_STC_C
    return np.asarray(v_oc_v) * (1.0 + np.asarray(beta_voc_per_k) * warmth)


def hot_v_mp_v(v_mp_v: ArrayLike, gamma_pmp_per_k: ArrayLike, temp_air_max_c: ArrayLike) -> FloatArray:
    """Voltage at maximum power on the hottest day, V.

    The power coefficient stands for the voltage's: current barely changes with temperature, so nearly all
    of the loss of power is a loss of voltage.
    """
    warmth = np.asarray(temp_air_max_c, dtype=float) + CELL_RISE_K - TEMP_STC_C
    return np.asarray(v_mp_v) * (1.0 + np.asarray(gamma_pmp_per_k) * np.maximum(warmth, 0.0))


def derating(settings: ArraySettings) -> float:
    """Product of what soiling, mismatch, wiring and ageing leave."""
    losses = (settings.soiling_loss, settings.mismatch_loss, settings.wiring_loss, settings.ageing_loss)
    return float(np.prod([1.0 - loss for loss in losses]))


def mppt_wh(
    nameplate_w: ArrayLike, gamma_pmp_per_k: ArrayLike, poa_wh_m2: ArrayLike, temp_cell_c: ArrayLike, factor: ArrayLike
) -> FloatArray:
    """Energy at the bus behind a maximum power point tracker, Wh: `P (1 + gamma (T - 25)) H / 1000 x factor`."""
    warmth = np.asarray(temp_cell_c, dtype=float) - TEMP_STC_C
    hours = np.asarray(poa_wh_m2, dtype=float) / W_PER_M2_STC
    return np.asarray(nameplate_w) * (1.0 + np.asarray(gamma_pmp_per_k) * warmth) * hours * factor


def pwm_wh(i_mp_a: ArrayLike, charging_v: ArrayLike, poa_wh_m2: ArrayLike, factor: ArrayLike) -> FloatArray:
    """Energy at the bus behind a PWM controller, Wh: ampere-hours at the charging voltage."""
    return np.asarray(i_mp_a) * np.asarray(poa_wh_m2, dtype=float) / W_PER_M2_STC * np.asarray(charging_v) * factor


def charging_v(nominal_v: ArrayLike, setpoint_v: ArrayLike, series: ArrayLike) -> FloatArray:
    """Mean voltage while charging: midway between nominal and setpoint (common practice), V."""
    return (np.asarray(nominal_v) + np.asarray(setpoint_v)) / 2.0 * np.asarray(series)


def clipped_wh_m2(
    poa_clipped_wh_m2: FloatArray, grid_w_m2: FloatArray, limit_w_m2: FloatArray, month: NDArray[np.integer]
) -> FloatArray:
    """Daily plane irradiation that counts when a converter stops at `limit_w_m2`.

    Linear between the grid's points and from the origin; the true curve is concave, so this never
    promises too much. Beyond the grid's last point nothing is clipped.

    Parameters
    ----------
    poa_clipped_wh_m2 : (12, G)
        Integral of `min(g, G)` by month.
    grid_w_m2 : (G,)
        Rising irradiances.
    limit_w_m2, month : (N,)
        Limit and month index of each value wanted.
    """
    right = np.clip(np.searchsorted(grid_w_m2, limit_w_m2), 0, len(grid_w_m2) - 1)
    left = right - 1
    x0 = np.where(left >= 0, grid_w_m2[left], 0.0)
    y0 = np.where(left >= 0, poa_clipped_wh_m2[month, left], 0.0)
    x1, y1 = grid_w_m2[right], poa_clipped_wh_m2[month, right]
    return y0 + (y1 - y0) * np.clip((limit_w_m2 - x0) / (x1 - x0), 0.0, 1.0)
