"""Isoreliability curves: their shape, what they promise, and what they refuse."""

from itertools import pairwise

import numpy as np
import pytest

from planner.reliability import (
    RATIOS,
    Curves,
    drawn_years,
    simulate,
    site_curves,
    unresolved,
    years_needed,
)
from planner.reliability.search import BATTERY_DAYS_LEAST
from tests.reliability.cases import case, classes_of, designs_at, loads_of

PLACES = ["Hamburg", "Ankara", "Phoenix", "Invercargill"]
TARGETS = (0.95, 0.99, 0.999, 1.0)


@pytest.fixture(scope="module")
def held():
    """Years, loads and curves by availability."""
    days, loads = case(PLACES, years=28)
    return days, loads, {target: site_curves(days, loads, availability=target) for target in TARGETS}


def test_curves_fall_and_flatten(held):
    # shape of published isoreliability curves: more array, less battery, and ever less of it
    for curves in held[2].values():
        assert (np.diff(curves.days, axis=1) <= 0).all()
        slope = -np.diff(curves.days, axis=1) / np.diff(curves.ratio)
        assert (slope[:, 0] >= slope[:, -1]).all()
        assert (slope[:, :3].mean(axis=1) >= 2.0 * slope[:, -3:].mean(axis=1)).all()


def test_zero_loss_curves_are_convex(held):
    # the deepest spell is the greatest of sums over runs of days, each convex in the array's size
    assert held[2][1.0].convex.all()


def test_higher_availability_lies_above(held):
    for low, high in pairwise(TARGETS):
        assert (held[2][high].days >= held[2][low].days).all()
        assert (held[2][high].days[:, 2] > held[2][low].days[:, 2]).any()


@pytest.mark.parametrize("target", TARGETS)
def test_points_hold_and_slightly_less_battery_does_not(held, target):
    days, loads, curves = held
    battery, sites = curves[target].days, np.arange(len(PLACES))[:, None]
    loss = simulate(days, designs_at(loads, sites, np.array(RATIOS), battery)).loss_of_load_probability
    assert (loss <= (1 - target) * 1.003).all()  # single precision over every day
    smaller = simulate(days, designs_at(loads, sites, np.array(RATIOS), 0.95 * battery))
    above = (battery > 1.06 * BATTERY_DAYS_LEAST).ravel()
    # not all: a load that waits for a fifth of a larger battery may wait longer, and lose more
    assert np.mean(smaller.loss_of_load_probability[above] > (1 - target) * 0.99) > 0.9


def test_between_points_a_curve_never_claims_less_than_its_own_points_there(held):
    days, loads, curves = held
    between = np.array([1.03, 1.15, 1.33, 1.5, 1.75, 2.2, 3.4])
    for target, curve in curves.items():
        own = site_curves(days, loads, availability=target, ratios=between)
        for site in range(len(PLACES)):
            assert (curve.need(site, between) >= own.days[site] * (1 - 0.011)).all()  # 1 % is not searched


def test_reading_off_a_curve():
    curves = Curves(
        availability=0.99,
        ratio=np.array([1.0, 1.5, 2.0, 3.0]),
        days=np.array([[9.0, 5.0, 3.0, 2.0], [np.inf, 5.0, 4.5, 2.0]]),
    )
    ratio = np.array([[0.99, 1.0, 1.25], [2.0, 3.0, 7.0]])
    assert curves.need(0, ratio).tolist() == [[np.inf, 9.0, 9.0], [3.0, 2.0, 2.0]]
    assert curves.need(1, ratio).tolist() == [[np.inf, np.inf, np.inf], [4.5, 2.0, 2.0]]
    assert curves.convex.tolist() == [[True, True], [True, False]]


def test_curves_of_a_site_do_not_depend_on_its_neighbours(held):
    days, loads, curves = held
    alone = site_curves(days[1:2], loads.take(slice(1, 2)), availability=0.99)
    assert np.array_equal(alone.days[0], curves[0.99].days[1])


def test_hardships_raise_the_curve(held):
    days, _, curves = held
    classes, latitude, _ = classes_of(PLACES)
    plain = curves[0.99].days
    cold = np.where(np.arange(12) % 11 < 2, 0.7, 1.0)[None].repeat(len(PLACES), axis=0)
    for change in ({"reconnect": 0.5}, {"self_discharge": 0.003}, {"capacity": cold}):
        harder = site_curves(days, loads_of(classes, latitude, **change), availability=0.99).days
        assert (harder >= plain * (1 - 0.011)).all()
        assert (harder > plain * 1.02).any()


def test_no_load_needs_no_battery_and_no_sun_has_none():
    classes, latitude, _ = classes_of(["Hamburg", "Ankara"])
    loads = loads_of(classes, latitude)
    loads.day_wh[0] = loads.night_wh[0] = 0.0
    loads.array_wh[1, 11] = 0.0  # polar night with a load
    days = drawn_years(classes, latitude_deg=latitude, longitude_deg=latitude, years=30)
    curves = site_curves(days, loads, availability=0.99)
    assert (curves.days[0] == 0.0).all()
    assert np.isinf(curves.days[1]).all()


def test_a_load_by_night_alone_needs_more_than_one_by_day():
    days, even = case(["Ankara"])
    whole = even.day_wh + even.night_wh
    found = []
    for share in (0.0, 0.5, 1.0):
        even.day_wh[:], even.night_wh[:] = share * whole, (1 - share) * whole
        found.append(site_curves(days, even, availability=0.99).days[0])
    by_night, half, by_day = found
    # at small ratios grey days count more: their day's load goes through the battery too, which no ratio sees
    large = np.array(RATIOS) >= 1.4
    assert (by_night[large] >= half[large]).all()
    assert (half[large] >= by_day[large]).all()
    assert by_night[large][0] > by_day[large][0] + 0.3


@pytest.mark.parametrize(
    ("availability", "years"), [(0.95, 1), (0.99, 3), (0.999, 28), (0.9999, 274), (1.0, 0)]
)
def test_years_that_a_target_takes(availability, years):
    # ten lost days at least: 10 / (365 x loss), counted by hand
    assert years_needed(availability) == years
    assert unresolved(availability, max(years, 1)) is None


def test_a_target_finer_than_the_years_is_refused_with_the_years_it_takes(held):
    days, loads, _ = held
    refusal = unresolved(0.9999, 28, site_id="S-1")
    assert refusal is not None
    assert (refusal.value, refusal.limit, refusal.unit) == (28, 274, "years")
    assert "274 years" in refusal.message
    assert "weather-only" in refusal.message
    with pytest.raises(ValueError, match="274 years"):
        site_curves(days, loads, availability=0.9999)
