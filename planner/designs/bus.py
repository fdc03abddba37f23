"""The window of the DC bus, from the charged cold battery down to the load disconnect."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


def charging_top_v(
    setpoint_v: ArrayLike, series: ArrayLike, compensation_v_per_k: ArrayLike, temp_c: ArrayLike, cap_v: ArrayLike
) -> FloatArray:
    """Highest bus voltage: the setpoint of all blocks in series, raised by the cold, capped by the controller.

    Parameters
    ----------
    setpoint_v, compensation_v_per_k : array
        Of one block, at 25 C, and its change per K (negative or 0).
    temp_c : array
        Coldest battery temperature.
    cap_v : array
        Highest voltage the controller makes.
    """
    cold = np.minimum(np.asarray(temp_c, dtype=float) - 25.0, 0.0)
    raised = np.asarray(setpoint_v) + np.asarray(compensation_v_per_k) * cold
    return np.minimum(np.asarray(series) * raised, cap_v)


def setpoint_v(
    *, recommended_v: ArrayLike, least_v: ArrayLike, series: ArrayLike, compensation_v_per_k: ArrayLike,
    temp_c: ArrayLike, window_top_v: ArrayLike,
) -> FloatArray:
    """Charge setpoint of a block: the recommended one, lowered as far as the window asks and the maker allows."""
    cold = np.minimum(np.asarray(temp_c, dtype=float) - 25.0, 0.0)
    fits = np.asarray(window_top_v) / np.asarray(series) - np.asarray(compensation_v_per_k) * cold
    return np.clip(fits, least_v, recommended_v)


def bottom_v(disconnect_v: ArrayLike, series: ArrayLike, drop_share: float) -> FloatArray:
    """Lowest voltage at a box: the load disconnect less the cable's drop at maximum load."""
    return np.asarray(disconnect_v) * np.asarray(series) * (1.0 - drop_share)
