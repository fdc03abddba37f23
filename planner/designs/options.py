"""Every feasible design of one site at one system voltage, factored into store rows and array columns.

A store row is a supply kit with a battery; an array column is a module, its strings' length, and a number
of controllers of one kind. Given a row and a column, the least number of strings and of battery strings
that suffice follow from the month that asks for most, so a site's designs are two small matrices.

A design is left out only where another one of the same SKUs needs no more of any of them, so nothing that
could be cheapest at some prices is lost.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from planner.designs import battery
from planner.designs.catalogue import CatalogueArrays, Selection
from planner.designs.columns import Columns
from planner.designs.floors import Floors
from planner.designs.inputs import EPS, BoolArray, FloatArray, IntArray, SiteInputs
from planner.designs.prepared import Prepared, prepare
from planner.designs.stores import Stores, strings_for_load
from planner.designs.strings import Asked, Budget, Demands, asked_of, least_strings, within_bounds
from planner.settings import Settings

MANY = 30_000  # battery strings beyond any limit; fits the matrices' 16 bits


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteOptions:
    """Feasible designs, factored: store rows (P) x array columns (A).

    Attributes
    ----------
    kit, battery, batteries_series : (P,)
        Index of the kit in the inputs and of the battery in the catalogue, blocks in a string.
    charge_setpoint_v : (P,)
        Of one block, at 25 C.
    kit_volume_l, string_volume_l : (P,)
        Of the kit's boxes, and of one battery string.
    module, modules_series, controller, controllers : (A,)
        Indices in the catalogue, modules in a string, number of controllers.
    module_area_m2, controller_volume_l : (A,)
        Of one string, and of all controllers.
    modules_parallel : (P, A)
        Least number of strings that suffices; 0 where the pair does not work.
    batteries_parallel : (P, A)
        Least number of battery strings with that array.
    """

    system_voltage_v: int
    kit: IntArray
    battery: IntArray
    batteries_series: IntArray
    charge_setpoint_v: FloatArray
    kit_volume_l: FloatArray
    string_volume_l: FloatArray
    module: IntArray
    modules_series: IntArray
    controller: IntArray
    controllers: IntArray
    module_area_m2: FloatArray
    controller_volume_l: FloatArray
    modules_parallel: NDArray[np.int16]
    batteries_parallel: NDArray[np.int16]

    def take(self, rows: BoolArray, columns: BoolArray) -> "SiteOptions":
        """The designs of the marked rows (P,) and columns (A,)."""
        made = {"system_voltage_v": self.system_voltage_v}
        made |= {name: getattr(self, name)[np.ix_(rows, columns)] for name in PAIRS}
        made |= {name: getattr(self, name)[rows] for name in ROWS}
        return SiteOptions(**made | {name: getattr(self, name)[columns] for name in COLUMNS})


PAIRS = ("modules_parallel", "batteries_parallel")
ROWS = ("kit", "battery", "batteries_series", "charge_setpoint_v", "kit_volume_l", "string_volume_l")
COLUMNS = ("module", "modules_series", "controller", "controllers", "module_area_m2", "controller_volume_l")


def in_whole(designs: SiteOptions, parts: Selection) -> SiteOptions:
    """Designs made of a selection, with the places of their parts in the whole catalogue."""
    return replace(
        designs,
        module=parts.module[designs.module],
        battery=parts.battery[designs.battery],
        controller=parts.controller[designs.controller],
    )


def site_options(
    inputs: SiteInputs, *, catalogue: CatalogueArrays, system_voltage_v: int, settings: Settings
) -> SiteOptions:
    """All feasible designs of a site at a system voltage; without any, P and A are 0.

    Parameters
    ----------
    inputs : SiteInputs
        The site, with the kits of its load profile at this voltage.
    catalogue : CatalogueArrays
        Parts that can be bought.
    system_voltage_v : int
        12, 24 or 48.
    settings : Settings
        Of the scenario.
    """
    prepared = prepare(inputs, catalogue=catalogue, system_voltage_v=system_voltage_v, settings=settings)
    return size_designs(prepared)


def size_designs(prepared: Prepared, least: Floors | None = None, limit: float = np.inf) -> SiteOptions:
    """Feasible designs of a site; with floors, those that can cost up to a limit, and some that cost more.

    What a limit leaves out never hides a design under it: a design is left out for another one of the same
    SKUs only where that one needs no more of any, so costs no more.
    """
    stores, columns, inputs = prepared.stores, prepared.columns, prepared.inputs
    if least is None or limit == np.inf:
        columns = columns.take(within_bounds(inputs, prepared.demands, columns))
        return _size(replace(prepared, columns=columns))
    rows = np.flatnonzero(least.rows <= limit)
    demands, _ = prepared.demands.of_rows(rows)
    within = within_bounds(inputs, demands, columns) & (least.columns <= limit)
    columns, budget = columns.take(within), Budget(left=limit - least.stores[rows], array=least.array)
    budget = budget.take(slice(None), within)
    asked = asked_of(inputs, demands, columns)
    able, within = budget.affordable(demands, asked.strings)
    few = np.flatnonzero(able)
    demands, which = demands.of_rows(few)
    columns = columns.take(within)
    some = replace(prepared, stores=stores.take(rows[few]), demands=demands, columns=columns)
    return _size(some, asked.of_columns(within).of_demands(which), budget.take(few, within))


def _size(p: Prepared, asked: Asked | None = None, budget: Budget | None = None) -> SiteOptions:
    """Designs of all rows and columns, of which it may be known what they ask and what may be spent."""
    stores, columns = p.stores, p.columns
    parts, rows = [], stores.first_rows
    while len(rows):
        part = size_rows(*_at(p, rows, asked, budget))
        parts.append(replace(part, rows=rows))
        rows = stores.next_rows(rows[part.wants_more])
    rows, used, strings, blocks = _join(parts, len(columns.module))
    stores, columns = stores.take(rows), columns.take(used)
    settle_heated(stores, columns, strings, blocks)
    return _gather(p.inputs, p.catalogue, p.system_voltage_v, stores, columns, strings, blocks)


def _at(
    p: Prepared, rows: IntArray, asked: Asked | None, budget: Budget | None
) -> tuple[Prepared, Asked, Budget | None]:
    """The rows at some places, what they ask, and what may be spent on them."""
    if len(rows) < len(p.stores.kit):
        demands, which = p.demands.of_rows(rows)
        p = replace(p, stores=p.stores.take(rows), demands=demands)
        asked = asked and asked.of_demands(which)
        budget = budget and budget.take(rows, slice(None))
    return p, asked or asked_of(p.inputs, p.demands, p.columns), budget


@dataclass(frozen=True, slots=True, kw_only=True)
class SizedRows:
    """Least array and battery strings of some store rows (N) with the columns (U) that any of them uses.

    `wants_more` (N,) marks rows of too few heated battery strings for one of their columns.
    """

    rows: IntArray
    used: BoolArray  # (A,)
    strings: NDArray[np.int16]
    blocks: NDArray[np.int16]
    wants_more: BoolArray


def size_rows(p: Prepared, asked: Asked, budget: Budget | None = None) -> SizedRows:
    """Least strings of array and battery for every row and column; none where the limits forbid it."""
    stores, demands, columns = p.stores, p.demands, p.columns
    strings, current = least_strings(p.inputs, demands, columns, asked, budget)
    keep = without_longer_strings(columns, strings, current) > 0
    used = np.asarray(keep.any(axis=0), dtype=bool)
    columns, strings, current = columns.take(used), np.where(keep, strings, 0.0)[:, used], current[:, used]
    chosen = np.where(stores.controllers_fit[:, columns.controller], strings.astype(np.int16)[demands.row], 0)
    blocks = least_batteries(p.inputs, p.catalogue, stores, demands, columns, current, p.settings)
    most = np.where(stores.strings > 0, stores.strings, stores.strings_max)
    most = np.minimum(most, stores.strings_max).astype(np.int16)
    short = (chosen > 0) & (blocks > most[:, None])
    return SizedRows(
        rows=np.arange(len(stores.kit)),
        used=used,
        strings=np.where(short, 0, chosen).astype(np.int16),
        blocks=blocks,
        wants_more=np.asarray((stores.strings > 0) & short.any(axis=1), dtype=bool),
    )


def _join(
    parts: Sequence[SizedRows], columns: int
) -> tuple[IntArray, BoolArray, NDArray[np.int16], NDArray[np.int16]]:
    """Rows in rising order, columns that any uses, and their strings and blocks."""
    used = np.zeros(columns, dtype=bool)
    for part in parts:
        used |= part.used
    rows = np.concatenate([np.zeros(0, dtype=np.int64), *(part.rows for part in parts)])
    strings, blocks = (np.zeros((len(rows), int(used.sum())), dtype=np.int16) for _ in range(2))
    place, after = np.cumsum(used) - 1, 0
    for part in parts:
        at = np.ix_(np.arange(after, after + len(part.rows)), place[part.used])
        strings[at], blocks[at] = part.strings, part.blocks
        after += len(part.rows)
    order = np.argsort(rows, kind="stable")
    return rows[order], used, strings[order], blocks[order]


def _gather(
    inputs: SiteInputs,
    cat: CatalogueArrays,
    system_voltage_v: int,
    stores: Stores,
    columns: Columns,
    strings: NDArray[np.int16],
    blocks: NDArray[np.int16],
) -> SiteOptions:
    """Options of the rows and columns that are part of a design."""
    rows, cols = (np.asarray(strings.any(axis=axis), dtype=bool) for axis in (1, 0))
    strings, blocks = strings[rows][:, cols], blocks[rows][:, cols]
    kit, b, series = stores.kit[rows], stores.battery[rows], stores.series[rows]
    columns = columns.take(cols)
    return SiteOptions(
        system_voltage_v=system_voltage_v,
        kit=kit,
        battery=b,
        batteries_series=series,
        charge_setpoint_v=stores.setpoint_v[rows],
        kit_volume_l=inputs.kit("volume_l")[kit],
        string_volume_l=cat.battery("volume_l")[b] * series,
        module=columns.module,
        modules_series=columns.series,
        controller=columns.controller,
        controllers=columns.controllers,
        module_area_m2=columns.area_m2,
        controller_volume_l=cat.controller("volume_l")[columns.controller] * columns.controllers,
        modules_parallel=strings,
        batteries_parallel=np.where(strings > 0, blocks, 0).astype(np.int16),
    )


def without_longer_strings(columns: Columns, strings: FloatArray, current: FloatArray) -> FloatArray:
    """Drop a string length where another one does with no more modules and charge current (R, A).

    Of lengths that take equally many modules the longest stays: fewer strings are less work to join.
    """
    kept = strings.copy()
    group = columns.groups(columns.controllers)
    shape = len(strings), int(group.max(initial=-1)) + 1
    least, amperes, length = np.full(shape, np.inf), np.full(shape, np.inf), np.zeros(shape, dtype=np.int64)
    total = np.where(strings > 0, strings * columns.series, np.inf)
    lengths = np.unique(columns.series)[::-1]
    for series in lengths:
        at = np.flatnonzero(columns.series == series)
        g = group[at]
        better = total[:, at] < least[:, g]
        least[:, g] = np.where(better, total[:, at], least[:, g])
        amperes[:, g] = np.where(better, current[:, at], amperes[:, g])
        length[:, g] = np.where(better, series, length[:, g])
    worse = (length[:, group] != columns.series) & (current >= amperes[:, group] - EPS)
    kept[worse] = 0.0
    return kept


def least_batteries(
    inputs: SiteInputs,
    cat: CatalogueArrays,
    stores: Stores,
    demands: Demands,
    columns: Columns,
    current: FloatArray,
    settings: Settings,
) -> NDArray[np.int16]:
    """Least battery strings for autonomy, daily depth, currents and what must be kept (P, A)."""
    own, draw = columns.draws()
    least = strings_for_load(inputs, cat, stores, own, settings)
    charge = current[demands.row] / cat.battery("charge_current_max_a")[stores.battery][:, None]
    charge = np.ceil(charge - battery.WHOLE_TOLERANCE)
    return np.minimum(np.maximum(least[:, draw], charge), MANY).astype(np.int16)


def settle_heated(
    stores: Stores, columns: Columns, strings: NDArray[np.int16], blocks: NDArray[np.int16]
) -> None:
    """Rows of a number of battery strings take that number, in place, and yield to rows of fewer strings.

    Fewer heaters ask for no more array, so of the same kit, battery, setpoint, module and controller only
    designs stay that have fewer modules or controllers than those with fewer battery strings.
    """
    heated = np.flatnonzero(stores.strings)
    if not len(heated):
        return
    blocks[heated] = stores.strings[heated, None]
    store = np.column_stack([stores.kit, stores.battery, stores.setpoint_v])[heated]
    same = np.unique(store, axis=0, return_inverse=True)[1].ravel()
    parts = columns.groups(np.zeros_like(columns.series))
    shape = int(same.max()) + 1, int(parts.max(initial=-1)) + 1, int(columns.controllers.max(initial=0)) + 1
    least = np.full(shape, np.inf)  # modules, with no more controllers
    for number in np.unique(stores.strings[heated]):
        at = np.flatnonzero(stores.strings[heated] == number)
        rows, place = heated[at], (same[at, None], parts[None, :], columns.controllers[None, :])
        modules = np.where(strings[rows] > 0, strings[rows] * columns.series, np.inf)
        strings[rows] = np.where(modules < least[place], strings[rows], 0)
        np.minimum.at(least, place, modules)
        np.minimum.accumulate(least, axis=2, out=least)
