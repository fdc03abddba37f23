"""Earlier designs that stay: a site keeps its earlier design unless changing it saves enough.

`C(x)` is what the fleet costs under a choice `x` of designs, and `w[s]` what leaving its earlier design must
save at site s (currency). A choice is steady where no site alone, the others as they are, may

    go back:  C(x with the earlier design at s) - C(x) <= w[s], and no rule is broken;
    leave:    C(x) - C(x with the cheapest plan's design at s) > w[s], and no rule is broken.

Each step lowers `C(x)` + the sum of `w[s]` over the sites that have left, so that the steps end.
"""

from dataclasses import dataclass

import numpy as np

from planner.fleet.buying import FloatArray, IntArray
from planner.fleet.relaxation import NOBODY, BoolArray, Relaxation

ROUNDING = 1e-6  # currency: sums of prices that are equal may differ by as much


@dataclass(frozen=True, slots=True, kw_only=True)
class Steady:
    """What became of earlier designs, by site of a pool (S,), beside the choice that was settled on.

    `free` is the cheapest plan's choice and `earlier` the earlier design, places in the pool; `NOBODY` for a
    site without. `impossible` marks sites whose earlier design is none of today's.
    """

    free: IntArray
    earlier: IntArray
    impossible: BoolArray


def steady_choice(
    relax: Relaxation, free: IntArray, earlier: IntArray, worth: FloatArray, *, budget: float = np.inf
) -> IntArray:
    """A steady choice (S,) beside the cheapest plan's.

    Two are looked at, and the one of the lower sum (see above) is taken: that from the cheapest plan on, and
    that from the plan with every earlier design on, where it keeps the rules. Only the second one finds that
    several sites may stay together but none alone, as where they would share what one SKU costs to take on.

    Parameters
    ----------
    free, earlier : (S,)
        Places in the pool of the cheapest plan's designs and of the earlier ones; `NOBODY` without.
    worth : (S,)
        What leaving the earlier design must save, currency.
    budget : float
        Most that the plan may cost.
    """
    sites = np.flatnonzero((free != NOBODY) & (earlier != NOBODY) & (earlier != free))
    back = free.copy()
    back[sites] = earlier[sites]
    best, least = free, np.inf
    for start in (free, back):
        walk = _Walk(relax, free, earlier, worth, sites, start, budget)
        if not walk.sound:
            continue
        while walk.turns():
            pass
        if walk.value < least - ROUNDING:
            best, least = walk.choice, walk.value
    return best


class _Walk:
    """A choice in which some sites (N) go back to their earlier designs or leave them, one by one."""

    def __init__(
        self,
        relax: Relaxation,
        free: IntArray,
        earlier: IntArray,
        worth: FloatArray,
        sites: IntArray,
        start: IntArray,
        budget: float,
    ) -> None:
        designs = relax.pool.designs
        self.relax, self.sites, self.budget = relax, sites, budget
        self.free, self.earlier, self.worth = free[sites], earlier[sites], worth[sites]
        units = (designs.usage[self.earlier] - designs.usage[self.free]).toarray().round().astype(np.int64)
        self.skus = np.flatnonzero(units.any(axis=0))
        self.units = units[:, self.skus]  # what going back adds
        self.other = designs.other_cost[self.earlier] - designs.other_cost[self.free]
        self.choice, self.need = start.copy(), relax.need(start)
        self.cost = relax.cost(start)
        self.sound = relax.breaches(start, self.need) == 0 and self.cost <= budget + ROUNDING

    @property
    def gone(self) -> BoolArray:
        """Sites that have left their earlier design (N,)."""
        return np.asarray(self.choice[self.sites] != self.earlier, dtype=bool)

    @property
    def value(self) -> float:
        """The plan's cost and what leaving earlier designs must save."""
        return self.cost + float(self.worth[self.gone].sum())

    def turns(self) -> bool:
        """Let every site go back or leave where it may, the cheapest to go back first; whether one did."""
        gone, every = self.gone, np.arange(len(self.sites))
        turned = False
        for n in np.lexsort((every, np.round(self.added(every), 6), ~gone)).tolist():
            added = float(self.added(np.array([n]))[0])
            limit = self.worth[n] + ROUNDING if gone[n] else -self.worth[n] - ROUNDING
            if added <= limit and self.allowed(n, added):
                turned = True
                self.need[self.skus] += self._sign(n) * self.units[n]
                self.choice[self.sites[n]] = self._other(n)
                self.cost += added
        return turned

    def added(self, some: IntArray) -> FloatArray:
        """What the fleet costs more when one of some sites turns (n,)."""
        sign = self._sign(some)
        now = self.need[self.skus]
        then = now + sign[:, None] * self.units[some]
        goods = self.relax.needs.of(self.skus, then) - self.relax.needs.of(self.skus, now)
        return np.asarray(goods.sum(axis=1) + sign * self.other[some])

    def allowed(self, n: int, added: float) -> bool:
        """Whether rules and budget hold with the n-th site turned."""
        choice, need = self.choice.copy(), self.need.copy()
        choice[self.sites[n]] = self._other(n)
        need[self.skus] += self._sign(n) * self.units[n]
        return self.cost + added <= self.budget + ROUNDING and self.relax.breaches(choice, need) == 0

    def _sign(self, some: IntArray | int) -> IntArray:
        """1 where turning is to go back, -1 where it is to leave."""
        return np.where(self.choice[self.sites[some]] != self.earlier[some], 1, -1)

    def _other(self, n: int) -> int:
        """The design that the n-th site does not have now."""
        return int(self.earlier[n] if self.choice[self.sites[n]] != self.earlier[n] else self.free[n])
