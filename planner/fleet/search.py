"""Local search: each site in turn takes its cheapest design beside what the others need."""

import numpy as np
from numpy.typing import NDArray

from planner.fleet.buying import FloatArray, IntArray
from planner.fleet.relaxation import NOBODY, Incumbent, Relaxation
from planner.fleet.stop import Stop

ROUNDS = 10  # passes over all sites


def settle(relax: Relaxation, best: Incumbent, stop: Stop) -> None:
    """Improve the incumbent site by site until none changes, for a counted number of passes at most."""
    if not len(best.choice):
        return
    state = _State(relax, best.choice)
    for _ in range(ROUNDS):
        before = state.choice.copy()
        for s in np.flatnonzero(state.choice != NOBODY).tolist():
            if stop.due():
                break
            state.improve(s)
        if (state.choice == before).all() or stop.due():
            break
    best.offer(relax.cost(state.choice), state.choice)


class _State:
    """A choice that changes site by site, and the need of each tiered SKU that it makes."""

    def __init__(self, relax: Relaxation, choice: IntArray) -> None:
        self.relax, self.choice = relax, choice.copy()
        self.need = relax.need(choice)[relax.curves.tiered]
        self.rows = np.append(relax.pool.start, relax.pool.size)
        self.uses = np.searchsorted(relax.use_site, np.arange(relax.pool.sites + 1))

    def improve(self, s: int) -> None:
        """Give site s its cheapest design beside the others'."""
        relax, rows = self.relax, self.rows
        mine = slice(int(self.uses[s]), int(self.uses[s + 1]))
        sku, units = relax.use_sku[mine], relax.use_units[mine].astype(np.int64)
        part = slice(relax.made_by.indptr[rows[s]], relax.made_by.indptr[rows[s + 1]])
        lengths = np.diff(relax.made_by.indptr[rows[s] : rows[s + 1] + 1])
        used = relax.made_by.indices[part] - mine.start
        design = np.repeat(np.arange(len(lengths)), lengths)
        now = relax.made_by[self.choice[s]].indices - mine.start
        self.need[sku[now]] -= units[now]
        extra = added_cost(relax, sku, self.need[sku], units)
        cost = relax.base[rows[s] : rows[s + 1]] + np.bincount(design, extra[used], minlength=len(lengths))
        cost += self.penalties(s, sku[used], design, len(lengths))
        self.choice[s] = rows[s] + int(np.argmin(np.round(cost, 6)))
        now = relax.made_by[self.choice[s]].indices - mine.start
        self.need[sku[now]] += units[now]

    def penalties(self, s: int, sku: IntArray, design: IntArray, designs: int) -> FloatArray:
        """What the designs of site s (D,) cost for rules broken; `sku` is used by `design`, use by use."""
        relax, cost = self.relax, np.zeros(designs)
        used = self.need > 0
        for skus, most in relax.caps:
            fresh = np.zeros(len(used), dtype=bool)
            fresh[skus] = ~used[skus]
            more = np.bincount(design, fresh[sku].astype(float), minlength=designs)
            cost += relax.penalty * np.maximum(0.0, int(used[skus].sum()) + more - most)
        if relax.required.any():
            lacking = relax.required & ~used
            cost -= relax.penalty * np.bincount(design, lacking[sku].astype(float), minlength=designs)
        if relax.rules.kinds > 1:
            cost[relax.kind[self.rows[s] : self.rows[s + 1]] != relax.kind[self.choice[s]]] = np.inf
        return cost


def added_cost(
    relax: Relaxation, sku: IntArray, need: NDArray[np.int64], units: NDArray[np.int64]
) -> FloatArray:
    """What `units` more of each SKU cost beside a need; more than there is breaks a rule."""
    needs, skus = relax.needs, relax.curves.tiered[sku]
    beyond = (need + units > needs.most[skus]) & (need <= needs.most[skus])
    return np.asarray(needs.of(skus, need + units) - needs.of(skus, need) + relax.penalty * beyond)
