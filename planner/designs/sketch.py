"""What kits need at least, in bands and whatever the prices: little enough to keep, and soon priced.

Sizing takes time, and most kits cost more than the site's cheapest design before it. A sketch takes the load
that the parts must carry, unclipped, and no controllers' draw, so what it costs never exceeds the cost of a
design at the same prices.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from planner.designs.codes import starts
from planner.designs.columns import Columns
from planner.designs.costs import PartCosts
from planner.designs.floors import NO_DRAW, least_blocks
from planner.designs.inputs import EPS, BoolArray, FloatArray, IntArray
from planner.designs.prepared import Prepared
from planner.designs.strings import hours_per_scale, months_that_ask, need_wh

LEVELS = 16  # of what demands ask of the array, at which its least parts are worked out
UNABLE = 2**15 - 1  # modules of a pair that does not carry so much

Small = NDArray[np.int16]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sketch:
    """Least needs of bands (J) with batteries (B), at one system voltage and tilt.

    Attributes
    ----------
    kit_l, block_l : (J,), (B,)
        Volume of a band's boxes, and of a battery.
    band, battery, blocks, demand : (P,)
        Of each store row, its batteries, and what it asks of the array.
    level : (R, G)
        For each demand and shape of columns, the highest level that is no more than it asks.
    module, controller, shape : (N,)
        Pairs of a module and a controller, by shape.
    modules, controllers : (L, N)
        Least modules and controllers of each pair at each level; `UNABLE` modules where it falls short.
    """

    kit_l: FloatArray
    block_l: FloatArray
    band: Small
    battery: Small
    blocks: Small
    demand: NDArray[np.int32]  # heated batteries ask for much, string by string
    level: NDArray[np.int8]
    module: Small
    controller: Small
    shape: Small
    modules: Small
    controllers: Small


def make_sketch(p: Prepared) -> Sketch:
    """Sketch of a site whose kits are the stand-ins of bands.

    More strings of a heated battery cost no less and ask for no less, so the fewest stand for all.
    """
    first, columns = p.stores.first_rows, p.columns
    stores, (d, _) = p.stores.take(first), p.demands.of_rows(first)
    p = replace(p, stores=stores, demands=d)
    day, night = p.inputs.day_wh[d.kit], p.inputs.night_wh[d.kit]
    need = need_wh(p.inputs, day, night, d.heat_wh, d.efficiency, NO_DRAW)[:, 0]
    asked = most_asked(need, hours_per_scale(p.inputs, columns))
    asked[:, -1] /= d.charging_v  # PWM: watts to amperes
    levels, level = _levels(asked)
    pairs = _pairs(columns, levels, columns.hot_v >= d.top_v.min(initial=np.inf) - EPS)
    blocks, _ = least_blocks(p)
    able = np.flatnonzero(blocks <= stores.strings_max * stores.series)
    return Sketch(
        kit_l=p.inputs.kit("volume_l"),
        block_l=p.catalogue.battery("volume_l"),
        band=stores.kit[able].astype(np.int16),
        battery=stores.battery[able].astype(np.int16),
        blocks=blocks[able].astype(np.int16),
        demand=d.row[able].astype(np.int32),
        level=level.astype(np.int8),
        **pairs,
    )


def most_asked(need: FloatArray, per_scale: FloatArray) -> FloatArray:
    """Greatest of needs (R, 12) times hours per scale (G, 12) over the months (R, G)."""
    most = np.zeros((len(need), len(per_scale)))
    for month in months_that_ask(need, per_scale):
        np.maximum(most, need[:, month, None] * per_scale[None, :, month], out=most)
    return most


def _levels(asked: FloatArray) -> tuple[FloatArray, IntArray]:
    """Some rising levels of what is asked of each shape (L, G), and the highest below each demand (R, G)."""
    rows, by_shape = len(asked), np.ascontiguousarray(asked.T)
    some = np.unique(np.linspace(0, rows - 1, min(LEVELS, rows)).astype(np.int64))
    levels = np.sort(by_shape, axis=1)[:, some]
    level = [np.searchsorted(*one, side="right") for one in zip(levels, by_shape, strict=True)]
    return levels.T, np.array(level, dtype=np.int64).reshape(by_shape.shape).T - 1


def _pairs(columns: Columns, levels: FloatArray, charges: BoolArray) -> dict[str, Small]:
    """Least modules and controllers of each pair at levels (L, G), over the columns that charge some row."""
    at = np.flatnonzero(charges & (columns.strings_max > 0))
    controllers, modules = (int(one[at].max(initial=0)) + 1 for one in (columns.controller, columns.module))
    code = (columns.shape[at] * modules + columns.module[at]) * controllers + columns.controller[at]
    order = np.argsort(code, kind="stable")
    some, code = columns.at(at[order]), code[order]
    strings = np.maximum(np.ceil(levels[:, some.shape] / some.scale - EPS), some.strings_least)
    fits = strings <= some.strings_max
    first = np.flatnonzero(starts(code))
    number = np.where(fits, np.minimum(strings * some.series, UNABLE), UNABLE)
    boxes = np.where(fits, some.controllers, int(some.controllers.max(initial=1)))
    least = (np.minimum.reduceat(one, first, axis=1) if len(first) else one for one in (number, boxes))
    own = some.at(first)
    names = "module", "controller", "shape", "modules", "controllers"
    found = (own.module, own.controller, own.shape, *least)
    return {name: one.astype(np.int16) for name, one in zip(names, found, strict=True)}


def least_costs(sketch: Sketch, costs: PartCosts) -> FloatArray:
    """Least cost of a design beside its kit, of each band with each battery (J, B); infinite without one."""
    rest = np.full((len(sketch.kit_l), len(sketch.block_l)), np.inf)
    if not len(sketch.band) or not len(sketch.module):
        return rest
    modules = np.minimum(sketch.modules, costs.carried.shape[1] - 1)
    number = np.minimum(sketch.controllers, costs.controller.shape[1] - 1)
    cost = costs.carried[sketch.module, modules] + costs.controller[sketch.controller, number]
    first = np.flatnonzero(starts(sketch.shape))
    shapes, least = sketch.shape[first], np.minimum.reduceat(cost, first, axis=1)  # (L, shapes)
    array = np.full(len(sketch.level), np.inf)
    for shape, cost in zip(shapes.tolist(), least.T, strict=True):
        np.minimum(array, cost[sketch.level[:, shape]], out=array)
    litres = sketch.kit_l[sketch.band] + sketch.block_l[sketch.battery] * sketch.blocks
    store = costs.store(sketch.battery, sketch.blocks, litres) + array[sketch.demand]
    first = np.flatnonzero(starts(sketch.band, sketch.battery))
    least = np.minimum.reduceat(store, first)
    np.minimum.at(rest, (sketch.band[first], sketch.battery[first]), least)
    return rest
