"""What store rows and array columns cost at least, before designs are sized; what they take at most.

Sizing takes time, and most rows and columns cost more than the site's cheapest design before it. A floor
takes the load that the parts must carry, unclipped, and whole strings only where a column stands alone, so
it never exceeds the cost of a design at the same prices.
"""

from dataclasses import dataclass

import numpy as np

from planner.designs.columns import charge_current_a
from planner.designs.inputs import EPS, FloatArray
from planner.designs.prepared import Prepared
from planner.designs.stores import strings_for_load
from planner.designs.strings import hours_per_scale, need_wh, strings_for_all

NO_DRAW = np.zeros(1)  # of controllers: a floor counts none


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitCosts:
    """Least cost of one unit landed at a site, currency.

    Attributes
    ----------
    kit (K,), battery (B,), module (M,), controller (C,)
        A module's includes what carries it.
    enclosure, enclosure_l : float
        Of one enclosure, and of a litre in any.
    fixed : float
        Of the site, whatever its design.
    """

    kit: FloatArray
    battery: FloatArray
    module: FloatArray
    controller: FloatArray
    enclosure: float
    enclosure_l: float
    fixed: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Floors:
    """No design of a store row (P,), or of an array column (A,), costs less.

    `stores` (P,) is the rows' share of it, `strings` and `controllers` (A,) what one string of a column and
    its controllers cost.
    """

    rows: FloatArray
    columns: FloatArray
    stores: FloatArray
    strings: FloatArray
    controllers: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Needs:
    """What rows need at least, whatever the prices: array, batteries and room.

    Attributes
    ----------
    asked : (R, G)
        Scale of all strings that each demand asks for, by shape.
    blocks, litres : (P,)
        Battery blocks, and volume of kit and batteries.
    """

    asked: FloatArray
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
    return Needs(
        asked=np.asarray(asked),
        blocks=blocks,
        litres=litres + cat.battery("volume_l")[stores.battery] * blocks,
    )


def floors(p: Prepared, needs: Needs, costs: UnitCosts) -> Floors:
    """Floors of a site's rows and columns at least costs of units."""
    columns, stores = p.columns, p.stores
    string = costs.module[columns.module] * columns.series
    controllers = costs.controller[columns.controller] * columns.controllers
    store = costs.kit[stores.kit] + costs.battery[stores.battery] * needs.blocks + costs.fixed
    store += np.maximum(costs.enclosure, costs.enclosure_l * needs.litres)
    if len(store) and len(string):
        array = _array_floors(p, needs.asked, string, controllers)[p.demands.row]
        asked = needs.asked.min(axis=0)[columns.shape]
        number = np.maximum(np.ceil(asked / columns.scale - EPS), columns.strings_least)
        cheapest = number * string + controllers + store.min()
    else:
        array, cheapest = np.full(len(store), np.inf), np.full(len(string), np.inf)
    return Floors(rows=store + array, columns=cheapest, stores=store, strings=string, controllers=controllers)


def _array_floors(p: Prepared, asked: FloatArray, string: FloatArray, controllers: FloatArray) -> FloatArray:
    """Least array for each demand (R,), strings and all controllers of a column at a cost (A,)."""
    single = _by_shape(p, string + controllers)  # infinite for a shape of no column
    rate, fixed = (
        np.where(single < np.inf, _by_shape(p, values), 0.0)
        for values in (string / p.columns.scale, controllers)
    )
    return np.asarray(np.maximum(asked * rate + fixed, single).min(axis=1))


def _by_shape(p: Prepared, values: FloatArray) -> FloatArray:
    """Least of values of the columns (A,) by shape (G,)."""
    least = np.full(len(p.columns.warm), np.inf)
    np.minimum.at(least, p.columns.shape, values)
    return least


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
