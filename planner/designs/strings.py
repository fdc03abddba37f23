"""The least number of strings that carries a site's load, for every kind of load and array column."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from planner.designs.catalogue import CatalogueArrays
from planner.designs.codes import distinct, ranked, starts
from planner.designs.columns import Columns, array_wh, charge_current_a, peak_w
from planner.designs.costs import ArrayCosts
from planner.designs.inputs import EPS, BoolArray, FloatArray, IntArray, SiteInputs, net_load
from planner.designs.stores import Stores
from planner.units import W_PER_M2_STC

ENERGY_TOLERANCE_WH = 1e-6
NEVER = 1e30  # strings asked where a month has no sun
STRINGS_MAX = 100  # over any number of battery strings


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """What may be spent on the array: cells that cost more are not sized.

    `left` (P,) is what a limit leaves beside a store row; currency.
    """

    left: FloatArray
    array: ArrayCosts

    def take(self, rows: IntArray | slice, columns: IntArray | BoolArray | slice) -> "Budget":
        """Of the rows and columns at the given places."""
        return Budget(left=self.left[rows], array=self.array.take(columns))

    def exceeded(self, demands: "Demands", strings: FloatArray) -> BoolArray:
        """Cells of strings (R, A) that no row of the demand can afford."""
        return np.asarray(self.array.cost(strings) > self._most(demands)[:, None])

    def affordable(self, demands: "Demands", strings: FloatArray) -> tuple[BoolArray, BoolArray]:
        """Rows (P,) and columns (A,) of cells of strings (R, A), 0 where none is, that can be afforded."""
        cost = np.where(strings > 0, self.array.cost(strings), np.inf)
        rows = cost.min(axis=1, initial=np.inf)[demands.row] <= self.left
        columns = (cost <= self._most(demands)[:, None]).any(axis=0)
        return np.asarray(rows, dtype=bool), np.asarray(columns, dtype=bool)

    def _most(self, demands: "Demands") -> FloatArray:
        """The most that a row of each demand can afford (R,)."""
        left = np.full(len(demands.kit), -np.inf)
        np.maximum.at(left, demands.row, self.left)
        return left


@dataclass(frozen=True, slots=True, kw_only=True)
class Demands:
    """What rows ask of the array (R): those of one kit, efficiency, voltages and heaters ask for the same."""

    kit: IntArray
    efficiency: FloatArray
    charging_v: FloatArray
    top_v: FloatArray
    load_terminal: BoolArray
    heat_wh: FloatArray  # (R, 12) of the battery's heaters, by day
    row: IntArray  # (P,) demand of each store row

    def of_rows(self, rows: IntArray) -> tuple["Demands", IntArray]:
        """What the store rows at the given places ask, and the places of that among all demands."""
        which, row = distinct(self.row[rows], len(self.kit))
        some = {f: getattr(self, f)[which] for f in DEMAND_FIELDS}
        return Demands(row=row, **some), which


DEMAND_FIELDS = "kit", "efficiency", "charging_v", "top_v", "load_terminal", "heat_wh"


def make_demands(inputs: SiteInputs, cat: CatalogueArrays, stores: Stores) -> Demands:
    """Distinct demands of the store rows."""
    efficiency = cat.battery("round_trip_efficiency")[stores.battery]
    heaters = np.where(stores.strings > 0, stores.battery * STRINGS_MAX + stores.strings, 0)
    first, row = ranked(stores.kit, efficiency, stores.charging_v, stores.top_v, heaters)
    return Demands(
        kit=stores.kit[first],
        efficiency=efficiency[first],
        charging_v=stores.charging_v[first],
        top_v=stores.top_v[first],
        load_terminal=inputs.kit("load_terminal")[stores.kit[first]] > 0,
        heat_wh=stores.heat_wh[first],
        row=row,
    )


def need_wh(
    inputs: SiteInputs,
    day_wh: FloatArray,
    night_wh: FloatArray,
    heat_wh: FloatArray,
    efficiency: FloatArray,
    own_w: FloatArray,
) -> FloatArray:
    """Array energy asked at the bus by month, Wh a day (N, O, 12).

    `ratio x (day load + heaters + night load / battery efficiency)`; with `recovery_days_max` no less than
    that load and what refills, in so many days, a reserve used at that month's load:
    `autonomy_days x (day + night load) / battery efficiency / recovery_days_max`. The reserve is the one
    asked for, not the one that whole batteries make; heaters rest while it is used.

    Parameters
    ----------
    day_wh, night_wh, heat_wh : (N, 12)
        Loads without controllers, and heaters, which work by day.
    efficiency : (N,)
        Round trip of the battery.
    own_w : (O,)
        Draws of the controllers.
    """
    day, night = net_load(inputs, day_wh + heat_wh, night_wh, own_w)
    per_wh = efficiency[:, None, None]
    asked = day + night / per_wh
    need = inputs.least_ratio * asked
    if inputs.recovery_days_max is not None:
        day, night = net_load(inputs, day_wh, night_wh, own_w)
        used = inputs.autonomy_days * (day + night) / per_wh
        need = np.maximum(need, asked + used / inputs.recovery_days_max)
    return np.asarray(need)


def hours_per_scale(inputs: SiteInputs, columns: Columns) -> FloatArray:
    """Reciprocal of the hours a day at full power, by shape and month (G, 12); huge where no sun shines."""
    hours = columns.warm * inputs.poa_wh_m2_day / W_PER_M2_STC
    return np.asarray(np.divide(1.0, hours, out=np.full(hours.shape, NEVER), where=hours > 1.0 / NEVER))


def months_that_ask(need: FloatArray, per_scale: FloatArray) -> IntArray:
    """Months in which some need (N, 12) times hours per scale (G, 12) may be the year's greatest.

    Loads have much the same course over the year, so these are few; a month is left out where another one
    asks for more of every need and shape.
    """
    base = need.max(axis=1, initial=0.0, keepdims=True)
    share = np.divide(need, base, out=np.ones(need.shape), where=base > 0)
    least, most = share.min(axis=0, initial=1.0), share.max(axis=0, initial=0.0)
    floor = (least * per_scale).max(axis=1, keepdims=True)
    return np.flatnonzero((most * per_scale >= floor * (1 - EPS)).any(axis=0))


def within_bounds(inputs: SiteInputs, demands: Demands, columns: Columns) -> BoolArray:
    """Columns that some row could use and none could always do without (A,).

    A bound on all rows at once: left out are columns whose greatest array misses the smallest load, whose
    strings are too short to charge any row, or that have a controller or module more than the greatest
    load asks for.
    """
    if not len(demands.kit):
        return np.zeros(len(columns.module), dtype=bool)
    asked = _asked_by_one(inputs, demands, columns, np.min)
    one_high = columns.scale * np.where(columns.tracked, 1.0, float(demands.charging_v.max()))
    strings, unclipped = strings_for_all(inputs, demands, columns)
    enough = (strings <= columns.strings_max) & unclipped & (columns.hot_v >= demands.top_v.max())
    keep = (asked / one_high <= columns.strings_max + EPS) & (columns.hot_v >= demands.top_v.min() - EPS)
    return np.asarray(keep & ~_after_enough(columns, enough, strings), dtype=bool)


def _asked_by_one(
    inputs: SiteInputs, demands: Demands, columns: Columns, of: Callable[..., FloatArray]
) -> FloatArray:
    """What a demand less than all others, or more, asks of columns (A,) in the month that asks for most.

    `of` is the least or the greatest of loads; the best battery stands beside the least.
    """
    own, draw, shape, pair = columns.courses()
    day, night, heat = (
        of(wh, axis=0)[None]
        for wh in (inputs.day_wh[demands.kit], inputs.night_wh[demands.kit], demands.heat_wh)
    )
    efficiency = np.atleast_1d((np.max if of is np.min else np.min)(demands.efficiency))
    need = need_wh(inputs, day, night, heat, efficiency, own)[0]
    return np.asarray((need[draw] * hours_per_scale(inputs, columns)[shape]).max(axis=1)[pair])


def strings_for_all(inputs: SiteInputs, demands: Demands, columns: Columns) -> tuple[FloatArray, BoolArray]:
    """Strings of each column that carry the greatest load of all rows; whether none of them clips (A,)."""
    asked = _asked_by_one(inputs, demands, columns, np.max)
    low_v, high_v = float(demands.charging_v.min()), float(demands.charging_v.max())
    one_low = columns.scale * np.where(columns.tracked, 1.0, low_v)
    strings = np.ceil(asked / one_low - EPS)
    strings = np.maximum(strings, columns.strings_least)
    each = np.ceil(strings / columns.controllers)
    fits = each * peak_w(inputs, columns, high_v) <= columns.output_max_a * low_v
    return strings, np.asarray(~columns.tracked | fits, dtype=bool)


def _after_enough(columns: Columns, enough: BoolArray, strings: FloatArray) -> BoolArray:
    """Columns with more controllers, or with longer strings to no avail, than a column that always suffices.

    Longer strings are of no avail where a single string suffices, and behind PWM, unless they hold modules
    to be kept in fewer strings. The columns must be whole: every number of controllers of each module,
    controller and series.
    """
    counts = int(columns.controllers.max(initial=1))
    grid = enough.reshape(-1, counts)
    fewer = np.zeros_like(grid)
    fewer[:, 1:] = np.logical_or.accumulate(grid, axis=1)[:, :-1]
    free = ~columns.tracked & (columns.strings_least <= 1)
    short = (enough & ((strings <= 1) | free)).reshape(-1, counts)
    short = np.logical_or.accumulate(short, axis=1)  # nor with more controllers
    parts = columns.module * (columns.controller.max(initial=0) + 1) + columns.controller
    first = starts(parts[::counts])
    start = np.flatnonzero(first)[np.cumsum(first) - 1]
    before: IntArray = np.cumsum(short, axis=0) - short
    shorter: BoolArray = before > before[start]
    return (fewer | shorter).ravel()


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What demands (R) ask of array columns (A) before output limits are seen.

    Attributes
    ----------
    need : (R, O, 12)
        Array energy at each draw of controllers, Wh a day.
    draw : (A,)
        Place of a column's draw in it.
    strings : (R, A)
        Least strings, 0 where a hard limit forbids them.
    """

    need: FloatArray
    draw: IntArray
    strings: FloatArray

    def of_demands(self, places: IntArray) -> "Asked":
        """Of the demands at the given places."""
        return Asked(need=self.need[places], draw=self.draw, strings=self.strings[places])

    def of_columns(self, keep: BoolArray) -> "Asked":
        """Of the marked columns."""
        return Asked(need=self.need, draw=self.draw[keep], strings=self.strings[:, keep])


