"""A proven lower bound on the fleet's cost, and good plans on the way: Lagrangian bound with tier branching.

The need rows of the model, `sum_v u[v] >= sum_{s,d} a[k,d] y[s,d]`, are relaxed with a multiplier `mu[k]`
per SKU that has price tiers:

    L(mu) = sum_s min_d (c[s,d] + sum_k mu[k] a[k,d])  +  sum_k min_{0 <= u <= U[k]} (C_k(u) - mu[k] u)

where `C_k(u) = min_v f[v] + p[v] max(u, q[v])` is what a need of `u` units costs. `L` is a lower bound for
every `mu`; a deflected subgradient in a counted number of steps raises it. The multipliers stay in
`[low price, single-unit price]`, where the pool's minima are exact by its `floor`.

What the relaxation cannot see is which tier is reached. A node of the search forbids a SKU the tiers
from some threshold on (then fewer units than the threshold are needed) or obliges the fleet to pay for
at least that threshold. Both are exhaustive, so the least bound over the open nodes holds for the fleet.
"""

import heapq
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from planner.fleet.market import FloatArray, IntArray, Market
from planner.fleet.pool import Pool

DEFLECTION = 0.6  # share of the new subgradient in the step's direction (Camerini, Fratta and Maffioli 1975)
STALL = 12  # steps without a better bound after which the step is halved


@dataclass(frozen=True, slots=True, kw_only=True)
class Node:
    """What is decided: offers allowed (V,), units paid for at least (K,), units needed at most (K,)."""

    allowed: NDArray[np.bool_]
    paid: FloatArray
    most: FloatArray
    multipliers: FloatArray


@dataclass(slots=True, kw_only=True)
class Incumbent:
    """Best choice of a design for each site so far, and its exact cost."""

    cost: float = np.inf
    choice: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))

    def offer(self, cost: float, choice: IntArray) -> bool:
        """Keep the choice if it is cheaper."""
        if cost < self.cost - 1e-9:
            self.cost, self.choice = cost, choice.copy()
            return True
        return False


@dataclass(frozen=True, slots=True, kw_only=True)
class Bound:
    """A lower bound, the multipliers that prove its root, and how much work it took."""

    value: float
    root: float
    multipliers: FloatArray
    nodes: int
    steps: int


class Relaxation:
    """The relaxed fleet: evaluates `L`, its subgradient, and the exact cost of the choice it makes."""

    def __init__(self, pool: Pool, market: Market) -> None:
        self.pool, self.market = pool, market
        tiers = np.bincount(market.offer_sku, minlength=len(market.skus))
        linear = (tiers == 1) & (market.low_price == market.list_price)
        self.tiered = np.flatnonzero(~linear)
        self.base = pool.other_cost + pool.usage @ np.where(linear, market.list_price, 0.0)
        self.units = pool.usage[:, self.tiered].tocsr()
        of_tiered = np.isin(market.offer_sku, self.tiered)
        self.offers = np.flatnonzero(of_tiered)
        self.place = np.searchsorted(self.tiered, market.offer_sku[self.offers])
        self.first = np.searchsorted(self.place, np.arange(len(self.tiered)))
        self.low, self.high = market.low_price[self.tiered], market.list_price[self.tiered]

    def need(self, choice: IntArray) -> IntArray:
        """Units of every SKU (K,) that a choice of designs needs."""
        return np.asarray(self.pool.usage[choice].sum(axis=0)).ravel().round().astype(np.int64)

    def cost(self, choice: IntArray) -> float:
        """Exact cost of a choice of designs."""
        return self.market.cost(self.need(choice)) + float(self.pool.other_cost[choice].sum())

    def sites(self, mu: FloatArray) -> tuple[float, IntArray]:
        """Sum over sites of the cheapest design at the multipliers, and those designs."""
        least, choice = self.pool.cheapest(self.base + self.units @ mu)
        return float(np.minimum(least, self.pool.floor).sum()), choice

    def purchase(self, mu: FloatArray, node: Node) -> tuple[FloatArray, FloatArray]:
        """Least of `C_k(u) - mu_k u` over the units open at the node, and that `u`; over tiered SKUs."""
        v, k = self.offers, self.place
        p, f, most = self.market.price[v], self.market.fixed[v], node.most[k]
        q, forced = np.maximum(self.market.least[v], node.paid[k]), node.paid[k] > 0
        at_least = np.minimum(q, most)
        value = np.stack(
            [
                f + p * q - mu[k] * at_least,
                f + p * np.maximum(q, most) - mu[k] * most,
                np.where(forced, f + p * q, 0.0),
            ]
        )
        units = np.stack([at_least, most, np.zeros_like(most)])
        value[:2, ~node.allowed] = np.inf
        value[2, ~node.allowed & forced] = np.inf
        best = value.argmin(axis=0)
        each = value[best, np.arange(len(v))]
        least = np.minimum.reduceat(each, self.first)
        hits = np.flatnonzero(each <= least[k])
        winner = hits[np.searchsorted(k[hits], np.arange(len(self.first)))]
        return least, units[best[winner], winner]

    def root(self) -> Node:
        """Every tier open."""
        return Node(
            allowed=np.ones(len(self.offers), dtype=bool),
            paid=np.zeros(len(self.tiered)),
            most=self.pool.most[self.tiered],
            multipliers=(self.low + self.high) / 2,
        )


