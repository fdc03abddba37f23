"""Designs through fresh years: figures by hand, limits, and an interval that covers what it says."""

from dataclasses import replace

import numpy as np
import pytest

from planner.climate.sun import MONTH_OF_DAY
from planner.reliability import Designs, Outcome, charge_limit_wh, drawn_years, simulate, site_curves
from planner.reliability.proof import loss_interval
from planner.reliability.store import Store
from tests.reliability.cases import case, classes_of, designs_at, loads_of

DAYS = 365


def plain(count=1, **changes):
    """Designs with 12 Wh by day and 12 by night, 24 Wh of array, 40 Wh of battery, nothing lost."""

    def rows(value):
        return np.full((count, 12), float(value))

    values = {
        "site": np.arange(count),
        "array_wh": rows(24),
        "day_wh": rows(12),
        "night_wh": rows(12),
        "usable_wh": rows(40),
        "day_hours": rows(12),
        "charge_max_wh": rows(np.inf),
        "efficiency": np.ones(count),
        "self_discharge": np.zeros(count),
        "reconnect_share": np.full(count, 0.25),
        "charge_temp_min_c": np.full(count, -np.inf),
    }
    return Designs(**(values | changes))


def two_years(*dark):
    """A bright first year, then a year bright but on the given days, which have no sun."""
    days = np.full((1, 2 * DAYS), 2.0, dtype=np.float32)
    days[0, [DAYS + day for day in dark]] = 0.0
    return days


def test_a_bright_year_cycles_by_its_nights():
    # 48 Wh of sun a day: f = 12^2 / (4 x 48) = 0.75 Wh; each dark takes 12.75 Wh of 40
    outcome = simulate(two_years(), plain())
    assert outcome.loss_of_load_probability == pytest.approx([0.0])
    assert outcome.lowest_charge == pytest.approx(np.full((1, 12), 27.25 / 40), rel=1e-6)
    assert outcome.equivalent_full_cycles == pytest.approx([365 * 12.75 / 40], rel=1e-5)
    assert outcome.unused_wh == pytest.approx([365 * 24.0], rel=1e-5)
    assert outcome.days_low == pytest.approx([0.0])


def test_two_days_without_sun_by_hand():
    # Battery 40 Wh, 24 Wh a day without sun, all of it in the dark (f = 12 Wh). The charge is 40 before day
    # 100 and 16 after its dark; on day 101 the dark lacks 8 of 24: 6 (half of f) in the morning, 2 of the
    # night, and no sun brings the load back by day: all 12 h. Day 102: off by night (12 h); the sun of 48 Wh
    # brings 10 Wh (a quarter of 40) in t(10 / 48) = sqrt(10 / 96) of 12 h.
    outcome = simulate(two_years(100, 101), plain())
    wait = 12.0 * np.sqrt(10.0 / 96.0)
    assert outcome.lost_hours == pytest.approx(np.array([[2.0 + 12.0 + 12.0 + wait]]), rel=1e-5)
    assert outcome.longest_outage_h == pytest.approx([26.0 + wait], rel=1e-5)
    assert outcome.unserved_wh == pytest.approx(outcome.lost_hours, rel=1e-6)  # a load of 1 W
    assert outcome.lowest_charge[0, 3] == 0.0  # day 101 is 12 April
    assert (outcome.lowest_charge[0, [0, 1, 2, 5, 6, 7, 8, 9, 10, 11]] > 0.6).all()
    assert outcome.days_low[0] == pytest.approx(3.0)  # dawns of days 100, 101 and 102


def test_without_reconnect_charge_a_load_is_back_at_sunrise():
    outcome = simulate(two_years(100, 101), plain(reconnect_share=np.zeros(1)))
    assert outcome.lost_hours.sum() < 26.0


def test_cold_batteries_do_not_charge():
    days = two_years()
    temp = np.full(days.shape, 5.0, dtype=np.float32)
    temp[0, DAYS + 10 : DAYS + 20] = -1.0
    warm, heated, cold = (
        simulate(days, plain(charge_temp_min_c=np.array([least])), temp_battery_c=temp)
        for least in (-5.0, -np.inf, 0.0)
    )
    assert warm.loss_of_load_probability == heated.loss_of_load_probability == 0.0
    # 12.75 Wh a night out of 40: the fourth night fails, and the load stays off until the cold is over
    assert cold.lost_hours.sum() > 6 * 12.0
    assert cold.lowest_charge[0, 0] == 0.0


