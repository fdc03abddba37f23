"""A battery through a day's two phases: dark, while it carries the load, and bright, while the array does.

One net step a day would hide the night, which the battery carries on the brightest day too. The dark phase is
longer than the night: after sunrise and before sunset the array gives less than the load. On a day with a
triangle of power and the array's energy `s`, a constant load that takes `l` over the day takes directly what
lies under both courses; the rest of it, the day's fringe, comes from the battery:

    f = l^2 / (4 s)   if 2 s > l, else l - s

Such a day gives the share `x` of its energy in the share `t(x)` of its hours: sqrt(x / 2) up to noon, and
1 - sqrt((1 - x) / 2) after it.

Energies are those that the battery gives; what charging loses is taken on the way in. With the charge `c`,
the usable energy `C`, the round-trip efficiency `e`, the night's load `n` and the reconnect charge `R`, a
night and the day after it are

    dark     connected:   c = (1 - self-discharge) c - n - f
                          c < 0: the load lacks -c, c = 0, and it is off until the charge reaches R
    bright   g = 1 if still connected, else 1 - t(min(1, (R - c) / (e s))):  share of the day with the load on
             c = min(C, c + min(e (s - g (l - f)), charge limit))
                          less g f where the load was off in the dark, whose fringe is unpaid

The fringe takes half of itself at dusk and half at dawn. `tests/reliability/test_hourly.py` holds all this
against simulation by the hour.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating]  # single precision for whole years, double for spells
BoolArray = NDArray[np.bool_]

NO_SUN = 1e-12  # keeps a day without sun from dividing by zero; in any energy


def fringe(sun: Floats, load: Floats) -> Floats:
    """Part of a day's load that the battery carries, because the array gives less then; arrays broadcast."""
    return np.asarray(np.maximum(load - sun, load * load / (4.0 * np.maximum(sun, load / 2.0) + NO_SUN)))


def time_share(energy_share: Floats) -> Floats:
    """Share of a day in which its array gives a share 0..1 of its energy."""
    rest = np.minimum(energy_share, 1.0 - energy_share)
    half = np.sqrt(rest / 2.0)
    return np.asarray(np.where(energy_share > 0.5, 1.0 - half, half))


@dataclass(slots=True)
class Store:
    """Batteries of any shape, stepped in place a day at a time; all arrays broadcast.

    Attributes
    ----------
    usable, reconnect : array
        Energy between full and disconnect, and the charge at which the load is connected again.
    efficiency, self_discharge : array
        Energy out / energy in, and share of the charge lost a day.
    charge, dawn : array
        Energy above disconnect at dusk, and at the dawn before it.
    on : array of bool
        If the load is connected.
    """

    usable: Floats
    reconnect: Floats
    efficiency: Floats
    self_discharge: Floats
    charge: Floats
    dawn: Floats
    on: BoolArray

    @classmethod
    def full(
        cls, usable: Floats, *, reconnect_share: Floats, efficiency: Floats,
        self_discharge: Floats,
    ) -> "Store":
        """Batteries full and connected, at dusk."""
        return cls(
            usable, usable * reconnect_share, efficiency, self_discharge, usable, usable,
            np.ones(usable.shape, dtype=bool),
        )

    def first(self, count: int) -> "Store":
        """The first of them, along the first axis of arrays of one shape."""
        return Store(*(getattr(self, name)[:count] for name in self.__dataclass_fields__))

    def step(
        self, night: Floats, sun: Floats, day: Floats, charge_max: Floats | float = np.inf
    ) -> tuple[Floats, Floats]:
        """Step through a night and the day after it.

        Parameters
        ----------
        night, day : array
            Loads.
        sun : array
            The array's energy at the bus.
        charge_max : array or float
            Most energy that the day adds.

        Returns
        -------
        night_lacked, day_lacked : array
            Energy that the loads lacked.
        """
        edge, on = fringe(sun, day), self.on
        left = self.charge * (1.0 - self.self_discharge) - np.where(on, night + edge, 0.0)
        self.dawn = np.maximum(left, 0.0)
        short = self.dawn - left
        morning = np.minimum(short, edge / 2.0)  # the last that the dark asks for; the other half is at dusk
        wait = (self.reconnect - self.dawn) / (self.efficiency * sun + NO_SUN)
        share = np.where(on & (short == 0.0), 1.0, 1.0 - time_share(np.clip(wait, 0.0, 1.0)))
        gain = np.minimum(self.efficiency * (sun - share * (day - edge)), charge_max)
        level = self.dawn + gain - np.where(on, 0.0, share * edge)
        self.charge = np.clip(level, 0.0, self.usable)
        self.on = (share > 0.0) & (level >= 0.0)
        night_lacked = np.where(on, short - morning, night)
        return night_lacked, np.maximum(morning, (1.0 - share) * day) - np.minimum(level, 0.0)
