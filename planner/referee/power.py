"""Power over Ethernet and over thin wire, in plain arithmetic: what leaves a port for what a device takes.

References
----------
IEEE Std 802.3-2022, tables 33-1, 33-2, 145-1 and 145-11; the 52 V of Type 4 from memory.
"""

from dataclasses import dataclass
from math import inf, sqrt

PSE_MAX_V = 57.0  # of every type
CLOSURE_W = 0.1  # the standard's rounded table closes on itself within this
CONDUCTOR_OHM_PER_M = 0.0842  # 24 AWG at 20 C: ASTM B258 diameter, annealed copper
PASSIVE_LOW, PASSIVE_HIGH = 0.90, 1.20  # of nominal, at a port that passes its input on (common practice)


@dataclass(frozen=True, slots=True)
class Grade:
    """Power at the port (W), lowest voltage there (V), powered pairs, of a class."""

    pse_w: float
    pse_min_v: float
    pairs: int


GRADES = {
    1: Grade(4.0, 44.0, 2),
    2: Grade(7.0, 44.0, 2),
    3: Grade(15.4, 44.0, 2),
    4: Grade(30.0, 50.0, 2),
    5: Grade(45.0, 50.0, 4),
    6: Grade(60.0, 50.0, 4),
    7: Grade(75.0, 52.0, 4),
    8: Grade(90.0, 52.0, 4),
}


def served_class(poe_class: int | None) -> int:
    """Class 0 is served as class 3; a blank serves nothing."""
    return {None: -1, 0: 3}.get(poe_class, poe_class or -1)


def at_source_w(load_w: float, source_v: float, loop_ohm: float) -> float:
    """Power at the source of a constant-power load: `V I` with `V = P / I + I R`; infinite beyond reach."""
    if loop_ohm <= 0 or load_w <= 0:
        return load_w
    root = source_v**2 - 4.0 * loop_ohm * load_w
    return source_v * (source_v - sqrt(root)) / (2.0 * loop_ohm) if root >= 0 else inf


def at_port_w(load_w: float, poe_class: int, cable_m: float, ohm_per_100m: float) -> float:
    """Power at the port of a class for a device at the end of its cable; four pairs halve the loop."""
    grade = GRADES[poe_class]
    return at_source_w(load_w, grade.pse_min_v, ohm_per_100m * cable_m / 100.0 * 2.0 / grade.pairs)


def loop_ohm(cable_m: float) -> float:
    """Loop of two conductors out and two back."""
    return CONDUCTOR_OHM_PER_M * cable_m


def least_source_v(load_w: float, load_min_v: float, loop: float) -> float:
    """Lowest source voltage at which a constant-power load keeps its own lowest voltage and is stable."""
    end = max(load_min_v, sqrt(load_w * loop))
    return end + load_w / end * loop if end > 0 else 0.0
