"""Designs through years that no curve saw: what weather alone leaves of their availability, how surely."""

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from planner.climate.sun import MONTH_OF_DAY
from planner.reliability.store import Floats, Store
from planner.reliability.years import DAYS, Float32Array
from planner.units import HOURS_PER_DAY, MONTHS

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Days of the year of each month.
DATES = tuple(slice(*np.searchsorted(MONTH_OF_DAY, [month, month + 1]).tolist()) for month in range(MONTHS))
HOURS_A_YEAR = DAYS * HOURS_PER_DAY
LOW_CHARGE = 0.5  # of the usable energy; days that wake under it are counted
SPELL_DAYS = 10.0  # days that stand or fall together, where no loss was seen to tell (common practice)
PEAK_OVER_MEAN = np.pi / 2  # of a day's half-sine course of power


@dataclass(frozen=True, slots=True, kw_only=True)
class Designs:
    """N designs in real figures.

    Attributes
    ----------
    site : (N,)
        Row of the years that each design stands in.
    array_wh, day_wh, night_wh, usable_wh, day_hours : (N, 12)
        By month: mean daily energy at the bus, net loads by day and by night, battery's usable energy, day
        length.
    charge_max_wh : (N, 12)
        Most energy that a day adds to the battery (`charge_limit_wh`); infinite: any.
    efficiency, self_discharge, reconnect_share : (N,)
        Energy out / energy in; share of the charge lost a day; share of the usable energy at which a
        disconnected load comes back.
    charge_temp_min_c : (N,)
        Days on which the battery is colder add nothing to it; minus infinity: heated, or any.
    """

    site: IntArray
    array_wh: FloatArray
    day_wh: FloatArray
    night_wh: FloatArray
    usable_wh: FloatArray
    day_hours: FloatArray
    charge_max_wh: FloatArray
    efficiency: FloatArray
    self_discharge: FloatArray
    reconnect_share: FloatArray
    charge_temp_min_c: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What N designs did over Y counted years, for weather alone.

    Attributes
    ----------
    lost_hours, unserved_wh : (Y, N)
        Time without load, and the energy that it lacked.
    longest_outage_h : (N,)
    days_low : (N,)
        Days a year that wake with less than the asked charge.
    lowest_charge : (N, 12)
        Over the usable energy, in each calendar month.
    equivalent_full_cycles : (N,)
        A year: energy out of the battery over its usable energy.
    unused_wh : (N,)
        A year: what the array could have given.
    """

    lost_hours: FloatArray
    unserved_wh: FloatArray
    longest_outage_h: FloatArray
    days_low: FloatArray
    lowest_charge: FloatArray
    equivalent_full_cycles: FloatArray
    unused_wh: FloatArray

    @property
    def loss_of_load_probability(self) -> FloatArray:
        """Time with unmet load over time (N,)."""
        return np.asarray(self.lost_hours.mean(axis=0) / HOURS_A_YEAR)

    def loss_interval(self, confidence: float = 0.95) -> tuple[FloatArray, FloatArray]:
        """Interval of the loss of load probability (N,) at a confidence, by years."""
        return loss_interval(self.lost_hours / HOURS_A_YEAR, confidence)


def charge_limit_wh(power_max_w: FloatArray, day_hours: FloatArray) -> FloatArray:
    """Energy a day at which a half-sine course of power just reaches a battery's greatest charging power, Wh.

    More sun would give a little more; not counting it errs to the safe side.
    """
    return np.asarray(power_max_w * day_hours / PEAK_OVER_MEAN)


def loss_interval(lost_share: FloatArray, confidence: float) -> tuple[FloatArray, FloatArray]:
    """Interval of a mean share of time (N,) from its years (Y, N): Wilson's, on as many trials as they show.

    Days of a grey spell fail together, so hours and days are no trials; years are, since a battery is full
    between two winters and drawn days remember each other for a few days only. Their variance gives the
    number of independent trials with the same spread. Where nothing was lost there is no spread: a trial is
    then taken to be `SPELL_DAYS` long.

    References
    ----------
    Wilson (1927), J. Am. Stat. Assoc. 22, 209; effective sample size: Kish, Survey Sampling (1965).
    """
    years = len(lost_share)
    p, variance = lost_share.mean(axis=0), lost_share.var(axis=0, ddof=1) / years
    trials = np.full(p.shape, years * DAYS / SPELL_DAYS)
    np.divide(p * (1.0 - p), variance, out=trials, where=variance > 0)
    z = float(ndtri((1.0 + confidence) / 2.0))
    spread = z * np.sqrt(p * (1.0 - p) / trials + (z / (2.0 * trials)) ** 2)
    middle, scale = p + z**2 / (2.0 * trials), 1.0 + z**2 / trials
    return np.maximum((middle - spread) / scale, 0.0), np.minimum((middle + spread) / scale, 1.0)


def simulate(
    days: Float32Array, designs: Designs, *, temp_battery_c: Float32Array | None = None,
    low_charge: float = LOW_CHARGE,
) -> Outcome:
    """Step designs through simulated years, of which the first fills the batteries and is not counted.

    Parameters
    ----------
    days : (S, (1 + Y) x 365)
        Relative daily irradiation of the sites' planes.
    designs : Designs
    temp_battery_c : (S, (1 + Y) x 365), optional
        Daily battery temperature; without it no day is too cold to charge.
    low_charge : float
        Share of the usable energy for `Outcome.days_low`.
    """
    months, store = _months(designs), _stores(designs)
    years = days.shape[1] // DAYS
    tally = _Tally(months, store, years - 1, low_charge)
    for year, (month, dates) in product(range(years), enumerate(DATES)):
        some = designs.site, slice(year * DAYS + dates.start, year * DAYS + dates.stop)
        sun = months.sun[month] * np.ascontiguousarray(days[some].T)
        limit = np.broadcast_to(months.charge_max[month], sun.shape)
        if temp_battery_c is not None:
            cold = designs.charge_temp_min_c > temp_battery_c[some].T
            limit = np.where(cold, np.float32(0.0), limit)
        course = _course(store, months.night[month], sun, months.day[month], limit)
        if year > 0:
            tally.add(year - 1, month, course)
    return tally.outcome()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Months:
    """Months of N designs (12, N), energies over the month's share of capacity, so that charge is kept as a
    state of charge when the months change; `share` gives them back.
    """

    sun: Float32Array
    day: Float32Array
    night: Float32Array
    charge_max: Float32Array
    day_hour: Float32Array  # hours that a unit of unserved load stands for
    night_hour: Float32Array
    share: Float32Array


def _months(designs: Designs) -> _Months:
    share = designs.usable_wh / designs.usable_wh.max(axis=1, keepdims=True)
    day, night = designs.day_wh / share, designs.night_wh / share
    hours = (designs.day_hours, day), (HOURS_PER_DAY - designs.day_hours, night)
    day_hour, night_hour = (np.divide(h, x, out=np.zeros_like(x), where=x > 0) for h, x in hours)
    values = designs.array_wh / share, day, night, designs.charge_max_wh / share, day_hour, night_hour, share
    rows = (np.ascontiguousarray(value.T, dtype=np.float32) for value in values)
    return _Months(**dict(zip(_Months.__dataclass_fields__, rows, strict=True)))


def _stores(designs: Designs) -> Store:
    """Batteries (N,), full."""
    usable, reconnect, efficiency, loss = (
        np.asarray(values, dtype=np.float32)
        for values in (
            designs.usable_wh.max(axis=1), designs.reconnect_share, designs.efficiency, designs.self_discharge
        )
    )
    return Store.full(usable, reconnect_share=reconnect, efficiency=efficiency, self_discharge=loss)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Course:
    """What N designs do in the D days of a month (D, N): the array's energy; the charge at the dusk before,
    at dawn and at dusk; 1 where the load is connected at dusk; what loads lack by night and by day.
    """

    sun: Floats
    dusk_before: Floats
    dawn: Floats
    dusk: Floats
    on: Floats
    night_lacked: Floats
    day_lacked: Floats


def _course(store: Store, night: Floats, sun: Floats, day: Floats, charge_max: Floats) -> _Course:
    """Step through the days of a month, whose loads are (N,), energies (D, N)."""
    before, on, dawn, dusk = store.charge, np.ones_like(sun), np.empty_like(sun), np.empty_like(sun)
    night_lacked, day_lacked = np.zeros_like(sun), np.zeros_like(sun)
    dark, gain = store.steady(night, sun, day, charge_max)
    for d in range(len(sun)):
        if not store.hold(dark[d], gain[d]):
            night_lacked[d], day_lacked[d] = store.step(night, sun[d], day, charge_max[d])
            on[d] = store.on
        dawn[d], dusk[d] = store.dawn, store.charge
    return _Course(
        sun=sun, dusk_before=np.concatenate([before[None], dusk[:-1]]), dawn=dawn, dusk=dusk, on=on,
        night_lacked=night_lacked, day_lacked=day_lacked,
    )


class _Tally:
    """What is counted while N designs are stepped.

    Sums are taken day after day, so that no design's last digit hangs on those beside it.
    """

    def __init__(self, months: _Months, store: Store, years: int, low_charge: float) -> None:
        self.months, self.store = months, store
        self.low = store.usable * np.float32(low_charge)
        count = len(store.usable)
        self.by_year = np.zeros((years, 2, count))  # lost hours, unserved energy
        self.in_all = np.zeros((2, count))  # energy out of the battery, unused energy
        self.lowest = np.full((MONTHS, count), np.inf, dtype=np.float32)
        self.outage, self.longest, self.days_low = np.zeros(count), np.zeros(count), np.zeros(count)

    def add(self, year: int, month: int, of: _Course) -> None:
        """Count the days of a month."""
        m, share = self.months, self.months.share[month]
        hours = of.night_lacked * m.night_hour[month] + of.day_lacked * m.day_hour[month]
        drawn = of.dusk_before - of.dawn
        served = m.night[month] + m.day[month] - of.night_lacked - of.day_lacked
        by_array = np.maximum(served - drawn, 0.0)
        taken = np.maximum(of.dusk - of.dawn, 0.0) / self.store.efficiency
        unused = np.maximum(of.sun - by_array - taken, 0.0) * share
        rows = np.stack([hours, (of.night_lacked + of.day_lacked) * share, drawn, unused], axis=1)
        before = np.concatenate([self.by_year[year], self.in_all])
        total = np.concatenate([before[None], rows]).sum(axis=0)  # row after row, as the last axis is another
        self.by_year[year], self.in_all = total[:2], total[2:]
        self.days_low += (of.dawn < self.low).sum(axis=0)
        np.minimum(self.lowest[month], of.dawn.min(axis=0), out=self.lowest[month])
        self._add_outages(hours, of.on)

    def _add_outages(self, hours: Floats, on: Floats) -> None:
        """Go on with outages day by day (D, N), of the few designs that have any."""
        some = np.flatnonzero(hours.any(axis=0) | (self.outage > 0.0))
        if not len(some):
            return
        outage, longest = self.outage[some], self.longest[some]
        for lost, back in zip(hours[:, some], on[:, some] > 0.0, strict=True):
            outage += lost
            np.maximum(longest, outage, out=longest)
            outage[back] = 0.0
        self.outage[some], self.longest[some] = outage, longest

    def outcome(self) -> Outcome:
        """The figures, by year where they are sums."""
        years, (discharged, unused) = len(self.by_year), self.in_all
        return Outcome(
            lost_hours=self.by_year[:, 0], unserved_wh=self.by_year[:, 1], longest_outage_h=self.longest,
            days_low=self.days_low / years, lowest_charge=(self.lowest / self.store.usable).T.astype(float),
            equivalent_full_cycles=discharged / self.store.usable / years, unused_wh=unused / years,
        )