def asked_of(inputs: SiteInputs, demands: Demands, columns: Columns) -> Asked:
    """What demands ask of array columns."""
    own, draw, shape, pair = columns.courses()
    day, night = inputs.day_wh[demands.kit], inputs.night_wh[demands.kit]
    need = need_wh(inputs, day, night, demands.heat_wh, demands.efficiency, own)
    per_scale = hours_per_scale(inputs, columns)[shape]
    month = months_that_ask(need.reshape(-1, need.shape[2]), per_scale)
    asked = (need[:, draw[:, None], month] * per_scale[:, month]).max(axis=2, initial=0.0)  # (R, pairs)
    asked[:, shape == len(columns.warm) - 1] /= demands.charging_v[:, None]  # PWM: watts to amperes
    strings = np.maximum(np.ceil(asked[:, pair] / columns.scale - EPS), columns.strings_least)
    ok = (strings <= columns.strings_max) & (columns.hot_v >= demands.top_v[:, None] - EPS)
    ok &= ~demands.load_terminal[:, None] | (columns.controllers == 1)  # load terminals are not paralleled
    return Asked(need=need, draw=draw[pair], strings=np.where(ok, strings, 0.0))


def least_strings(
    inputs: SiteInputs, demands: Demands, columns: Columns, asked: Asked, budget: Budget | None = None
) -> tuple[FloatArray, FloatArray]:
    """Least strings for every demand and column, and their charge current, A; two arrays (R, A).

    0 where no number suffices, and where fewer controllers do with no more strings: those draw less and
    charge with no more current, so they need no more batteries either.
    """
    strings = asked.strings.copy()
    if budget is not None:
        strings[budget.exceeded(demands, strings)] = 0.0
    group = columns.groups(columns.series)
    best = np.full((len(strings), int(group.max(initial=-1)) + 1), np.inf)
    for number in range(1, int(columns.controllers.max(initial=0)) + 1):
        at = np.flatnonzero(columns.controllers == number)
        fewer, mine = best[:, group[at]], strings[:, at]
        mine[mine >= fewer] = 0.0  # clipping only adds strings
        _raise_for_clipping(inputs, demands, columns, at, mine, asked.need, asked.draw[at])
        if inputs.module_area_max_m2 is not None:
            mine[mine * columns.area_m2[at] > inputs.module_area_max_m2 + EPS] = 0.0
        mine[mine >= fewer] = 0.0
        best[:, group[at]] = np.where(mine > 0, mine, fewer)
        strings[:, at] = mine
    return strings, charge_current_a(columns, strings, demands.charging_v)


