"""Grey spells against plain recursions, and the simulation by spells against that of whole years."""

import numpy as np
import pytest

from planner.reliability import simulate
from planner.reliability.loads import load_year
from planner.reliability.search import Batch, _brackets, _lost
from planner.reliability.spells import find_spells, least_battery
from tests.reliability.cases import case, designs_at

HOURS = 8760.0


def scalar_spells(gain, dark):
    """Start, days and deepest deficit of each spell, one day after the other."""
    spells, deficit = [], 0.0
    for day in range(1, len(gain)):
        if deficit <= 0.0:
            spells.append([day - 1, 0, 0.0])
        deficit += dark[day]
        spells[-1][1] += 1
        spells[-1][2] = max(spells[-1][2], deficit)
        deficit = max(0.0, deficit - gain[day])
    return spells


def unserved(gain, dark, battery):
    """Energy that a load lacks which is served as long as there is charge."""
    charge, lacked = battery, 0.0
    for day in range(1, len(gain)):
        charge -= dark[day]
        lacked += max(-charge, 0.0)
        charge = min(battery, max(charge, 0.0) + gain[day])
    return lacked


@pytest.fixture(params=range(4))
def column(request):
    random = np.random.default_rng(request.param)
    days = 2000
    return random.gamma(2.0, 0.55, days), 0.5 + 0.6 * random.random(days)


def test_spells_are_those_of_the_recursion(column):
    spells, plain = find_spells(*column), scalar_spells(*column)
    assert spells.start.tolist() == [spell[0] for spell in plain]
    assert spells.length.tolist() == [spell[1] for spell in plain]
    assert spells.peak == pytest.approx([spell[2] for spell in plain], abs=1e-9)
    deep = find_spells(*column, deeper_than=2.0).ending_after(500)
    left = [spell for spell in plain if spell[2] > 2.0 and spell[0] + spell[1] > 500]
    assert deep.start.tolist() == [spell[0] for spell in left]


def test_the_deepest_spell_is_the_least_battery_that_never_fails(column):
    # sequent peak, against the recursion of a finite battery
    peak = find_spells(*column).peak.max()
    assert unserved(*column, peak * (1 + 1e-9)) == pytest.approx(0.0, abs=1e-9)
    assert unserved(*column, peak * 0.99) > 0.0


def test_least_battery_bounds_from_below_and_is_the_root_of_its_sum(column):
    peaks = find_spells(*column).peak
    for allowed in (1.0, 10.0, 100.0):
        least = least_battery(peaks, allowed)
        assert np.maximum(peaks - least, 0.0).sum() == pytest.approx(allowed)
        assert unserved(*column, least) >= allowed - 1e-9


def test_self_discharge_deepens_spells_and_its_bounds_bracket_the_battery(column):
    drain = 0.02
    dry, wet = find_spells(*column), find_spells(*column, drain=drain)
    assert wet.peak.max() > dry.peak.max()
    assert wet.peak_least.max() <= dry.peak.max() + 1e-9


@pytest.mark.parametrize("self_discharge", [0.0, 0.002])
def test_spells_lose_what_whole_years_lose(self_discharge):
    # the same batteries through every day of the years, in single precision, and by the spells alone
    days, loads = case(["Hamburg", "Invercargill"], years=6, self_discharge=self_discharge)
    ratio = np.array([1.1, 1.6])
    batch = Batch(days=days, year=load_year(loads), loads=loads, ratio=ratio)
    low, _, lanes = _brackets(batch, 0.01 * 6 * HOURS)
    for battery in (2.0, 3.0, 5.0):
        counted = np.full(4, battery)
        assert (counted[low <= battery]).size  # of the others, shallower spells were left out
        by_spells = _lost(batch, lanes, counted)
        for column in np.flatnonzero(low <= battery):
            site, at_ratio = divmod(int(column), 2)
            whole = simulate(days, designs_at(loads, site, ratio[at_ratio], battery)).lost_hours.sum()
            assert by_spells[column] == pytest.approx(whole, rel=1e-3, abs=0.5)
