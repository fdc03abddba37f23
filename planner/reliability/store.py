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

NO_SUN = 1e-12  # keeps a day without sun from dividing by zero; in any energy


def fringe(sun: Floats, load: Floats) -> Floats:
    """Part of a day's load that the battery carries, because the array gives less then; arrays broadcast."""
    return np.asarray(np.maximum(load - sun, load * load / (4.0 * np.maximum(sun, load / 2.0) + NO_SUN)))


def time_share(energy_share: Floats) -> Floats:
    """Share of a day in which its array gives a share 0..1 of its energy."""
    to_noon = 0.5 - np.sqrt(np.minimum(energy_share, 1.0 - energy_share) / 2.0)
    return np.asarray(0.5 + np.copysign(to_noon, energy_share - 0.5))


@dataclass(slots=True)
class Store:
    """Batteries of any shape, stepped in place a day at a time; all arrays broadcast.

    Attributes
    ----------
    usable, reconnect : array
        Energy between full and disconnect, and the charge at which the load is connected again.
    efficiency, keep : array
        Energy out / energy in, and share of the charge that is left after a day.
    charge, dawn : array
        Energy above disconnect at dusk, and at the dawn before it.
    on : array
        1 where the load is connected at dusk, else 0.
    """

    usable: Floats
    reconnect: Floats
    efficiency: Floats
    keep: Floats
    charge: Floats
    dawn: Floats
    on: Floats

    @classmethod
    def full(
        cls, usable: Floats, *, reconnect_share: Floats, efficiency: Floats, self_discharge: Floats
    ) -> "Store":
        """Batteries full and connected, at dusk."""
        return cls(
            usable=usable,
            reconnect=usable * reconnect_share,
            efficiency=efficiency,
            keep=1.0 - self_discharge,
            charge=usable,
            dawn=usable,
            on=np.ones_like(usable),
        )

    def first(self, count: int) -> "Store":
        """The first of them, along the first axis of arrays of one shape."""
        return Store(*(getattr(self, name)[:count] for name in self.__dataclass_fields__))

    def step(
        self, night: Floats, sun: Floats, day: Floats, charge_max: Floats | None = None
    ) -> tuple[Floats, Floats]:
        """Step through a night and the day after it.

        Parameters
        ----------
        night, day : array
            Loads.
        sun : array
            The array's energy at the bus.
        charge_max : array, optional
            Most energy that the day adds.

        Returns
        -------
        night_lacked, day_lacked : array
            Energy that the loads lacked.
        """
        edge, on = fringe(sun, day), self.on
        off = 1.0 - on
        left = self.keep * self.charge - on * (night + edge)
        self.dawn = np.maximum(left, 0.0)
        short = self.dawn - left
        morning = np.minimum(short, edge / 2.0)  # the last that the dark asks for; the other half is at dusk
        wait = (self.reconnect - self.dawn) / (self.efficiency * sun + NO_SUN)
        back = 1.0 - time_share(np.minimum(np.maximum(wait, 0.0), 1.0))
        share = np.maximum(back, on * (short == 0.0))
        gain = self.efficiency * (sun - share * (day - edge))
        if charge_max is not None:
            gain = np.minimum(gain, charge_max)
        level = self.dawn + gain - off * share * edge
        bottom = np.maximum(level, 0.0)
        self.charge = np.minimum(bottom, self.usable)
        self.on = ((share > 0.0) & (level >= 0.0)).astype(on.dtype)
        return short - morning + off * night, np.maximum(morning, (1.0 - share) * day) + (bottom - level)

    def steady(
        self, night: Floats, sun: Floats, day: Floats, charge_max: Floats
    ) -> tuple[Floats, Floats]:
        """What the dark takes, and a day adds at most, while loads are connected; arguments as of `step`."""
        edge = fringe(sun, day)
        return night + edge, np.minimum(self.efficiency * (sun - (day - edge)), charge_max)

    def hold(self, dark: Floats, gain: Floats) -> bool:
        """Step as `step` does, in a fifth of its time, where all loads are connected and stay so.

        Where one does not, nothing is done and the answer is False. `steady` gives the arguments.
        """
        dawn = self.keep * self.charge - dark
        level = dawn + gain
        if (dawn < 0.0).any() or (level < 0.0).any() or not self.on.all():
            return False
        self.dawn, self.charge = dawn, np.minimum(level, self.usable)
        return True
