"""Two phases a day against simulation by the hour, over the typical years that pvlib ships.

The hour-by-hour simulation is scalar and stands here in full. Its array power is each file's hourly light put
on the plane by pvlib's Perez model. `pytest -s` prints the losses of load.
"""

from functools import cache

import numpy as np
import pytest

from planner.climate.sun import MONTH_OF_DAY, day_hours
from planner.reliability import Designs, drawn_years, simulate
from tests.climate.typical import FILES, plane_hours, read_year

EFFICIENCY, RECONNECT = 0.86, 0.2
BATTERY_DAYS = (0.8, 1.0, 1.25, 1.5, 2.0, 2.5, 3.0)
RATIOS = (1.1, 1.3)
YEARS = 4  # a typical year repeated; the first only fills the battery


def by_the_hour(power, load, usable, *, reconnect=RECONNECT, efficiency=EFFICIENCY):
    """Share of hours of load lost, one hour after the other; a load comes back within an hour, too."""
    charge, connected, lost = usable, True, 0.0
    for year in range(YEARS):
        for sun in power:
            share = 1.0  # of the hour with the load connected
            if not connected:
                wait = max(reconnect * usable - charge, 0.0)
                share = 1.0 - wait / (efficiency * sun) if efficiency * sun > wait else 0.0
                charge += efficiency * sun * (1.0 - share)
            net = sun - load
            charge = min(charge + share * (efficiency * net if net > 0 else net), usable)
            missing, connected = 1.0 - share, share > 0
            if charge < 0:
                missing, charge, connected = missing - charge / load, 0.0, False
            lost += missing if year else 0.0
    return lost / (YEARS - 1) / len(power)


def net_step_a_day(power, load, usable, *, efficiency=EFFICIENCY):
    """The same with one net step a day, as simple tools have it: the night costs no battery."""
    charge, lost = usable, 0.0
    for year in range(YEARS):
        for sun in power.reshape(365, 24).sum(axis=1):
            net = sun - 24.0 * load
            charge = min(charge + (efficiency * net if net > 0 else net), usable)
            lost += -min(charge, 0.0) if year else 0.0
            charge = max(charge, 0.0)
    return lost / (YEARS - 1) / (8760 * load)


def month_means(power):
    """Mean daily energy of the months (12,) from hours (8760,)."""
    daily = power.reshape(365, 24).sum(axis=1)
    return np.array([daily[month == MONTH_OF_DAY].mean() for month in range(12)])


@cache
def plane_of(place):
    """Hourly light on the plane (8760,) and latitude."""
    light, latitude, longitude = read_year(FILES[place])
    assert light.index[0].hour == 0  # local standard time: a day of the file begins in the night
    plane = plane_hours(light, latitude, longitude, tilt=min(latitude + 15.0, 90.0), azimuth=180.0)
    return plane.to_numpy(), latitude


def array_power(place, ratio):
    """Hourly energy at the bus (8760,) of an array of a ratio, for a load of 1 a day; day lengths (12,)."""
    plane, latitude = plane_of(place)
    hours = day_hours(np.array([latitude]))[0]
    months = month_means(plane)
    need = hours / 24.0 + (1.0 - hours / 24.0) / EFFICIENCY
    return plane * ratio / (months / need).min(), hours


def outcome_of(days, months, hours, batteries):
    """What batteries do over relative days (T,) by the planner's simulation."""
    count = len(batteries)

    def rows(values):
        return np.broadcast_to(values, (count, 12)).astype(float)

    designs = Designs(
        site=np.zeros(count, dtype=np.int64),
        array_wh=rows(months),
        day_wh=rows(hours / 24.0),
        night_wh=rows(1.0 - hours / 24.0),
        usable_wh=rows(np.array(batteries)[:, None]),
        day_hours=rows(hours),
        charge_max_wh=rows(np.inf),
        efficiency=np.full(count, EFFICIENCY),
        self_discharge=np.zeros(count),
        reconnect_share=np.full(count, RECONNECT),
        charge_temp_min_c=np.full(count, -np.inf),
    )
    return simulate(np.asarray(days, dtype=np.float32).reshape(1, -1), designs)


def two_phases(power, hours, batteries):
    """Loss of load probabilities of batteries in two phases a day."""
    daily, months = power.reshape(365, 24).sum(axis=1), month_means(power)
    outcome = outcome_of(np.tile(daily / months[MONTH_OF_DAY], YEARS), months, hours, batteries)
    return outcome.loss_of_load_probability


@pytest.fixture(scope="module")
def losses():
    """Loss of load by place and ratio: by the hour, in two phases, with one net step (battery sizes,)."""
    found = {}
    for place in FILES:
        for ratio in RATIOS:
            power, hours = array_power(place, ratio)
            hourly = [by_the_hour(power, 1.0 / 24.0, battery) for battery in BATTERY_DAYS]
            net = [net_step_a_day(power, 1.0 / 24.0, battery) for battery in BATTERY_DAYS]
            found[place, ratio] = np.array([hourly, two_phases(power, hours, BATTERY_DAYS), net])
    for (place, ratio), rows in found.items():
        for name, row in zip(("by the hour", "two phases", "net step"), rows, strict=True):
            print(f"{place:16} {ratio:4.2f} {name:12}", " ".join(f"{100 * p:6.2f}" for p in row))
    return found


@pytest.mark.parametrize("place", list(FILES))
def test_mean_loss_of_load_is_within_three_per_cent_of_hours(losses, place):
    parts = np.stack([losses[place, ratio] for ratio in RATIOS])
    hourly, phases, net = parts.mean(axis=(0, 2))
    assert hourly > 0.005  # there is something to compare
    assert phases == pytest.approx(hourly, rel=0.03)
    assert net != pytest.approx(hourly, rel=0.03)


def test_one_net_step_a_day_misses_most_of_the_loss(losses):
    hourly, phases, net = np.stack(list(losses.values())).mean(axis=(0, 2))
    print(f"mean {hourly:.4f}, {phases / hourly - 1:+.1%} in two phases, {net / hourly - 1:+.1%} in one step")
    assert phases == pytest.approx(hourly, rel=0.03)
    assert net < 0.8 * hourly


@pytest.mark.parametrize("place", list(FILES))
def test_drawn_years_lose_what_the_measured_order_of_days_loses(place):
    # the file's own classes of days, drawn anew: a typical year is one year, so it may lie as far from their
    # mean as single drawn years do
    power, hours = array_power(place, 1.1)
    daily, months = power.reshape(365, 24).sum(axis=1), month_means(power)
    classes = [np.sort(daily[month == MONTH_OF_DAY]) for month in range(12)]
    middle = (np.arange(21) + 0.5) / 21
    classes = np.stack([np.interp(middle, (np.arange(len(c)) + 0.5) / len(c), c) for c in classes])
    place_deg = {"latitude_deg": np.array([36.0]), "longitude_deg": np.array([-80.0])}
    drawn = outcome_of(drawn_years(classes[None], years=40, **place_deg), months, hours, BATTERY_DAYS)
    measured, share = two_phases(power, hours, BATTERY_DAYS), drawn.lost_hours / 8760.0
    print(place, "measured", np.round(100 * measured, 2), "drawn", np.round(100 * share.mean(axis=0), 2))
    assert (np.abs(measured - share.mean(axis=0)) < 1.5 * share.std(axis=0)).all()
    assert measured.mean() == pytest.approx(share.mean(), rel=0.25)
