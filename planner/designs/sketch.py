"""What kits need at least, in bands and whatever the prices: little enough to keep, and soon priced.

Sizing takes time, and most kits cost more than the site's cheapest design before it. A sketch takes the load
that the parts must carry and the draw of one controller, unclipped, so what it costs never exceeds the cost
of a design at the same prices. Often it is just that: where no design is cheaper than one that is known, most
sites need no sizing to show it (three of four in a generated fleet).
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from planner.designs.battery import WHOLE_TOLERANCE
from planner.designs.codes import ranked, starts
from planner.designs.columns import Columns
from planner.designs.costs import PartCosts
from planner.designs.floors import NO_DRAW, least_blocks
from planner.designs.inputs import EPS, FloatArray, IntArray
from planner.designs.prepared import Prepared
from planner.designs.strings import hours_per_scale, months_that_ask, need_wh

STEP = 1.3  # greatest over least need of a level's demands; by trial 1.1 to 2 rule out as much
LEAST_WH = 1e-3  # a day; what needs less is as good as nothing
AMPERES = 0.5  # in which charge currents are told
UNABLE = 2**8 - 1  # modules of a pair that does not carry so much
MOST = UNABLE - 1  # units told of any part: as many at least

Small = NDArray[np.int16]
Least = NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sketch:
    """Least needs of bands (J) with batteries, at one system voltage and tilt.

    Attributes
    ----------
    kit_l : (J,)
        Volume of a band's boxes.
    band, battery, series, most, level : (P,)
        Of each store row: its blocks in series, the most it can have, and the level of its
        demand on the array.
    blocks : (P, O)
        Battery blocks that its load takes at least beside one controller of each draw, the least draw first.
    module, controller, draw : (N,)
        Pairs of a module and a controller, and the place of the controller's draw.
    modules, controllers, charge : (L, N)
        Least modules, controllers and charge current, in whole `AMPERES`, of each pair at each level;
        `UNABLE` modules where it falls short.
    """

    kit_l: FloatArray
    band: Small
    battery: Small
    series: Small
    most: Small
    level: Small
    blocks: Least
    module: Small
    controller: Small
    draw: Small
    modules: Least
    controllers: Least
    charge: Least


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """What a sketch has of a site at a system voltage whatever its tilt.

    Attributes
    ----------
    columns : Columns
        Of one controller (A,).
    draw : (A,)
        Place of each column's draw among those that there are.
    need, charging_v : (L, O, 12), (L,)
        Array energy that a level's demands ask at least beside one controller of each draw, Wh a day; their
        highest charging voltage.
    most, each : (L, A), (A,)
        Most strings of the columns that can charge a level's demands, 0 of others, and those that one of its
        controllers takes.
    rows
        The sketch's arrays by store row.
    """

    columns: Columns
    draw: IntArray
    need: FloatArray
    charging_v: FloatArray
    most: IntArray
    each: FloatArray
    rows: dict[str, NDArray[Any]]


def make_outline(p: Prepared) -> Outline:
    """Outline of a site whose kits are the stand-ins of bands.

    More strings of a heated battery cost no less and ask for no less, so the fewest stand for all.
    """
    first, numbers = p.stores.first_rows, p.settings.policy.controllers_max
    stores, (d, _) = p.stores.take(first), p.demands.of_rows(first)
    columns = p.columns.at(np.arange(0, len(p.columns.module), numbers))
    strings = p.columns.strings_max.reshape(-1, numbers)
    one_w, draw = np.unique(columns.own_w, return_inverse=True)
    p = replace(p, stores=stores, demands=d, columns=columns)
    most, kind = _kinds(p, strings)
    day, night = p.inputs.day_wh[d.kit], p.inputs.night_wh[d.kit]
    need = need_wh(p.inputs, day, night, d.heat_wh, d.efficiency, NO_DRAW)
    order, level, start = _levels(need.max(axis=(1, 2), initial=0.0), kind)
    day, night, heat = (_least(one[order], start) for one in (day, night, d.heat_wh))
    efficiency, charging_v = (_most(one[order], start) for one in (d.efficiency, d.charging_v))
    blocks, blocks_max = least_blocks(p, one_w), stores.strings_max * stores.series
    rows = np.flatnonzero(blocks.min(axis=1, initial=np.inf) <= blocks_max)
    by_row = {
        "band": stores.kit, "battery": stores.battery, "series": stores.series, "level": level[d.row],
        "most": np.minimum(blocks_max, np.iinfo(np.int16).max),
    }  # fmt: skip
    return Outline(
        columns=columns,
        draw=draw,
        need=need_wh(p.inputs, day, night, heat, efficiency, one_w),
        charging_v=charging_v,
        most=most[kind[order[start]]],
        each=(strings / np.arange(1, numbers + 1)).max(axis=1, initial=EPS),
        rows={
            "blocks": np.minimum(blocks[rows], MOST).astype(np.uint8),
            **{name: values[rows].astype(np.int16) for name, values in by_row.items()},
        },
    )


def _kinds(p: Prepared, strings: IntArray) -> tuple[IntArray, IntArray]:
    """Most strings of columns that can charge a kind of demands (W, A), 0 of others; each one's kind (R,).

    `strings` (A, numbers) are those on numbers of controllers.
    """
    d, stores, columns = p.demands, p.stores, p.columns
    fit = np.zeros((len(d.kit), stores.controllers_fit.shape[1]), dtype=bool)
    order = np.argsort(d.row, kind="stable")
    if len(order):  # of some row of the demand
        first = np.flatnonzero(starts(d.row[order]))
        fit = np.logical_or.reduceat(stores.controllers_fit[order], first, axis=0)
    some, kind = ranked(d.top_v, d.load_terminal, d.efficiency, *np.packbits(fit, axis=1).T)
    able = (columns.hot_v >= d.top_v[some, None] - EPS) & fit[some][:, columns.controller]
    # load terminals are not paralleled
    most = np.where(d.load_terminal[some, None], strings[:, 0], strings.max(axis=1, initial=0))
    most = np.where(able, most, 0)
    alike: dict[tuple[float, bytes], int] = {}
    pairs = zip(d.efficiency[some].tolist(), most, strict=True)
    same = [alike.setdefault((share, one.tobytes()), w) for w, (share, one) in enumerate(pairs)]
    return most, np.array(same, dtype=np.int64)[kind]


def _levels(need: FloatArray, kind: IntArray) -> tuple[IntArray, IntArray, IntArray]:
    """Demands (R,) of one kind that need nearly as much, as levels (L,).

    Returns the demands by level, the level of each (R,), and where each level starts (L,).
    """
    step = np.floor(np.log(np.maximum(need, LEAST_WH)) / np.log(STEP))
    order = np.lexsort((step, kind))
    first = starts(kind[order], step[order])
    level = np.empty(len(order), dtype=np.int64)
    level[order] = np.cumsum(first) - 1
    return order, level, np.flatnonzero(first)


def _least(values: FloatArray, start: IntArray, axis: int = 0) -> FloatArray:
    """Least of values from each start to the next along an axis."""
    return np.asarray(np.minimum.reduceat(values, start, axis=axis)) if len(start) else values


def _most(values: FloatArray, start: IntArray) -> FloatArray:
    """Greatest of values (R,) from each start to the next."""
    return np.asarray(np.maximum.reduceat(values, start)) if len(start) else values


def make_sketch(outline: Outline, p: Prepared) -> Sketch:
    """Sketch of a site at a tilt, from its outline."""
    columns = replace(outline.columns, warm=p.columns.warm)
    need, shapes = outline.need, len(columns.warm)
    asked = most_asked(need.reshape(-1, need.shape[2]), hours_per_scale(p.inputs, columns))
    asked = asked.reshape(*need.shape[:2], shapes)
    asked[:, :, -1] /= outline.charging_v[:, None]  # PWM: watts to amperes
    return Sketch(
        kit_l=p.inputs.kit("volume_l"),
        **outline.rows,
        **_pairs(outline, asked[:, outline.draw, columns.shape]),
    )


def most_asked(need: FloatArray, per_scale: FloatArray) -> FloatArray:
    """Greatest of needs (R, 12) times hours per scale (G, 12) over the months (R, G)."""
    most = np.zeros((len(need), len(per_scale)))
    for month in months_that_ask(need, per_scale):
        np.maximum(most, need[:, month, None] * per_scale[None, :, month], out=most)
    return most


def _pairs(outline: Outline, asked: FloatArray) -> dict[str, NDArray[Any]]:
    """Least needs of each pair at levels, from what these ask of columns of one controller (L, A)."""
    columns = outline.columns
    strings = np.maximum(np.ceil(asked / columns.scale - EPS), columns.strings_least)
    strings[strings > outline.most] = np.inf
    first = np.flatnonzero(starts(columns.module, columns.controller))
    modules = _least(strings * columns.series, first, axis=1)
    number = np.ceil(_least(strings / outline.each, first, axis=1) - EPS)
    own, longest = columns.at(first), _most(columns.series.astype(float), first)
    charge = np.where(
        own.tracked,
        np.minimum(modules * (own.string_w / own.series) / outline.charging_v[:, None], own.output_max_a),
        np.ceil(modules / longest) * own.string_i_sc_a,
    )
    needs = {"modules": modules, "controllers": number, "charge": np.floor(charge * (1 - EPS) / AMPERES)}
    places = {"module": own.module, "controller": own.controller, "draw": outline.draw[first]}
    whole = {name: np.minimum(values, MOST).astype(np.uint8) for name, values in needs.items()}
    whole["modules"][np.isinf(modules)] = UNABLE
    return whole | {name: place.astype(np.int16) for name, place in places.items()}


def least_costs(sketch: Sketch, costs: PartCosts) -> FloatArray:
    """Least cost of a design beside its kit, of each band with each battery (J, B); infinite without one.

    Batteries are those that the load takes beside the controller that draws least.
    """
    rest = np.full((len(sketch.kit_l), len(costs.block_l)), np.inf)
    if not len(sketch.band) or not len(sketch.module):
        return rest
    blocks = sketch.blocks[:, 0].astype(float)
    litres = sketch.kit_l[sketch.band] + costs.block_l[sketch.battery] * blocks
    array = _array(sketch, costs, np.arange(len(sketch.modules)))[0].min(axis=1)
    cost = costs.store(sketch.battery, blocks, litres) + array[sketch.level]
    np.minimum.at(rest, (sketch.band, sketch.battery), cost)
    return rest


def refined(sketch: Sketch, costs: PartCosts, least: FloatArray, limit: FloatArray) -> FloatArray:
    """Least costs (J, B), those up to a limit (J,) raised to what batteries and boxes cost beside each pair.

    Batteries take the pair's charge current and carry its controller's draw; boxes hold its controllers.
    """
    rows = np.flatnonzero(least[sketch.band, sketch.battery] <= limit[sketch.band])
    if not len(rows):
        return least
    band, battery, level = (one[rows] for one in (sketch.band, sketch.battery, sketch.level))
    array, number = _array(sketch, costs, level)
    strings = np.ceil(sketch.charge[level] * AMPERES / costs.charge_a[battery, None] - WHOLE_TOLERANCE)
    blocks = np.maximum(sketch.blocks[rows][:, sketch.draw], strings * sketch.series[rows, None])
    litres = sketch.kit_l[band, None] + costs.block_l[battery, None] * blocks
    litres += costs.controller_l[sketch.controller] * number
    cost = costs.store(battery[:, None], blocks, litres) + array
    cost[blocks > sketch.most[rows, None]] = np.inf
    least = least.copy()
    least[band, battery] = np.inf
    np.minimum.at(least, (band, battery), cost.min(axis=1))
    return least


def _array(sketch: Sketch, costs: PartCosts, level: NDArray[np.integer]) -> tuple[FloatArray, IntArray]:
    """What pairs cost at levels, and their controllers; two (..., N)."""
    modules, number = (one[level].astype(np.int64) for one in (sketch.modules, sketch.controllers))
    carried = costs.carried[sketch.module, np.minimum(modules, costs.carried.shape[1] - 1)]
    boxes = costs.controller[sketch.controller, np.minimum(number, costs.controller.shape[1] - 1)]
    cost = carried + boxes
    cost[modules == UNABLE] = np.inf
    return cost, number
