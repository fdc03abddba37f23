"""Least batteries that hold a target: every array of every site of a batch at once.

A column is one array at one site. Its spells (`spells.py`) bracket the battery; bisection closes the bracket
and simulates only the spells deeper than the battery it tries. Spells are independent, so they are stepped
side by side, longest first: the loop runs over the days of a spell, not over those of a hundred years.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.reliability.loads import Loads, Year
from planner.reliability.spells import Spells, find_spells, least_battery
from planner.reliability.store import Store, fringe
from planner.reliability.years import DAYS, Float32Array

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

BATTERY_DAYS_LEAST = 1.0  # curves end here: daily depth limits ask for as much (common practice, no source)
BATTERY_DAYS_MAX = 30.0  # beyond, a larger array is the cheaper way (common practice, no source)
SPELL_DAYS_MAX = 3 * DAYS  # an array that leaves the battery unfilled for longer is not counted on
TOLERANCE = 0.01  # width of the last bracket over its upper end
REACH = 1.12  # the first trial over the lower bound, which most batteries exceed by 5 to 20 %
ROUNDING = 1.0 + 1e-4  # a battery as deep as the deepest spell holds it, in single precision too
LANES = 16_384  # spells stepped together: their arrays fit the second-level cache


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """Simulated years of S sites (S, T), their loads, and R ratios of arrays."""

    days: Float32Array
    year: Year
    loads: Loads
    ratio: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Lanes:
    """Spells (N,) to simulate: column, first dusk, days, deepest deficit; longest first."""

    column: IntArray
    start: IntArray
    length: IntArray
    peak: FloatArray

    def take(self, some: BoolArray | slice) -> "Lanes":
        """Some of them, in their order."""
        return Lanes(**{name: getattr(self, name)[some] for name in self.__dataclass_fields__})


def least_batteries(batch: Batch, *, lost_hours: float) -> FloatArray:
    """Least battery (S, R), in days of load, that leaves no more than so many hours unserved.

    From `BATTERY_DAYS_LEAST` to `BATTERY_DAYS_MAX`; 0 where there is no load, infinite where no battery does.
    """
    low, high, lanes = _brackets(batch, lost_hours)

    def holds(battery: FloatArray, columns: BoolArray) -> BoolArray:
        return _lost(batch, lanes.take(columns[lanes.column]), battery) <= lost_hours

    deep = np.isfinite(high) & (high > BATTERY_DAYS_MAX)
    high[deep] = BATTERY_DAYS_MAX
    failed = deep & ~holds(high, deep)
    low[failed] = high[failed] = np.inf
    shallow = low == BATTERY_DAYS_LEAST
    enough = shallow & holds(low, shallow)
    high[enough] = BATTERY_DAYS_LEAST
    while (wide := _wide(low, high)).any():
        trial = np.where(wide, np.minimum((low + high) / 2.0, low * REACH), high)
        good = holds(trial, wide)
        high[wide & good], low[wide & ~good] = trial[wide & good], trial[wide & ~good]
    return high.reshape(len(batch.days), len(batch.ratio))


def _wide(low: FloatArray, high: FloatArray) -> BoolArray:
    """Brackets that are still too wide."""
    finite = np.isfinite(high)
    return finite & (np.where(finite, high, 0.0) * (1.0 - TOLERANCE) > np.where(finite, low, 0.0))


def _brackets(batch: Batch, lost_hours: float) -> tuple[FloatArray, FloatArray, Lanes]:
    """Of every column (C,): a battery that is too small or just holds, one that never fails, and the spells
    that lie between them.
    """
    base, ratios = batch.loads.array_to_load_ratio, len(batch.ratio)
    low, high = np.full(len(base) * ratios, np.inf), np.full(len(base) * ratios, np.inf)
    low[np.repeat(np.isinf(base), ratios)] = high[np.repeat(np.isinf(base), ratios)] = 0.0  # no load to carry
    lanes = list[Lanes]()
    for site in np.flatnonzero((base > 0) & np.isfinite(base)).tolist():
        unserved = lost_hours * _greatest_power(batch.year, site)
        for column, spells in enumerate(_site_spells(batch, site), start=site * ratios):
            counted = spells.peak_least[spells.start >= DAYS]  # whole; of one over New Year, no more is known
            least = max(least_battery(counted, unserved), BATTERY_DAYS_LEAST)
            if spells.length.max(initial=0) <= SPELL_DAYS_MAX and least < BATTERY_DAYS_MAX:
                low[column], high[column] = least, max(least, spells.peak.max(initial=0.0) * ROUNDING)
                lanes.append(_lanes(spells, column, least))
    return low, high, _longest_first(lanes)


def _greatest_power(year: Year, site: int) -> float:
    """Most energy that an hour without load lacks."""
    hours = np.concatenate([year.day_hour[site], year.night_hour[site]])
    return float(1.0 / hours[hours > 0].min())


def _site_spells(batch: Batch, site: int) -> Iterator[Spells]:
    """Deep spells of each array of a site that end after the first year, which begins with a full battery.

    A larger array's deep spells lie within those of a smaller one, so only their days are looked at again.
    """
    year, efficiency = batch.year, np.float32(batch.loads.efficiency[site])
    drain = float(batch.loads.self_discharge[site]) * BATTERY_DAYS_MAX
    date = np.arange(batch.days.shape[1])  # day 0 stands before the days that are looked at
    for ratio in batch.ratio.astype(np.float32):
        today = date % DAYS
        load, sun = year.day[site][today], ratio * year.sun[site][today] * batch.days[site][date]
        edge = fringe(sun, load)
        found = find_spells(
            efficiency * (sun - load + edge),
            year.night[site][today] + edge,
            drain=drain,
            deeper_than=BATTERY_DAYS_LEAST,
        )
        spells = found.moved(date[found.start + 1] - 1).ending_after(DAYS)
        yield spells
        date = np.concatenate([date[:1], spells.dates()])


def _lanes(spells: Spells, column: int, battery: float) -> Lanes:
    """The spells of a column that are deeper than a battery."""
    deep = spells.peak > battery
    return Lanes(
        column=np.full(int(deep.sum()), column),
        start=spells.start[deep],
        length=spells.length[deep],
        peak=spells.peak[deep],
    )


def _longest_first(parts: Sequence[Lanes]) -> Lanes:
    """All spells, sorted by length."""
    none = np.zeros(0, dtype=np.int64)
    empty = Lanes(column=none, start=none, length=none, peak=np.zeros(0))
    parts = (empty, *parts)
    column, start, length, peak = (
        np.concatenate([getattr(part, name) for part in parts]) for name in Lanes.__dataclass_fields__
    )
    order = np.argsort(-length, kind="stable")
    return Lanes(column=column[order], start=start[order], length=length[order], peak=peak[order])


def _lost(batch: Batch, lanes: Lanes, battery: FloatArray) -> FloatArray:
    """Hours unserved (C,) with batteries (C,): those of the spells deeper than the battery."""
    deep = lanes.take(lanes.peak > battery[lanes.column])
    total = np.zeros(len(battery))
    for first in range(0, len(deep.start), LANES):
        some = deep.take(slice(first, first + LANES))
        np.add.at(total, some.column, _simulate(batch, some, battery))
    return total


def _simulate(batch: Batch, lanes: Lanes, battery: FloatArray) -> FloatArray:
    """Hours unserved after the first year in each spell (N,), which begins at dusk with a full battery."""
    year, days = batch.year, batch.days.ravel()
    site, at_ratio = np.divmod(lanes.column, len(batch.ratio))
    ratio = batch.ratio[at_ratio].astype(np.float32)
    of_year, of_days = site * DAYS, site * batch.days.shape[1]
    store = Store.full(
        battery[lanes.column].astype(np.float32),
        reconnect_share=batch.loads.reconnect_share[site].astype(np.float32),
        efficiency=batch.loads.efficiency[site].astype(np.float32),
        self_discharge=batch.loads.self_discharge[site].astype(np.float32),
    )
    sun, day, night, day_hour, night_hour = (
        part.ravel() for part in (year.sun, year.day, year.night, year.day_hour, year.night_hour)
    )
    lost, steps = np.zeros(len(lanes.start)), np.arange(int(lanes.length[0]))
    running = len(lanes.start) - np.searchsorted(lanes.length[::-1], steps, side="right")
    for step, n in enumerate(running.tolist(), start=1):
        store = store.first(n) if n < len(store.on) else store
        date = lanes.start[:n] + step
        today = of_year[:n] + date % DAYS
        light = ratio[:n] * sun[today] * days[of_days[:n] + date]
        by_night, by_day = store.step(night[today], light, day[today])
        hours = by_night * night_hour[today] + by_day * day_hour[today]
        lost[:n] += np.where(date >= DAYS, hours, 0.0)
    return lost
