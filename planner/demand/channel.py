"""Power over an Ethernet channel: IEEE 802.3 classes, what the cable takes, what a far device still sees.

References
----------
IEEE Std 802.3-2022, clauses 33 (Types 1 and 2) and 145 (Types 3 and 4).
"""

from dataclasses import dataclass
from math import inf, sqrt

AWG24_OHM_PER_KM = 84.2  # one copper conductor at 20 C: ASTM B258 diameter, 1.7241 uohm cm
CLASS_CLOSURE_W = 0.1  # the standard's rounded table closes on itself within this


@dataclass(frozen=True, slots=True, kw_only=True)
class PoeClass:
    """A row of the standard's class table.

    Attributes
    ----------
    poe_type, pairs : int
        Type 1 to 4; powered pairs, 2 or 4.
    pse_w, pd_w : float
        Power at the port and at the device, W.
    pse_min_v, pse_max_v : float
        Voltage the port must keep, V.
    design_ohm : float
        Loop resistance of the worst 100 m channel behind `pd_w`, ohm.
    """

    poe_type: int
    pairs: int
    pse_w: float
    pse_min_v: float
    design_ohm: float
    pd_w: float
    pse_max_v: float = 57.0


#: Class 0 to 8: IEEE 802.3-2022, tables 33-1, 33-2, 145-1 and 145-11; the 52 V of Type 4 from memory.
CLASSES: dict[int, PoeClass] = {
    0: PoeClass(poe_type=1, pairs=2, pse_w=15.4, pse_min_v=44.0, design_ohm=20.0, pd_w=12.95),
    1: PoeClass(poe_type=1, pairs=2, pse_w=4.0, pse_min_v=44.0, design_ohm=20.0, pd_w=3.84),
    2: PoeClass(poe_type=1, pairs=2, pse_w=7.0, pse_min_v=44.0, design_ohm=20.0, pd_w=6.49),
    3: PoeClass(poe_type=1, pairs=2, pse_w=15.4, pse_min_v=44.0, design_ohm=20.0, pd_w=12.95),
    4: PoeClass(poe_type=2, pairs=2, pse_w=30.0, pse_min_v=50.0, design_ohm=12.5, pd_w=25.5),
    5: PoeClass(poe_type=3, pairs=4, pse_w=45.0, pse_min_v=50.0, design_ohm=6.25, pd_w=40.0),
    6: PoeClass(poe_type=3, pairs=4, pse_w=60.0, pse_min_v=50.0, design_ohm=6.25, pd_w=51.0),
    7: PoeClass(poe_type=4, pairs=4, pse_w=75.0, pse_min_v=52.0, design_ohm=6.25, pd_w=62.0),
    8: PoeClass(poe_type=4, pairs=4, pse_w=90.0, pse_min_v=52.0, design_ohm=6.25, pd_w=71.3),
}


def effective_class(poe_class: int | None) -> int:
    """Class 0 is budgeted and served as class 3; a blank class serves nothing (-1)."""
    if poe_class is None:
        return -1
    return 3 if poe_class == 0 else poe_class


def source_w(load_w: float, source_v: float, loop_ohm: float) -> float:
    """Power at the source of a constant-power load behind a loop resistance.

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

    Notes
    -----
    Solves `V I = P + I^2 R` for the stable root `I = (V - sqrt(V^2 - 4 R P)) / (2 R)`, written as
    `V I = 2 P / (1 + sqrt(1 - 4 R P / V^2))`, which needs no special case at R = 0.
    """
    under = 1.0 - 4.0 * loop_ohm * load_w / source_v**2
    return 2.0 * load_w / (1.0 + sqrt(under)) if under >= 0 else inf


def floor_v(load_w: float, load_min_v: float, loop_ohm: float) -> float:
    """Lowest source voltage that keeps a constant-power load at or over its lowest voltage.

    The load's voltage is `v + P R / v` below the source's; that sum is least at `v = sqrt(P R)`, and no
    stable operation lies under it.
    """
    lowest = max(load_min_v, sqrt(load_w * loop_ohm))
    return lowest + load_w * loop_ohm / lowest if lowest > 0 else 0.0


def class_source_w(load_w: float, poe_class: int, cable_m: float, loop_ohm_per_100m: float) -> float:
    """Power at the PSE port of a PD drawing `load_w` over `cable_m`, at the lowest PSE voltage of its type.

    Parameters
    ----------
    load_w : float
        Power at the device, W.
    poe_class : int
        Its IEEE 802.3 class, 0 to 8; classes 5 to 8 carry the current over twice the copper of two pairs.
    cable_m : float
        Length of the channel, m.
    loop_ohm_per_100m : float
        Loop of two pairs in parallel each way, ohm per 100 m.
    """
    row = CLASSES[effective_class(poe_class)]
    loop_ohm = loop_ohm_per_100m * cable_m / 100.0 * 2.0 / row.pairs
    return source_w(load_w, row.pse_min_v, loop_ohm)


def dc_loop_ohm(cable_m: float, conductor_mm2: float, ohm_mm2_per_m: float) -> float:
    """Loop of a DC cable, out and back: `2 rho L / A`."""
    return 2.0 * ohm_mm2_per_m * cable_m / conductor_mm2


def passive_loop_ohm(cable_m: float) -> float:
    """Loop of 24 AWG with two conductors each way: one conductor's resistance (passive PoE on two pairs)."""
    return AWG24_OHM_PER_KM * cable_m / 1000.0
