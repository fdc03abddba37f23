"""Local search: each site in turn takes its cheapest design at the price tiers that the others reach."""

import numpy as np

from planner.fleet.bound import Incumbent, Relaxation
from planner.fleet.market import FloatArray, IntArray

ROUNDS = 10  # passes over all sites


def settle(relax: Relaxation, best: Incumbent) -> None:
    """Improve the incumbent site by site until none changes, for a counted number of passes at most."""
    sites, made_by, tiered = relax.pool.sites, relax.made_by, relax.curves.tiered
    rows = np.append(relax.pool.start, relax.pool.size)
    uses = np.searchsorted(relax.use_site, np.arange(sites + 1))
    choice, need = best.choice.copy(), relax.need(best.choice)[tiered]
    for _ in range(ROUNDS):
        before = choice.copy()
        for s in range(sites):
            mine = slice(int(uses[s]), int(uses[s + 1]))
            sku, units = relax.use_sku[mine], relax.use_units[mine].astype(np.int64)
            part = slice(made_by.indptr[rows[s]], made_by.indptr[rows[s + 1]])
            lengths = np.diff(made_by.indptr[rows[s] : rows[s + 1] + 1])
            used = made_by.indices[part] - mine.start
            now = made_by[choice[s]].indices - mine.start
            need[sku[now]] -= units[now]
            extra = added_cost(relax, sku, need[sku], units)
            cost = relax.base[rows[s] : rows[s + 1]] + np.bincount(
                np.repeat(np.arange(len(lengths)), lengths), extra[used], minlength=len(lengths)
            )
            choice[s] = rows[s] + int(np.argmin(np.round(cost, 6)))
            now = made_by[choice[s]].indices - mine.start
            need[sku[now]] += units[now]
        if (choice == before).all():
            break
    best.offer(relax.cost(choice), choice)


def added_cost(relax: Relaxation, sku: IntArray, need: IntArray, units: IntArray) -> FloatArray:
    """What `units` more of each SKU cost beside a need."""
    cost = relax.market.goods_cost
    skus = relax.curves.tiered[sku]
    return cost(skus, need + units) - cost(skus, need)
