"""Least batteries that hold a target: every array of every site of a batch at once.

A column is one array at one site. Its spells (`spells.py`) bracket the battery; bisection closes the bracket,
simulating only spells deeper than the battery tried. Spells are independent, so they are stepped side by side,
longest first: the loop runs over the days of a spell, not over those of a hundred years.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.reliability.loads import Loads, Year, load_year
from planner.reliability.spells import Spells, find_spells, least_battery
from planner.reliability.store import Store, fringe
from planner.reliability.years import DAYS, Float32Array

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

BATTERY_DAYS_LEAST = 1.0  # curves end here: daily depth limits ask for as much (common practice, no source)
BATTERY_DAYS_MAX = 30.0  # beyond, a larger array is the cheaper way (common practice, no source)
SPELL_DAYS_MAX = 3 * DAYS  # an array that leaves the battery unfilled for longer is not counted on
TOLERANCE = 0.005  # width of the last bracket over its upper end
ROUNDING = 1.0 + 1e-9  # a battery as deep as the deepest spell holds it in spite of rounding
LANES = 8192  # spells stepped together: their arrays fit the second-level cache


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """Simulated years of S sites and what stands at their buses; the first year is not counted."""

    days: Float32Array  # (S, T)
    year: Year
    loads: Loads
    ratio: FloatArray  # (R,)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lanes:
    """Spells (N,) to simulate: column, first dusk, days, deepest deficit; longest first."""

    column: IntArray
    start: IntArray
    length: IntArray
    peak: FloatArray

    def where(self, keep: BoolArray) -> "Lanes":
        """The marked ones."""
        return Lanes(
            column=self.column[keep], start=self.start[keep], length=self.length[keep], peak=self.peak[keep]
        )


def least_batteries(batch: Batch, *, lost_hours: float) -> FloatArray:
    """Least battery (S, R) that leaves no more than so many hours unserved; infinite where none does."""
    low, high, lanes = _brackets(batch, lost_hours)
    capped = np.isfinite(high) & (high > BATTERY_DAYS_MAX)
    high[capped] = BATTERY_DAYS_MAX
    failed = capped & (_lost(batch, lanes.where(capped[lanes.column]), high) > lost_hours)
    low[failed] = high[failed] = np.inf
    while (open_ := _open(low, high)).any():
        middle = np.where(open_, (low + high) / 2.0, high)
        tried = lanes.where(open_[lanes.column])
        holds = _lost(batch, tried, middle) <= lost_hours
        high[open_ & holds] = middle[open_ & holds]
        low[open_ & ~holds] = middle[open_ & ~holds]
    return high.reshape(len(batch.days), len(batch.ratio))


def _open(low: FloatArray, high: FloatArray) -> BoolArray:
    """Brackets still too wide."""
    finite = np.isfinite(high)
    width = np.subtract(high, low, out=np.zeros_like(high), where=finite)
    return np.asarray(width > TOLERANCE * np.where(finite, high, 0.0))


def _brackets(batch: Batch, lost_hours: float) -> tuple[FloatArray, FloatArray, Lanes]:
    """Batteries (C,) that fail or just meet the target, batteries that never fail, spells in between."""
    sites, ratios = len(batch.days), len(batch.ratio)
    base = batch.loads.array_to_load_ratio
    low, high = np.full(sites * ratios, np.inf), np.full(sites * ratios, np.inf)
    kept: list[Lanes] = []
    for site in range(sites):
        unserved = lost_hours * _greatest_power(batch.year, site)
        for r in range(ratios):
            column = site * ratios + r
            if np.isinf(base[site]):
                low[column] = high[column] = 0.0  # no load to carry
            elif base[site] > 0:
                spells = _spells(batch, site, batch.ratio[r])
                if spells.length.max(initial=0) > SPELL_DAYS_MAX:
                    continue
                least = max(least_battery(spells.peak_least, unserved), BATTERY_DAYS_LEAST)
                if least < BATTERY_DAYS_MAX:
                    low[column], high[column] = least, max(least, spells.peak.max(initial=0.0) * ROUNDING)
                    kept.append(_lanes(spells, column, least))
    return low, high, _longest_first(kept)


def _greatest_power(year: Year, site: int) -> float:
    """Most energy that an hour without load lacks."""
    hours = np.concatenate([year.day_hour[site], year.night_hour[site]])
    return float(1.0 / hours[hours > 0].min())


def _spells(batch: Batch, site: int, ratio: float) -> Spells:
    """Deep spells of a column that end after the first year; the first day's dusk finds the battery full."""
    year, loads, load = batch.year, batch.loads, batch.year.day[site]
    sun = batch.days[site].reshape(-1, DAYS) * (ratio * year.sun[site])
    edge = fringe(sun, load)
    return find_spells(
        (loads.efficiency[site] * (sun - load + edge)).ravel(), (year.night[site] + edge).ravel(),
        drain=float(loads.self_discharge[site]) * BATTERY_DAYS_MAX, deeper_than=BATTERY_DAYS_LEAST,
        ending_after=DAYS,
    )


