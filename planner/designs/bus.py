"""The window of the DC bus, from the charged cold battery down to the load disconnect.

Equalising, where a maker gives a voltage for it, is a separate charge: it is done where the kit's window and
the controller hold it. Where they don't it is left out, or the design is, by `battery.equalise_required`.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

TEMP_SETPOINT_C = 25.0  # battery temperature at which setpoints are stated


def cold_k(temp_c: ArrayLike) -> FloatArray:
    """How far a battery is below the temperature of its setpoints, K (0 or negative)."""
    return np.minimum(np.asarray(temp_c, dtype=float) - TEMP_SETPOINT_C, 0.0)


def charging_top_v(
    setpoint_v: ArrayLike,
    series: ArrayLike,
    compensation_v_per_k: ArrayLike,
    temp_c: ArrayLike,
    cap_v: ArrayLike,
) -> FloatArray:
    """Highest bus voltage: setpoint of all blocks in series, raised by the cold, capped by the controller.

    Parameters
    ----------
    setpoint_v, compensation_v_per_k : array
        Of one block, at 25 C, and its change per K (negative or 0).
    temp_c : array
        Coldest battery temperature.
    cap_v : array
        Highest voltage the controller makes.
    """
    raised = np.asarray(setpoint_v, dtype=float) + np.asarray(compensation_v_per_k) * cold_k(temp_c)
    return np.asarray(np.minimum(np.asarray(series) * raised, cap_v))


def hot_k(temp_c: ArrayLike) -> FloatArray:
    """How far a battery is above the temperature of its setpoints, K (0 or positive)."""
    return np.maximum(np.asarray(temp_c, dtype=float) - TEMP_SETPOINT_C, 0.0)


def constant_range_v(
    least_v: ArrayLike,
    most_v: ArrayLike,
    compensation_v_per_k: ArrayLike,
    temp_cold_c: ArrayLike,
    temp_hot_c: ArrayLike,
) -> tuple[FloatArray, FloatArray]:
    """Setpoints of a block, lowest and highest, that stay right without following its temperature.

    A charge that does not rise in the cold leaves a lead-acid battery half full; one that does not fall in
    the heat dries it out. A constant setpoint is allowed where it lies in the maker's range, shifted by the
    compensation he asks for, both at the coldest and at the hottest. Empty where the first exceeds the
    second; without compensation it is the maker's own range.

    Parameters
    ----------
    least_v, most_v, compensation_v_per_k : array
        Of one block: the maker's range at 25 C, and its change per K (negative or 0).
    temp_cold_c, temp_hot_c : array
        Coldest and hottest battery.
    """
    slope = np.asarray(compensation_v_per_k, dtype=float)
    least = np.asarray(least_v, dtype=float) + slope * cold_k(temp_cold_c)
    most = np.asarray(most_v, dtype=float) + slope * hot_k(temp_hot_c)
    return np.asarray(least), np.asarray(most)


def setpoint_v(
    *,
    recommended_v: ArrayLike,
    least_v: ArrayLike,
    series: ArrayLike,
    compensation_v_per_k: ArrayLike,
    temp_c: ArrayLike,
    window_top_v: ArrayLike,
    cap_v: ArrayLike,
) -> FloatArray:
    """Charge setpoint of a block: the recommended one, lowered as far as it must and as the maker allows.

    It is lowered to what the controller makes at 25 C, and so far that the cold battery's setpoint stays in
    the boxes' window; a controller that cannot exceed the window guards it by itself.

    Parameters
    ----------
    recommended_v, least_v, compensation_v_per_k : array
        Of one block.
    series : array
        Blocks in series.
    temp_c : array
        Coldest battery temperature.
    window_top_v, cap_v : array
        Highest voltage the boxes accept, and the controller makes.
    """
    top, cap, blocks = np.asarray(window_top_v), np.asarray(cap_v), np.asarray(series)
    window = top / blocks - np.asarray(compensation_v_per_k) * cold_k(temp_c)
    most = np.where(cap <= top, cap / blocks, np.minimum(window, cap / blocks))
    return np.asarray(np.clip(most, least_v, recommended_v))


def bottom_v(disconnect_v: ArrayLike, series: ArrayLike, drop_share: float) -> FloatArray:
    """Lowest voltage at a box: the load disconnect less the cable's drop at maximum load."""
    volts: FloatArray = np.asarray(disconnect_v, dtype=float) * np.asarray(series, dtype=float)
    return volts * (1.0 - drop_share)
