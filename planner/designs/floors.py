"""What store rows and array columns cost at least, before designs are sized; what they take at most.

Sizing takes time, and most rows and columns cost more than the site's cheapest design before it. A floor
takes the load that the parts must carry, unclipped, and whole strings only where a column stands alone, so
it never exceeds the cost of a design at the same prices.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.designs.columns import charge_current_a
from planner.designs.inputs import EPS, FloatArray, IntArray
from planner.designs.prepared import Prepared
from planner.designs.stores import strings_for_load
from planner.designs.strings import ArrayCosts, hours_per_scale, need_wh, strings_for_all

NO_DRAW = np.zeros(1)  # of controllers: a floor counts none
LEVELS = 32  # of what demands ask of the array, at which its least cost is worked out


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitCosts:
    """Least cost of one unit landed at a site, currency.

    Attributes
    ----------
    kit (K,), battery (B,), module (M,), controller (C,)
    carrier, mount (M,)
        The share of mounts that a module takes, and a whole mount.
    enclosure, enclosure_l : float
        Of one enclosure, and of a litre in any.
    fixed : float
        Of the site, whatever its design.
    """

    kit: FloatArray
    battery: FloatArray
    module: FloatArray
    carrier: FloatArray
    mount: FloatArray
    controller: FloatArray
    enclosure: float
    enclosure_l: float
    fixed: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Floors:
    """No design of a store row (P,), or of an array column (A,), costs less.

    `stores` (P,) is the rows' share of it, `array` what columns cost.
    """

    rows: FloatArray
    columns: FloatArray
    stores: FloatArray
    array: ArrayCosts


@dataclass(frozen=True, slots=True, kw_only=True)
class Ladder:
    """Strings of the columns of a shape, `at` (C,), at some rising levels of what demands ask (L, C).

    Infinite where a column has none for so much. `level` (R,) is the highest that is no more than a demand
    asks, so its strings are no more than the demand's.
    """

    at: IntArray
    strings: FloatArray
    level: IntArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Needs:
    """What rows need at least, whatever the prices: array, batteries and room.

    Attributes
    ----------
    least : (A,)
        Strings of each column for the demand that asks for least.
    ladders : sequence of Ladder
        Strings of the columns of each shape.
    blocks, litres : (P,)
        Battery blocks, and volume of kit and batteries.
    """

    least: FloatArray
    ladders: Sequence["Ladder"]
    blocks: FloatArray
    litres: FloatArray


def least_needs(p: Prepared) -> Needs:
    """Least needs of a site's rows."""
    stores, cat, d, inputs = p.stores, p.catalogue, p.demands, p.inputs
    blocks = np.maximum(strings_for_load(inputs, cat, stores, NO_DRAW, p.settings)[:, 0], stores.strings)
    blocks *= stores.series
    litres = np.array([kit.volume_l for kit in inputs.kits], dtype=float)[stores.kit]
    need = need_wh(inputs, inputs.day_wh[d.kit], inputs.night_wh[d.kit], d.heat_wh, d.efficiency, NO_DRAW)
    asked = (need[:, 0, None, :] * hours_per_scale(inputs, p.columns)[None]).max(axis=2)
    asked[:, -1] /= d.charging_v  # PWM: watts to amperes
    least = np.zeros(len(p.columns.module))
    if len(asked):
        least = np.ceil(asked.min(axis=0)[p.columns.shape] / p.columns.scale - EPS)
    return Needs(
        least=np.maximum(least, p.columns.strings_least),
        ladders=_ladders(p, asked) if len(asked) else [],
        blocks=blocks,
        litres=litres + cat.battery("volume_l")[stores.battery] * blocks,
    )


def _ladders(p: Prepared, asked: FloatArray) -> list[Ladder]:
    """A ladder for each shape of columns that charge some row, from the scale that demands ask for (R, G)."""
    charges, made = p.columns.hot_v >= p.demands.top_v.min() - EPS, []
    some = np.linspace(0, len(asked) - 1, LEVELS).astype(np.int64)
    for g in np.unique(p.columns.shape[charges]).tolist():
        at = np.flatnonzero(charges & (p.columns.shape == g))
        levels = np.unique(np.sort(asked[:, g])[some])
        strings = np.ceil(levels[:, None] / p.columns.scale[at] - EPS)
        strings = np.maximum(strings, p.columns.strings_least[at])
        strings[strings > p.columns.strings_max[at]] = np.inf
        level = np.searchsorted(levels, asked[:, g], side="right") - 1
        made.append(Ladder(at=at, strings=strings, level=level))
    return made


def floors(p: Prepared, needs: Needs, costs: UnitCosts) -> Floors:
    """Floors of a site's rows and columns at least costs of units."""
    columns, stores = p.columns, p.stores
    array_costs = ArrayCosts(
        string=costs.module[columns.module] * columns.series,
        carried=(costs.module + costs.carrier)[columns.module] * columns.series,
        mount=costs.mount[columns.module],
        controllers=costs.controller[columns.controller] * columns.controllers,
    )
    store = costs.kit[stores.kit] + costs.battery[stores.battery] * needs.blocks + costs.fixed
    store += np.maximum(costs.enclosure, costs.enclosure_l * needs.litres)
    store[needs.blocks > stores.strings_max * stores.series] = np.inf
    array = np.full(len(p.demands.kit), np.inf)
    for one in needs.ladders:
        fits = np.isfinite(one.strings)  # as many modules at no price as one likes would be no number
        cost = array_costs.take(one.at).cost(np.where(fits, one.strings, 0.0))
        least = np.where(fits, cost, np.inf).min(axis=1)
        np.minimum(array, least[one.level], out=array)
    columns_least = array_costs.cost(needs.least) + store.min(initial=np.inf)
    return Floors(rows=store + array[p.demands.row], columns=columns_least, stores=store, array=array_costs)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ceilings:
    """No design of a site takes more modules (M,), battery blocks (B,) or controllers (C,)."""

    modules: FloatArray
    blocks: FloatArray
    controllers: FloatArray


def ceilings(p: Prepared) -> Ceilings:
    """Most units of each part in any design, from the greatest load and the hard limits."""
    stores, columns, cat = p.stores, p.columns, p.catalogue
    found = Ceilings(
        modules=np.zeros(len(cat.modules)),
        blocks=np.zeros(len(cat.batteries)),
        controllers=np.zeros(len(cat.controllers)),
    )
    if not len(stores.kit) or not len(columns.module):
        return found
    strings, unclipped = strings_for_all(p.inputs, p.demands, columns)
    strings = np.where(unclipped, np.minimum(strings, columns.strings_max), columns.strings_max)
    if p.inputs.module_area_max_m2 is not None:
        strings = np.minimum(strings, np.floor(p.inputs.module_area_max_m2 / columns.area_m2 + EPS))
    np.maximum.at(found.modules, columns.module, strings * columns.series)
    np.maximum.at(found.controllers, columns.controller, columns.controllers)
    current = charge_current_a(columns, strings[None, :], stores.charging_v.min(keepdims=True)).max()
    own = columns.own_w.max(keepdims=True)
    load = strings_for_load(p.inputs, cat, stores, own, p.settings)[:, 0]
    charge = np.ceil(current / cat.battery("charge_current_max_a")[stores.battery])
    strings = np.minimum(np.maximum(load, charge), stores.strings_max)
    np.maximum.at(found.blocks, stores.battery, strings * stores.series)
    return found