def _raise_for_clipping(
    inputs: SiteInputs,
    demands: Demands,
    columns: Columns,
    at: IntArray,
    strings: FloatArray,
    need: FloatArray,
    place: IntArray,
) -> None:
    """Add strings where trackers' output limits clip too much, in place; 0 where none suffices. By bisection.

    `at` are the columns of `strings` (R, N), `place` (N,) their draw in `need` (R, O, 12).
    """
    each = np.ceil(strings / columns.controllers[at])
    limit = columns.output_max_a[at] * demands.charging_v[:, None]
    r, n = np.nonzero(columns.tracked[at] & (each * peak_w(inputs, columns, 1.0)[at] > limit))
    suffices = _Sufficiency(inputs, demands, columns, r, at[n], need, place[n])
    low, high = strings[r, n].astype(np.int64), columns.strings_max[at[n]].copy()
    short = np.flatnonzero(~suffices(np.arange(len(r)), low))
    within = suffices(short, high[short])
    strings[r[short[~within]], n[short[~within]]] = 0.0
    short = short[within]
    undecided = short
    while len(undecided):  # low falls short, high suffices
        middle = (low[undecided] + high[undecided]) // 2
        good = suffices(undecided, middle)
        high[undecided] = np.where(good, middle, high[undecided])
        low[undecided] = np.where(good, low[undecided], middle)
        undecided = undecided[high[undecided] - low[undecided] > 1]
    strings[r[short], n[short]] = high[short]


