"""Local search over choices of designs: one site at a time, and one SKU more or less for the whole fleet."""

import numpy as np

from planner.fleet.bound import Incumbent, Relaxation
from planner.fleet.market import FloatArray, IntArray, Market

ROUNDS = 4  # passes over all SKUs with tiers
SITES_MAX = 60  # larger fleets are settled, but not searched SKU by SKU
SETTLE_MAX = 1_000  # larger fleets keep the bound's own choices
PUSH = 0.8  # share of the least price at which a SKU is tried for the whole fleet


def cost_table(market: Market, most: int) -> FloatArray:
    """Cost of a need of 0..most units of each SKU, (K, most + 1)."""
    units = np.arange(most + 1)
    offers = market.fixed[:, None] + market.price[:, None] * np.maximum(units[None, :], market.least[:, None])
    table = np.full((len(market.skus), most + 1), np.inf)
    np.minimum.at(table, market.offer_sku, offers)
    table[:, 0] = 0.0
    return table


def settle(relax: Relaxation, choice: IntArray, table: FloatArray) -> IntArray:
    """Give each site in turn its cheapest design at the tiers that the others reach, until none changes."""
    pool, usage = relax.pool, relax.pool.usage
    ends = np.append(pool.start[1:], usage.shape[0])
    choice, need = choice.copy(), relax.need(choice)
    for _ in range(10):
        before = choice.copy()
        for s in range(pool.sites):
            now = usage[choice[s]]
            need[now.indices] -= now.data.astype(np.int64)
            rows = slice(int(pool.start[s]), int(ends[s]))
            first, last = usage.indptr[rows.start], usage.indptr[rows.stop]
            k, a = usage.indices[first:last], usage.data[first:last].astype(np.int64)
            added = table[k, need[k] + a] - table[k, need[k]]
            cost = pool.other_cost[rows] + np.add.reduceat(
                added, usage.indptr[rows.start : rows.stop] - first
            )
            choice[s] = rows.start + int(np.argmin(np.round(cost, 6)))
            now = usage[choice[s]]
            need[now.indices] += now.data.astype(np.int64)
        if (choice == before).all():
            break
    return choice


def search(relax: Relaxation, best: Incumbent) -> None:
    """Improve the incumbent: settle it, then try every SKU with tiers away from and into the whole fleet."""
    pool, market = relax.pool, relax.market
    if pool.sites > SETTLE_MAX:
        return
    greatest = np.zeros(len(market.skus))
    by_sku = pool.usage.tocsc()
    for k in range(len(market.skus)):
        entries = by_sku.data[by_sku.indptr[k] : by_sku.indptr[k + 1]]
        greatest[k] = entries.max(initial=0.0)
    table = cost_table(market, int(greatest.max() * pool.sites) + 1)
    best.offer(*_priced(relax, settle(relax, best.choice, table)))
    for _ in range(ROUNDS if pool.sites <= SITES_MAX else 0):
        before = best.cost
        for t in range(len(relax.tiered)):
            for prices in _trials(relax, best, t):
                _, choice = pool.cheapest(relax.base + relax.units @ prices)
                best.offer(*_priced(relax, settle(relax, choice, table)))
        if best.cost >= before - 1e-9:
            break


def _priced(relax: Relaxation, choice: IntArray) -> tuple[float, IntArray]:
    return relax.cost(choice), choice


def _trials(relax: Relaxation, best: Incumbent, t: int) -> list[FloatArray]:
    """Unit prices (tiered SKUs) at the tiers reached, with one SKU out of reach or pushed."""
    need = relax.need(best.choice)
    offer = relax.market.best_offer(need)[relax.tiered]
    now = np.where(offer >= 0, relax.market.price[np.maximum(offer, 0)], relax.high)
    pushed = now.copy()
    pushed[t] = PUSH * relax.low[t]
    if need[relax.tiered[t]] == 0:
        return [pushed]
    out = now.copy()
    out[t] = 1e6
    return [out, pushed]
