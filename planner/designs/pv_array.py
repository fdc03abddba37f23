"""Array physics: string voltages hot and cold, currents, and the energy that reaches the bus."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from planner.settings import ArraySettings
from planner.units import TEMP_STC_C, W_PER_M2_STC

FloatArray = NDArray[np.float64]

AIR_KG_M3 = 1.25  # density of air in a storm (EN 1991-1-4, recommended value, from memory)
CELL_RISE_K = 30.0  # cell above air in full sun, open rack (common practice; IEC 61215 NOCT gives 25 to 30 K)
CONTINUOUS_FACTOR = 1.25  # conductors and protection of circuits that last for hours (NEC 690.8(B), 690.9(B))


def cold_v_oc_v(v_oc_v: ArrayLike, beta_voc_per_k: ArrayLike, temp_air_min_c: ArrayLike) -> FloatArray:
    """Open-circuit voltage at dawn on the coldest day, the cell as cold as the air, V."""
    warmth = np.asarray(temp_air_min_c, dtype=float) - TEMP_STC_C
    return np.asarray(v_oc_v, dtype=float) * (1.0 + np.asarray(beta_voc_per_k, dtype=float) * warmth)


def hot_v_mp_v(v_mp_v: ArrayLike, gamma_pmp_per_k: ArrayLike, temp_air_max_c: ArrayLike) -> FloatArray:
    """Voltage at maximum power on the hottest day, V.

    The power coefficient stands for the voltage's: current barely changes with temperature, so nearly all
    of the loss of power is a loss of voltage.
    """
    warmth = np.asarray(temp_air_max_c, dtype=float) + (CELL_RISE_K - TEMP_STC_C)
    share = 1.0 + np.asarray(gamma_pmp_per_k, dtype=float) * np.maximum(warmth, 0.0)
    return np.asarray(v_mp_v, dtype=float) * share


def cell_max_c(temp_air_max_c: float) -> float:
    """Cell in full sun on the hottest day, C."""
    return temp_air_max_c + CELL_RISE_K


def wind_pa(wind_m_s: float, coefficient: float) -> float:
    """Net wind pressure on a module: `coefficient x density / 2 x speed^2` (EN 1991-1-4, eq. 4.8), Pa."""
    return coefficient * AIR_KG_M3 / 2.0 * wind_m_s**2


def derating(settings: ArraySettings) -> float:
    """Product of what soiling, mismatch, wiring and ageing leave."""
    losses = (settings.soiling_loss, settings.mismatch_loss, settings.wiring_loss, settings.ageing_loss)
    return float(np.prod([1.0 - loss for loss in losses]))


def warm_share(gamma_pmp_per_k: ArrayLike, temp_cell_c: ArrayLike) -> FloatArray:
    """Power at a cell temperature over power at 25 C: `1 + gamma (T - 25)`, never below 0."""
    warmth = np.asarray(temp_cell_c, dtype=float) - TEMP_STC_C
    return np.maximum(1.0 + np.asarray(gamma_pmp_per_k, dtype=float) * warmth, 0.0)


def pwm_wh(i_mp_a: ArrayLike, volts: ArrayLike, poa_wh_m2: ArrayLike, factor: ArrayLike) -> FloatArray:
    """Energy at the bus behind a PWM controller: ampere-hours at the charging voltage, Wh.

    Temperature does not enter: the battery holds the array below its maximum-power voltage, where the
    current barely changes.
    """
    hours = np.asarray(poa_wh_m2, dtype=float) / W_PER_M2_STC
    charge_ah = np.asarray(i_mp_a, dtype=float) * hours
    energy: FloatArray = charge_ah * np.asarray(volts, dtype=float) * np.asarray(factor, dtype=float)
    return energy


def charging_v(nominal_v: ArrayLike, setpoint_v: ArrayLike, series: ArrayLike) -> FloatArray:
    """Mean voltage while charging: midway between nominal and setpoint (common practice), V."""
    mean = (np.asarray(nominal_v, dtype=float) + np.asarray(setpoint_v, dtype=float)) / 2.0
    volts: FloatArray = mean * np.asarray(series, dtype=float)
    return volts


def circuit_a(i_sc_a: ArrayLike, strings: ArrayLike, irradiance_factor: float) -> FloatArray:
    """Least current that conductors and protection of strings in parallel are rated for, A."""
    current: FloatArray = np.asarray(i_sc_a, dtype=float) * np.asarray(strings, dtype=float)
    return current * (irradiance_factor * CONTINUOUS_FACTOR)


def clipped_wh(
    power_w: FloatArray, limit_w: FloatArray, poa_clipped_wh_m2: FloatArray, grid_w_m2: FloatArray
) -> FloatArray:
    """Daily energy by month of a source that is proportional to irradiance and stops at a limit, Wh.

    Linear between the grid's points and from the origin; the true curve is concave, so this never
    promises too much. Beyond the grid's last point nothing is clipped.

    Parameters
    ----------
    power_w : (N, 12)
        Power at 1000 W/m2 in each month.
    limit_w : (N,)
        Power at which it stops.
    poa_clipped_wh_m2 : (12, G)
        Mean daily integral of `min(irradiance, grid)` by month.
    grid_w_m2 : (G,)
        Rising irradiances.
    """
    grid = np.concatenate(([0.0], grid_w_m2))
    curves = np.concatenate([np.zeros((len(poa_clipped_wh_m2), 1)), poa_clipped_wh_m2], axis=1)
    slopes = np.diff(curves, axis=1, append=curves[:, -1:]) / np.append(np.diff(grid), 1.0)
    stop = np.divide(W_PER_M2_STC * limit_w[:, None], power_w, out=np.zeros(power_w.shape), where=power_w > 0)
    point = np.searchsorted(grid, stop, side="right") - 1
    month = np.arange(len(curves))
    # Where the curve ends it is flat.
    hours = slopes[month, point] * (stop - grid[point]) + curves[month, point]
    energy: FloatArray = power_w * hours / W_PER_M2_STC
    return energy
