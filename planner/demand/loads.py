"""Energy a site uses by day and by night, for every supply kit and month."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.demand.kits import SupplyKit
from planner.tables.rows import ScheduleRow
from planner.units import HOURS_PER_DAY, MONTHS

FloatArray = NDArray[np.float64]

ALWAYS, DAY, NIGHT = "always", "day", "night"
BUILT_IN = (ALWAYS, DAY, NIGHT)


def schedule_hours(
    day_hours: FloatArray, lit_fraction: FloatArray, schedules: Sequence[ScheduleRow]
) -> dict[str, tuple[FloatArray, FloatArray]]:
    """Hours a day that each schedule is on while the sun is up, and while it is down; each (S, 12).

    Parameters
    ----------
    day_hours : (S, 12)
        Mean day length, h.
    lit_fraction : (S, 12, 24)
        Share of each hour of solar time with the sun up.
    schedules : rows
        Schedules beyond always, day and night.
    """
    none = np.zeros_like(day_hours)
    night_hours = HOURS_PER_DAY - day_hours
    hours = {ALWAYS: (day_hours, night_hours), DAY: (day_hours, none), NIGHT: (none, night_hours)}
    for row in schedules:
        on = np.array([getattr(row, f"h{h:02d}") for h in range(24)])
        factor = np.array([getattr(row, f"m{m:02d}") for m in range(1, MONTHS + 1)])
        lit = (lit_fraction * on).sum(axis=-1) * factor
        hours[row.schedule] = (lit, on.sum() * factor - lit)
    return hours


@dataclass(frozen=True, slots=True, kw_only=True)
class Draws:
    """What K kits draw at the bus while each of C schedules is on, W (K, C); their own draw is always on."""

    schedules: tuple[str, ...]
    watts: FloatArray

    def __len__(self) -> int:
        return len(self.watts)


def draws_of(kits: Sequence[SupplyKit]) -> Draws:
    """What some kits draw; sites alike share it."""
    means = [dict(kit.bus_w) for kit in kits]
    names = sorted({ALWAYS}.union(*means))
    watts = np.array([[mean.get(name, 0.0) for name in names] for mean in means]).reshape(-1, len(names))
    watts[:, names.index(ALWAYS)] += [kit.own_w for kit in kits]
    return Draws(schedules=tuple(names), watts=watts)


def site_load_wh(
    kits: Sequence[SupplyKit], hours: Mapping[str, tuple[FloatArray, FloatArray]], load_margin: float
) -> tuple[FloatArray, FloatArray]:
    """Load at the bus while the sun is up, and while it is down, Wh a day.

    Parameters
    ----------
    kits : sequence of K kits
        Their own draw runs around the clock.
    hours : mapping
        From `schedule_hours`, each (S, 12).
    load_margin : float
        Growth and doubt, 0.1 adds 10 %.

    Returns
    -------
    day_wh, night_wh : (S, K, 12)
    """
    return drawn_wh(draws_of(kits), hours, load_margin)


def drawn_wh(
    draws: Draws, hours: Mapping[str, tuple[FloatArray, FloatArray]], load_margin: float
) -> tuple[FloatArray, FloatArray]:
    """What `site_load_wh` gives, of kits whose draws are known."""
    watts = draws.watts * (1 + load_margin)
    lit, dark = (np.stack([hours[name][part] for name in draws.schedules]) for part in (0, 1))
    return np.einsum("kc,csm->skm", watts, lit), np.einsum("kc,csm->skm", watts, dark)
