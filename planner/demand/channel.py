"""Power over an Ethernet channel: IEEE 802.3 classes, and what the cable takes.

References
----------
IEEE Std 802.3-2022, clauses 33 (Types 1 and 2) and 145 (Types 3 and 4).
"""

from dataclasses import dataclass
from math import inf, sqrt

AWG24_OHM_PER_KM = 84.2  # one copper conductor at 20 C: ASTM B258 diameter, 1.7241 uohm cm


@dataclass(frozen=True, slots=True, kw_only=True)
class PoeClass:
    """A row of the standard's class table: power at the PSE and at the PD (W), PSE voltage (V), pairs."""

    number: int
    poe_type: int
    pairs: int
    pse_w: float
    pse_min_v: float
    pse_max_v: float
    pd_w: float


def _row(number: int, poe_type: int, pairs: int, pse_w: float, pse_min_v: float, pd_w: float) -> PoeClass:
    return PoeClass(
        number=number, poe_type=poe_type, pairs=pairs, pse_w=pse_w, pse_min_v=pse_min_v, pse_max_v=57.0, pd_w=pd_w
    )


#: IEEE 802.3-2022, tables 33-1, 33-2, 145-1, 145-11; the 52 V of Type 4 from memory.
CLASSES: dict[int, PoeClass] = {
    0: _row(0, 1, 2, 15.4, 44.0, 12.95),
    1: _row(1, 1, 2, 4.0, 44.0, 3.84),
    2: _row(2, 1, 2, 7.0, 44.0, 6.49),
    3: _row(3, 1, 2, 15.4, 44.0, 12.95),
    4: _row(4, 2, 2, 30.0, 50.0, 25.5),
    5: _row(5, 3, 4, 45.0, 50.0, 40.0),
    6: _row(6, 3, 4, 60.0, 50.0, 51.0),
    7: _row(7, 4, 4, 75.0, 52.0, 62.0),
    8: _row(8, 4, 4, 90.0, 52.0, 71.3),
}


def effective_class(poe_class: int) -> int:
    """Class 0 is budgeted and served as class 3."""
    return 3 if poe_class == 0 else poe_class


def source_w(load_w: float, source_v: float, loop_ohm: float) -> float:
    """Power at the source of a constant-power load behind a loop resistance.

    Solves `V I = P + I^2 R` for the stable root; `V I = 2 P / (1 + sqrt(1 - 4 R P / V^2))` needs no special
    case at R = 0.

    Parameters
    ----------
    load_w : float
        Power at the device, W.
    source_v : float
        Voltage at the source, V.
    loop_ohm : float
        Resistance out and back, ohm.

    Returns
    -------
    float
        Power at the source, W; infinite where the load exceeds `V^2 / (4 R)` and no solution exists.
    """
    under = 1.0 - 4.0 * loop_ohm * load_w / source_v**2
    return 2.0 * load_w / (1.0 + sqrt(under)) if under >= 0 else inf


def class_source_w(load_w: float, poe_class: int, cable_m: float, loop_ohm_per_100m: float) -> float:
    """Power at the PSE port of a PD drawing `load_w` over `cable_m`, at the lowest PSE voltage of its type.

    Four-pair classes carry the current over twice the copper of two pairs.
    """
    row = CLASSES[effective_class(poe_class)]
    loop = loop_ohm_per_100m * cable_m / 100.0 * 2.0 / row.pairs
    return source_w(load_w, row.pse_min_v, loop)


def passive_loop_ohm(cable_m: float) -> float:
    """Loop of 24 AWG with two conductors each way: one conductor's resistance (passive PoE on two pairs)."""
    return AWG24_OHM_PER_KM * cable_m / 1000.0
