"""The least that parts cost at a site, before designs are sized; currency."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.designs.inputs import BoolArray, FloatArray, IntArray

Places = NDArray[np.integer]
Numbers = NDArray[np.integer] | FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class PartCosts:
    """Least costs of kits, and of at least 0..N units of other parts, landed at a site.

    Attributes
    ----------
    kit : (K,)
    battery, controller : (B, N + 1), (C, N + 1)
    carried : (M, N + 1)
        Modules of one kind, with their mounts.
    enclosure, enclosure_l : (E, X + 1), (E,)
        Of numbers of enclosures, the last of them too many, and what one holds.
    block_l, charge_a : (B,), (B,)
        Volume of a battery, and the most it is charged with.
    controller_l : (C,)
    fixed : float
        Of the site, whatever its design.
    """

    kit: FloatArray
    battery: FloatArray
    carried: FloatArray
    controller: FloatArray
    enclosure: FloatArray
    enclosure_l: FloatArray
    block_l: FloatArray
    charge_a: FloatArray
    controller_l: FloatArray
    fixed: float

    def store(self, battery: Places, blocks: Numbers, litres: FloatArray) -> FloatArray:
        """Of rows (P,) beside their kits: batteries, enclosures, and what the site costs anyway."""
        number = np.minimum(blocks, self.battery.shape[1] - 1).astype(np.int64)
        return np.asarray(self.battery[battery, number] + self.housed(litres) + self.fixed)

    def housed(self, litres: FloatArray) -> FloatArray:
        """Of enclosures of one kind that hold some volumes (P,); infinite without one."""
        least, most = np.full(litres.shape, np.inf), self.enclosure.shape[1] - 1
        for cost, holds in zip(self.enclosure, self.enclosure_l.tolist(), strict=True):
            number = np.minimum(np.ceil(litres / holds - 1e-9), most)
            np.minimum(least, cost[number.astype(np.int64)], out=least)
        return least


@dataclass(frozen=True, slots=True, kw_only=True)
class ArrayCosts:
    """What strings of columns (A,) cost at least: their modules as carried, and all controllers."""

    carried: FloatArray  # (M, N + 1)
    module: IntArray
    series: IntArray
    controllers: FloatArray

    def take(self, columns: IntArray | BoolArray | slice) -> "ArrayCosts":
        """Of the columns at the given places."""
        own = {name: getattr(self, name)[columns] for name in ("module", "series", "controllers")}
        return ArrayCosts(carried=self.carried, **own)

    def cost(self, strings: FloatArray) -> FloatArray:
        """Of numbers of strings (..., A), one at least."""
        modules = np.minimum(np.maximum(strings, 1.0) * self.series, self.carried.shape[1] - 1)
        return np.asarray(self.carried[self.module, modules.astype(np.int64)] + self.controllers)


def array_costs(
    costs: PartCosts, module: IntArray, series: IntArray, controller: IntArray, number: IntArray
) -> ArrayCosts:
    """Costs of columns (A,) of modules in series on a number of controllers."""
    at = np.minimum(number, costs.controller.shape[1] - 1)
    return ArrayCosts(
        carried=costs.carried, module=module, series=series, controllers=costs.controller[controller, at]
    )