def ascend(relax: Relaxation, node: Node, best: Incumbent, steps: int) -> tuple[float, FloatArray, IntArray]:
    """Raise `L` at a node by deflected subgradient steps; every choice met is priced exactly.

    Returns the best bound, its multipliers, and the need (tiered SKUs) of the choice made there.
    """
    mu, direction = node.multipliers.copy(), np.zeros(len(relax.tiered))
    top, top_mu, top_need = -np.inf, mu, np.zeros(len(relax.tiered), dtype=np.int64)
    scale, stalled = 1.0, 0
    for _ in range(steps):
        total, choice = relax.sites(mu)
        bought, units = relax.purchase(mu, node)
        value = total + float(bought.sum())
        need = relax.need(choice)
        best.offer(relax.market.cost(need) + float(relax.pool.other_cost[choice].sum()), choice)
        if value > top + 1e-9:
            top, top_mu, top_need, stalled = value, mu, need[relax.tiered], 0
        else:
            stalled += 1
        if top >= best.cost - 1e-6:
            break
        if stalled >= STALL:
            scale, stalled, mu = scale / 2, 0, top_mu
        slope = need[relax.tiered] - units
        direction = DEFLECTION * slope + (1 - DEFLECTION) * direction
        weight = direction * np.maximum(relax.high - relax.low, 1e-9)  # steps in units of a SKU's price range
        norm = float(direction @ weight)
        if norm < 1e-12:
            break
        mu = np.clip(mu + scale * (best.cost - value) / norm * weight, relax.low, relax.high)
    return top, top_mu, top_need


def prove(
    relax: Relaxation, best: Incumbent, *, gap: float, root_steps: int, node_steps: int, nodes: int
) -> Bound:
    """Lower bound on the fleet's cost, by best-first tier branching until the gap or the nodes run out."""
    value, mu, need = ascend(relax, relax.root(), best, root_steps)
    root, root_mu, done, closed = value, mu, 1, np.inf
    heap: list[tuple[float, int, Node, FloatArray, IntArray]] = [(value, 0, relax.root(), mu, need)]
    steps = root_steps
    while heap and done < nodes and heap[0][0] < best.cost * (1 - gap):
        value, _, node, mu, need = heapq.heappop(heap)
        children = branch(relax, node, mu, need)
        if not children:
            closed = min(closed, value)
            continue
        for child in children:
            child_value, child_mu, child_need = ascend(relax, child, best, node_steps)
            done, steps = done + 1, steps + node_steps
            heapq.heappush(heap, (max(value, child_value), done, child, child_mu, child_need))
    value = min(closed, heap[0][0] if heap else np.inf, best.cost)
    return Bound(value=value, root=root, multipliers=root_mu, nodes=done, steps=steps)


def branch(relax: Relaxation, node: Node, mu: FloatArray, need: IntArray) -> list[Node]:
    """Split the SKU whose relaxed purchase falls furthest below what its need would cost.

    The split is at the least threshold above the need among the tiers still open, else at the first
    threshold (bought or not bought at all). An empty list says that no tier is left to decide.
    """
    least = relax.market.least[relax.offers]
    bought, _ = relax.purchase(mu, node)
    units = np.maximum(np.maximum(need, node.paid)[relax.place], least)
    true = relax.market.fixed[relax.offers] + relax.market.price[relax.offers] * units
    true = np.where(node.allowed, true, np.inf)
    cost = np.where((need > 0) | (node.paid > 0), np.minimum.reduceat(true, relax.first), 0.0)
    lost = np.where(np.isfinite(cost), cost, 0.0) - mu * need - bought
    for k in np.argsort(-lost, kind="stable"):
        if lost[k] <= 1e-6:
            break
        open_here = node.allowed & (relax.place == k)
        thresholds = np.unique(least[open_here])
        above = thresholds[thresholds > max(need[k], node.paid[k], thresholds[0])]
        if len(above):
            return [_below(relax, node, mu, k, above[0]), _from(node, mu, k, above[0])]
        if node.paid[k] == 0 and node.most[k] > 0:
            return [_unused(node, mu, k), _from(node, mu, k, thresholds[0])]
    return []


def _below(relax: Relaxation, node: Node, mu: FloatArray, k: int, threshold: float) -> Node:
    """Fewer units of SKU k than the threshold are paid for, hence needed; tiers from there on are out."""
    keep = node.allowed & ~((relax.place == k) & (relax.market.least[relax.offers] >= threshold))
    most = node.most.copy()
    most[k] = min(most[k], threshold - 1)
    return Node(allowed=keep, paid=node.paid, most=most, multipliers=mu)


def _from(node: Node, mu: FloatArray, k: int, threshold: float) -> Node:
    """At least the threshold of SKU k is paid for, needed or not."""
    paid = node.paid.copy()
    paid[k] = threshold
    return Node(allowed=node.allowed, paid=paid, most=node.most, multipliers=mu)


def _unused(node: Node, mu: FloatArray, k: int) -> Node:
    """No unit of SKU k is bought."""
    most = node.most.copy()
    most[k] = 0.0
    return Node(allowed=node.allowed, paid=node.paid, most=most, multipliers=mu)
