"""What store rows and array columns cost at least, before designs are sized; what they take at most.

A floor takes the load that the parts must carry, unclipped, and no controllers' draw, so it never exceeds the
cost of a design at the same prices.
"""

from dataclasses import dataclass

import numpy as np

from planner.designs.columns import charge_current_a
from planner.designs.costs import ArrayCosts, PartCosts, array_costs
from planner.designs.inputs import EPS, FloatArray
from planner.designs.prepared import Prepared
from planner.designs.stores import strings_for_load
from planner.designs.strings import hours_per_scale, need_wh, strings_for_all

NO_DRAW = np.zeros(1)  # of controllers: a floor counts none


@dataclass(frozen=True, slots=True, kw_only=True)
class Floors:
    """No design of a store row (P,), or of an array column (A,), costs less.

    `stores` (P,) is the rows' share of it, `array` what columns cost.
    """

    rows: FloatArray
    columns: FloatArray
    stores: FloatArray
    array: ArrayCosts


def least_blocks(p: Prepared, own_w: FloatArray) -> FloatArray:
    """Least battery blocks of a site's rows for their load, beside controllers of some draws (P, O)."""
    stores = p.stores
    strings = strings_for_load(p.inputs, p.catalogue, stores, own_w, p.settings)
    return np.asarray(np.maximum(strings, stores.strings[:, None]) * stores.series[:, None].astype(float))


def least_strings_of_any(p: Prepared) -> FloatArray:
    """Strings of each column (A,) for the demand that asks for least."""
    d, columns, inputs = p.demands, p.columns, p.inputs
    least = np.zeros(len(columns.module))
    if len(d.kit):
        day, night = inputs.day_wh[d.kit].min(axis=0)[None], inputs.night_wh[d.kit].min(axis=0)[None]
        heat, best = d.heat_wh.min(axis=0)[None], d.efficiency.max(keepdims=True)
        need = need_wh(inputs, day, night, heat, best, NO_DRAW)[0]
        asked = (need * hours_per_scale(inputs, columns)).max(axis=1)
        asked[-1] /= d.charging_v.max()  # PWM: watts to amperes
        least = np.ceil(asked[columns.shape] / columns.scale - EPS)
    return np.maximum(least, columns.strings_least)


def floors(p: Prepared, costs: PartCosts, rows: FloatArray) -> Floors:
    """Floors of a site's rows and columns at least costs, where `rows` (P,) are some for its rows."""
    columns, stores = p.columns, p.stores
    blocks = least_blocks(p, NO_DRAW)[:, 0]
    litres = p.inputs.kit("volume_l")[stores.kit] + costs.block_l[stores.battery] * blocks
    store = costs.kit[stores.kit] + costs.store(stores.battery, blocks, litres)
    store[blocks > stores.strings_max * stores.series] = np.inf
    each = array_costs(costs, columns.module, columns.series, columns.controller, columns.controllers)
    array = each.cost(least_strings_of_any(p))
    return Floors(
        rows=np.maximum(rows, store + array.min(initial=np.inf)),
        columns=array + store.min(initial=np.inf),
        stores=store,
        array=each,
    )


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