def _lanes(spells: Spells, column: int, low: float) -> Lanes:
    deep = spells.peak > low
    start = spells.start[deep]
    return Lanes(
        column=np.full(len(start), column), start=start, length=spells.length[deep], peak=spells.peak[deep]
    )


def _longest_first(parts: list[Lanes]) -> Lanes:
    """All spells, sorted by length."""
    if not parts:
        none = np.zeros(0, dtype=np.int64)
        return Lanes(column=none, start=none, length=none, peak=np.zeros(0))
    column, start, length, peak = (
        np.concatenate([getattr(part, name) for part in parts]) for name in Lanes.__dataclass_fields__
    )
    order = np.argsort(-length, kind="stable")
    return Lanes(column=column[order], start=start[order], length=length[order], peak=peak[order])


def _lost(batch: Batch, lanes: Lanes, battery: FloatArray) -> FloatArray:
    """Hours unserved (C,) with batteries (C,): those of the spells deeper than the battery."""
    deep = lanes.where(lanes.peak > battery[lanes.column])
    hours = np.concatenate([_simulate(batch, some, battery) for some in _blocks(deep)] or [np.zeros(0)])
    return np.bincount(deep.column, hours, len(battery))


def _blocks(lanes: Lanes) -> Iterator[Lanes]:
    for first in range(0, len(lanes.start), LANES):
        yield Lanes(**{name: getattr(lanes, name)[first:first + LANES] for name in Lanes.__dataclass_fields__})


def _simulate(batch: Batch, lanes: Lanes, battery: FloatArray) -> FloatArray:
    """Hours unserved in each spell (N,), which begins with a full battery at dusk and ends with one."""
    year, days = batch.year, batch.days.ravel()
    site, at_ratio = np.divmod(lanes.column, len(batch.ratio))
    ratio, of_year, of_days = batch.ratio[at_ratio], site * DAYS, site * batch.days.shape[1]
    store = Store.full(
        battery[lanes.column], reconnect_share=batch.loads.reconnect_share[site],
        efficiency=batch.loads.efficiency[site], self_discharge=batch.loads.self_discharge[site],
    )
    sun, day, night, day_hour, night_hour = (
        part.ravel() for part in (year.sun, year.day, year.night, year.day_hour, year.night_hour)
    )
    lost = np.zeros(len(lanes.start))
    running = len(lanes.start) - np.searchsorted(lanes.length[::-1], np.arange(lanes.length[0]), side="right")
    for step, n in enumerate(running.tolist(), start=1):
        store = store.first(n)
        date = lanes.start[:n] + step
        today = of_year[:n] + date % DAYS
        light = ratio[:n] * sun[today] * days[of_days[:n] + date]
        lacked = store.step(night[today], light, day[today])
        lost[:n] += lacked[0] * night_hour[today] + lacked[1] * day_hour[today]
    return lost