class _Sufficiency:
    """Whether numbers of strings carry demands (N) of rows `r` with columns `a`.

    Many demands ask about the same array at the same voltage: each is computed once.
    """

    def __init__(
        self,
        inputs: SiteInputs,
        demands: Demands,
        columns: Columns,
        r: IntArray,
        a: IntArray,
        need: FloatArray,
        place: IntArray,
    ) -> None:
        self.inputs, self.columns = inputs, columns
        self.levels, level = np.unique(demands.charging_v, return_inverse=True)
        self.most = int(columns.strings_max.max(initial=0)) + 1
        self.code = (a * len(self.levels) + level[r]) * self.most
        self.r, self.place, self.need = r, place, need

    def __call__(self, at: IntArray, number: IntArray) -> BoolArray:
        code = self.code[at] + number
        seen = np.zeros(len(self.columns.module) * len(self.levels) * self.most, dtype=bool)
        seen[code] = True
        distinct = np.flatnonzero(seen)
        rank = np.empty(len(seen), dtype=np.int64)
        rank[distinct] = np.arange(len(distinct))
        array, number = np.divmod(distinct, self.most)
        column, level = np.divmod(array, max(1, len(self.levels)))
        energy = array_wh(self.inputs, self.columns, column, number, self.levels[level])
        enough = energy[rank[code]] >= self.need[self.r[at], self.place[at]] - ENERGY_TOLERANCE_WH
        return np.asarray(enough.all(axis=1), dtype=bool)
