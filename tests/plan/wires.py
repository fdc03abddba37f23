"""What lines take of the power sent over them: IEEE 802.3 classes, constant loads; scalar arithmetic."""

from math import inf, sqrt
from typing import NamedTuple

from planner.settings import Settings


class Class(NamedTuple):
    """IEEE 802.3-2022, tables 33-1, 33-2, 145-1 and 145-11 (Type 4's 52 V from memory)."""

    pairs: int
    pse_w: float
    pd_w: float
    least_v: float


CLASSES = {
    0: Class(2, 15.4, 12.95, 44.0), 1: Class(2, 4.0, 3.84, 44.0), 2: Class(2, 7.0, 6.49, 44.0),
    3: Class(2, 15.4, 12.95, 44.0), 4: Class(2, 30.0, 25.5, 50.0), 5: Class(4, 45.0, 40.0, 50.0),
    6: Class(4, 60.0, 51.0, 50.0), 7: Class(4, 75.0, 62.0, 52.0), 8: Class(4, 90.0, 71.3, 52.0),
}  # fmt: skip
MOST_V = 57.0
AWG24_OHM_PER_M = 0.0842  # a conductor at 20 C: ASTM B258 diameter; out and back on two each makes one


def at_source(load_w: float, volts: float, ohm: float) -> float:
    """Power into a line that feeds a constant load: V I = P + I2 R, infinite where the line cannot."""
    if ohm == 0:
        return load_w
    root = volts**2 - 4 * ohm * load_w
    return volts * (volts - sqrt(root)) / (2 * ohm) if root >= 0 else inf


def at_load_v(load_w: float, volts: float, ohm: float) -> float:
    """Voltage left at a constant load, 0 where the line cannot feed it."""
    power = at_source(load_w, volts, ohm)
    return volts - power / volts * ohm if power < inf else 0.0


def over(poe_class: int, load_w: float, cable_m: float, settings: Settings) -> float:
    """Power at an 802.3 port: on four pairs half the loop of two."""
    row = CLASSES[poe_class]
    ohm = settings.demand.poe_loop_ohm_per_100m * cable_m / 100 * (0.5 if row.pairs == 4 else 1.0)
    return at_source(load_w, row.least_v, ohm)
