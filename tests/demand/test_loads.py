"""Day and night energy against hours counted one by one."""

import numpy as np
import pytest

from planner.demand import schedule_hours, site_load_wh
from planner.tables.catalogue import PseKind
from planner.tables.rows import ScheduleRow
from tests.demand import build


def office() -> ScheduleRow:
    """On from 7 to 18, at half in July."""
    hours = {f"h{h:02d}": float(7 <= h < 18) for h in range(24)}
    return ScheduleRow(schedule="office", m07=0.5, **hours)


def sky(sunrise: float, sunset: float) -> tuple[np.ndarray, np.ndarray]:
    """One site whose sun is up from sunrise to sunset (solar time) in every month."""
    lit = np.array([max(0.0, min(h + 1, sunset) - max(h, sunrise)) for h in range(24)])
    return np.full((1, 12), sunset - sunrise), np.broadcast_to(lit, (1, 12, 24))


def test_hours() -> None:
    """Sun from 8:30 to 15:30: of 11 office hours 7 are lit and 4 dark; half of both in July."""
    hours = schedule_hours(*sky(8.5, 15.5), [office()])
    lit, dark = hours["office"]
    assert lit[0, 0] == pytest.approx(7.0)
    assert dark[0, 0] == pytest.approx(4.0)
    assert lit[0, 6] == pytest.approx(3.5)
    assert dark[0, 6] == pytest.approx(2.0)
    for name, (up, down) in {"always": (7.0, 17.0), "day": (7.0, 0.0), "night": (0.0, 17.0)}.items():
        assert hours[name][0][0] == pytest.approx(np.full(12, up))
        assert hours[name][1][0] == pytest.approx(np.full(12, down))


def test_site_load() -> None:
    """Switch 2 W around the clock, camera 9 W in office hours, lamp 5 W at night, all 10 % more.

    Day 1.1 x (2 x 7 + 9 x 7) = 84.7 Wh, night 1.1 x (2 x 17 + 9 x 4 + 5 x 17) = 170.5 Wh.
    """
    tables = build.tables(
        [
            (build.poe("cam", 4, average_w=9.0, schedule="office"), 1, 0.0),
            (build.direct("lamp", average_w=5.0, max_w=5.0, schedule="night"), 1, 0.0),
        ],
        switches=[build.switch(efficiency=1.0, pse=PseKind.REGULATED)],
        ports=[build.poe_ports("SW", 1, 4)],
    )
    (kit,) = build.kits(tables).kits
    assert [name for name, _ in kit.bus_w] == ["night", "office"]
    day, night = site_load_wh([kit, kit], schedule_hours(*sky(8.5, 15.5), [office()]), 0.1)
    assert day.shape == night.shape == (1, 2, 12)
    assert day[0, 1, 0] == pytest.approx(84.7)
    assert night[0, 0, 0] == pytest.approx(170.5)


def test_every_hour_is_day_or_night() -> None:
    """A day has 24 h: a schedule that is always on runs 24 h, whatever the sun does."""
    always = ScheduleRow(schedule="on", **{f"h{h:02d}": 1.0 for h in range(24)})
    for sunrise, sunset in ((8.5, 15.5), (0.0, 24.0), (12.0, 12.0)):
        hours = schedule_hours(*sky(sunrise, sunset), [always])
        for name in ("on", "always"):
            assert hours[name][0] + hours[name][1] == pytest.approx(np.full((1, 12), 24.0))