def test_charge_limit_binds_where_it_is_under_the_nights():
    # half a sine of 12 h that peaks at P gives P x 12 x 2 / pi
    assert charge_limit_wh(np.array(10.0), np.array(12.0)) == pytest.approx(10 * 12 * 2 / np.pi)
    enough, short = (
        simulate(two_years(), plain(charge_max_wh=np.full((1, 12), limit))) for limit in (12.75, 10.0)
    )
    assert enough.loss_of_load_probability == 0.0
    assert short.loss_of_load_probability > 0.02


def test_energy_is_kept():
    # what the array gives is used, lost in charging or unused; the battery ends about as full as it began
    days, loads = case(["Ankara"], years=20)
    designs = designs_at(loads, 0, [1.1, 2.0], 4.0)
    outcome = simulate(days, designs)
    relative = days[0].reshape(-1, DAYS)[1:].sum(axis=0)
    month = np.repeat(np.arange(12), [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
    given = (designs.array_wh[:, month] * relative).sum(axis=1) / 20
    served = 24.0 * DAYS - outcome.unserved_wh.mean(axis=0)  # 1 W
    through_battery = outcome.equivalent_full_cycles * designs.usable_wh.max(axis=1)
    losses = through_battery * (1 / 0.86 - 1)
    assert given == pytest.approx(served + losses + outcome.unused_wh, rel=2e-3)


def test_capacity_of_cold_months_counts():
    days, loads = case(["Hamburg"], years=20)
    cold = np.where(np.isin(np.arange(12), (0, 1, 11)), 0.7, 1.0)
    full = designs_at(loads, 0, 1.2, 4.0)
    less = designs_at(loads, 0, 1.2, 4.0, usable_wh=full.usable_wh * cold)
    loss = [simulate(days, design).loss_of_load_probability[0] for design in (full, less)]
    assert loss[1] > 1.2 * loss[0] > 0.0


def test_designs_on_a_curve_meet_it_on_fresh_years_within_the_interval():
    places = ["Hamburg", "Ankara", "Phoenix", "Invercargill"]
    days, loads = case(places, years=40)
    curves = site_curves(days, loads, availability=0.99)
    classes, latitude, longitude = classes_of(places)
    fresh = drawn_years(classes, latitude_deg=latitude, longitude_deg=longitude, years=40, stream=1)
    ratio, sites = np.array([1.1, 1.4, 1.8]), np.arange(len(places))
    battery = np.stack([curves.need(site, ratio) for site in sites])
    outcome = simulate(fresh, designs_at(loads, sites[:, None], ratio, battery))
    low, high = outcome.loss_interval(0.999)
    assert (low <= 0.01).all()
    assert (high >= outcome.loss_of_load_probability).all()
    half = simulate(fresh, designs_at(loads, sites[:, None], ratio, battery / 2))
    assert (half.loss_interval(0.999)[0] > 0.01)[battery.ravel() > 2].all()  # too small a one is found out


@pytest.mark.parametrize("spells_a_year", [0.3, 1.0, 4.0])
def test_interval_covers_the_truth(spells_a_year):
    # years with a Poisson number of spells, each of an exponential number of lost days with mean 2
    random = np.random.default_rng(7)
    runs, years = 3000, 100
    spells = random.poisson(spells_a_year, (years, runs))
    lost = random.gamma(np.maximum(spells, 1e-12), 2.0) * (spells > 0) / DAYS
    low, high = loss_interval(lost, 0.95)
    truth = spells_a_year * 2.0 / DAYS
    covered = np.mean((low <= truth) & (truth <= high))
    print(f"{spells_a_year} spells a year: covered {covered:.3f}")
    assert 0.91 <= covered <= 0.99
    assert (low <= lost.mean(axis=0)).all()
    assert (high >= lost.mean(axis=0)).all()


def test_interval_by_hours_would_be_far_too_narrow():
    # why years are the trials: as many trials as hours cover next to nothing
    random = np.random.default_rng(8)
    spells = random.poisson(1.0, (100, 2000))
    share = (random.gamma(np.maximum(spells, 1e-12), 2.0) * (spells > 0) / DAYS).mean(axis=0)
    half = 1.96 * np.sqrt(share * (1 - share) / (100 * 8760))
    assert np.mean(np.abs(share - 2.0 / DAYS) <= half) < 0.3


def test_no_loss_still_has_an_upper_end_and_more_years_bring_it_down():
    low, high = loss_interval(np.zeros((100, 1)), 0.95)
    assert low == pytest.approx([0.0], abs=1e-12)
    assert 0.0005 < high[0] < 0.002
    assert loss_interval(np.zeros((400, 1)), 0.95)[1] < high / 3


def test_sites_of_designs_are_looked_up():
    classes, latitude, longitude = classes_of(["Hamburg", "Phoenix"])
    days = drawn_years(classes, latitude_deg=latitude, longitude_deg=longitude, years=10)
    loads = loads_of(classes, latitude)
    own = designs_at(loads, 1, 1.1, [0.8, 1.5])
    alone = simulate(days[1:], replace(own, site=np.zeros(2, dtype=np.int64)))
    assert np.array_equal(simulate(days, own).lost_hours, alone.lost_hours)


COLD_MONTHS = np.tile(np.where(np.arange(12) % 10 < 2, 0.8, 1.0), (2, 1))


def plain_counts(days, designs):
    """What one design does, counted by hand at the end of each day."""
    share = (designs.usable_wh / designs.usable_wh.max())[0]
    of_month = [
        np.asarray(values, dtype=np.float32)
        for values in (
            designs.array_wh[0] / share, designs.day_wh[0] / share, designs.night_wh[0] / share, share,
            designs.day_hours[0] / (designs.day_wh[0] / share),
            (24.0 - designs.day_hours[0]) / (designs.night_wh[0] / share),
        )
    ]
    usable, efficiency = np.float32(designs.usable_wh.max()), np.float32(designs.efficiency[0])
    store = Store.full(
        np.array([usable]), reconnect_share=np.float32(designs.reconnect_share[0]), efficiency=efficiency,
        self_discharge=np.float32(designs.self_discharge[0]),
    )
    years = days.shape[1] // DAYS - 1
    lost, unserved, lowest = [0.0] * years, [0.0] * years, [np.inf] * 12
    outage = longest = low = out = unused = 0.0
    for t, light in enumerate(days[designs.site[0]]):
        month, dusk = MONTH_OF_DAY[t % DAYS], store.charge
        array, day, night, whole, day_hour, night_hour = (values[month] for values in of_month)
        sun = array * light
        by_night, by_day = store.step(night, np.array([sun]), day)
        if t < DAYS:
            continue
        year, hours = t // DAYS - 1, float(by_night[0] * night_hour + by_day[0] * day_hour)
        lost[year] += hours
        unserved[year] += float((by_night[0] + by_day[0]) * whole)
        outage += hours
        longest = max(longest, outage)
        outage = 0.0 if store.on[0] else outage
        low += float(store.dawn[0] < usable * np.float32(0.5))
        lowest[month] = min(lowest[month], store.dawn[0])
        drawn = dusk[0] - store.dawn[0]
        out += float(drawn)
        served = night + day - by_night[0] - by_day[0]
        taken = max(store.charge[0] - store.dawn[0], np.float32(0.0)) / efficiency
        unused += float(max(sun - max(served - drawn, np.float32(0.0)) - taken, np.float32(0.0)) * whole)
    return {
        "lost_hours": lost, "unserved_wh": unserved, "longest_outage_h": longest, "days_low": low / years,
        "lowest_charge": np.array(lowest) / usable, "equivalent_full_cycles": out / float(usable) / years,
        "unused_wh": unused / years,
    }


def test_counts_are_those_of_a_plain_loop_over_days_and_of_each_design_alone():
    """To the last digit, day after day: what is counted months at a time, of designs side by side."""
    days, loads = case(["Hamburg", "Phoenix"], years=4, self_discharge=0.002, capacity=COLD_MONTHS)
    designs = designs_at(loads, [0, 0, 1], [1.1, 2.0, 0.9], [1.0, 15.0, 1.5])
    whole, figures = simulate(days, designs), Outcome.__dataclass_fields__
    assert (whole.longest_outage_h[[0, 2]] > 24.0).all()
    assert whole.lost_hours[:, 1].sum() == 0.0
    for n in range(3):
        own = replace(designs, **{name: getattr(designs, name)[[n]] for name in Designs.__dataclass_fields__})
        alone, counted = simulate(days, own), plain_counts(days, own)
        for name in figures:
            among = getattr(whole, name)
            among = among[n] if name == "lowest_charge" else among[..., n]
            assert np.array_equal(among, counted[name]), name
            assert np.array_equal(getattr(alone, name).ravel(), np.ravel(counted[name])), name
