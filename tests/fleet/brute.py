"""Every combination of designs of a small fleet, and what a need costs, written from the definitions."""

from dataclasses import dataclass
from itertools import combinations, product
from math import ceil, exp, floor, inf
from typing import Any

import numpy as np

from planner.fleet.pricing import SiteOffer
from planner.fleet.spares import SparesRule
from tests.fleet.instances import Goods, Ladder, Terms
from tests.fleet.policies import Policy

MODULE_KG = 1.0  # every SKU of the instances
NOBODY = -1  # battery of a site without a design


Design = tuple[float, tuple[int, ...], int]  # freight and fixed cost, units to buy of each SKU, battery


def designs(g: Goods, offer: SiteOffer) -> list[Design]:
    """Every design of a site."""
    o, index, fit = offer.options[0].designs, g.pricer.market.index, g.pricer.fittings
    found = set()
    for p, a in zip(*np.nonzero(o.modules_parallel), strict=True):
        n, nb = int(o.modules_parallel[p, a]), int(o.batteries_parallel[p, a])
        litres = o.kit_volume_l[p] + o.controller_volume_l[a] + nb * o.string_volume_l[p]
        for t, e in product((0, 1), (0, 1)):
            if (offer.wind_design_m_s or 0.0) > fit.mount_wind_max_m_s[t]:
                continue
            boxes = ceil(litres / fit.enclosure_volume_l[e] - 1e-9)
            if boxes > fit.enclosures_max or offer.damping_k > fit.enclosure_damping_k[e]:
                continue
            carries = floor(
                min(fit.mount_area_m2[t] / o.module_area_m2[a] + 1e-9, fit.mount_weight_max_kg[t] / MODULE_KG)
            )
            units = [0] * len(g.names)
            units[index[f"m{o.module[a]}"]] += n
            units[index[f"c{o.controller[a]}"]] += 1
            units[index[f"b{o.battery[p]}"]] += nb
            units[index[f"s{o.kit[p]}"]] += 1
            units[index[f"t{t}"]] += ceil(n / carries)
            units[index[f"e{e}"]] += boxes
            bought = [max(0, n - offer.existing.get(k, 0)) for k, n in enumerate(units)]
            found.add(
                (offer.fixed_cost + offer.freight_per_kg * sum(bought), tuple(bought), int(o.battery[p]))
            )
    return sorted(found)


def order_costs(ladder: Ladder, most: int) -> Any:
    """Cost of orders of 0..most units from one supplier, counted unit by unit; infinite if too few."""
    units = np.arange(most + 1)
    cost = np.full(most + 1, inf)
    if ladder.incremental:
        starts = [q for q, _ in ladder.tiers]
        own = np.maximum(np.searchsorted(starts, units, side="right") - 1, 0)  # the tier of each unit
        each = np.array([price for _, price in ladder.tiers])[own]
        cost[1:] = np.cumsum(each[1:])
    else:
        for start, price in ladder.tiers:
            cost = np.where(units >= start, np.minimum(cost, units * price), cost)
    cost[units < ladder.tiers[0][0]] = inf
    cost[0] = 0.0
    return cost


def bought_costs(ladders: list[Ladder], terms: list[dict[str, Any]], most: int) -> Any:
    """Least cost of at least 0..most units over every split between suppliers and their terms."""
    top = most + max([q for ladder in ladders for q, _ in ladder.tiers], default=0)
    top += max([t.get("pack_qty", 1) + t.get("min_order_qty", 1) for t in terms], default=0)
    best = np.full(len(ladders) * top + 1, inf)  # least cost by units bought
    best[0] = 0.0
    for ladder, term in zip(ladders, terms, strict=True):
        cost, then = order_costs(ladder, top), best.copy()
        stock = term.get("stock_qty")
        for u in range(1, (top if stock is None else min(stock, top)) + 1):
            if u % term.get("pack_qty", 1) == 0 and u >= term.get("min_order_qty", 1):
                then[u:] = np.minimum(then[u:], best[:-u] + cost[u])
        best = then
    at_least = np.minimum.accumulate(best[::-1])[::-1]
    return np.append(at_least, [inf] * most)[: most + 1]


def spares_count(rule: SparesRule, units: int) -> int:
    """Spares of units in the field; the Poisson count summed term by term."""
    if units == 0:
        return 0
    share = ceil(rule.share * units - 1e-9)
    if not rule.failures_per_unit:
        return share
    mean, s = rule.failures_per_unit * units, 0
    total = term = exp(-mean)
    while total < rule.protection:
        s += 1
        term *= mean / s
        total += term
    return max(share, s)


def sku_costs(terms: Terms | None, ladders: list[Ladder], k: int, most: int) -> Any:
    """What needs of 0..most units of a SKU at sites cost, with spares and taking it on."""
    if terms is None:
        return bought_costs(ladders, [{} for _ in ladders], most)
    total = [need + spares_count(terms.spares[k], need) for need in range(most + 1)]
    cost = bought_costs(ladders, [terms.of(k, j) for j in range(len(ladders))], max(total))[total]
    return cost + np.where(np.arange(most + 1) > 0, float(terms.onboarding[k]), 0.0)


@dataclass(frozen=True)
class Plans:
    """Every combination of designs, an axis for each site: its cost, and which designs serve their site.

    The cost is infinite where stock does not hold the need or a rule is broken.
    """

    cost: Any
    serves: list[Any]

    def served(self, group: tuple[int, ...], number: int) -> Any:
        """How many sites of a group each combination serves."""
        members = [serves for serves, g in zip(self.serves, group, strict=True) if g == number]
        return sum(members, np.zeros((1,) * len(self.serves), dtype=int))


def plans(g: Goods, offers: list[SiteOffer], policy: Policy) -> Plans:
    """Every combination; with groups, each site may also go without a design."""
    nobody = (0.0, (0,) * len(g.names), NOBODY)
    choices = [designs(g, offer) + ([nobody] if policy.group else []) for offer in offers]
    units = [np.array([units for _, units, _ in choice]) for choice in choices]
    most = sum(one.max(axis=0) for one in units)
    cost = outer([np.array([cost for cost, _, _ in choice]) for choice in choices])
    for letter in sorted({name[0] for name in g.names}):
        of = [k for k, name in enumerate(g.names) if name[0] == letter]
        table, steps = kind_costs(g, of, [int(most[k]) for k in of], policy)
        cost += table[outer([(one[:, of] * steps).sum(axis=1) for one in units])]
    battery = [np.array([b for _, _, b in choice]) for choice in choices]
    kinds = [np.where(b == NOBODY, NOBODY, np.array(policy.battery_kind)[b]) for b in battery]
    for i, j in combinations(range(len(offers)), 2):
        if policy.region and policy.region[i] == policy.region[j]:
            one, other = along(kinds[i], i, len(offers)), along(kinds[j], j, len(offers))
            cost[np.broadcast_to((one >= 0) & (other >= 0) & (one != other), cost.shape)] = inf
    serves = [along((kind >= 0).astype(int), s, len(offers)) for s, kind in enumerate(kinds)]
    return Plans(cost=cost, serves=serves)


def kind_costs(g: Goods, of: list[int], most: list[int], policy: Policy) -> tuple[Any, Any]:
    """Cost of every need of the SKUs of one kind of part, and the step of each SKU's units in that table."""
    cost, used = np.zeros(()), np.zeros((), dtype=int)
    for k, top in zip(of, most, strict=True):
        need = sku_costs(g.terms, g.ladders[k], k, top)
        if g.names[k] in policy.required:
            need[0] = inf
        cost, used = cost[..., None] + need, used[..., None] + (np.arange(top + 1) > 0)
    for letter, number in policy.caps:
        if letter == g.names[of[0]][0]:
            cost = np.where(used > number, inf, cost)
    steps = [int(np.prod([top + 1 for top in most[i + 1 :]])) for i in range(len(of))]
    return cost.ravel(), np.array(steps)


def along(values: Any, s: int, sites: int) -> Any:
    """Values by design of site s, on its axis of the combinations."""
    return values.reshape([-1 if i == s else 1 for i in range(sites)])


def outer(parts: list[Any]) -> Any:
    """Sums over all combinations, an axis for each part."""
    return sum(along(part, s, len(parts)) for s, part in enumerate(parts))


def cheapest(g: Goods, offers: list[SiteOffer], policy: Policy | None = None) -> float:
    """Least cost over every combination of designs that serves as many at least; infinite without one."""
    policy = policy or Policy()
    every = plans(g, offers, policy)
    cost = every.cost
    for number, count in enumerate(policy.count):
        cost = np.where(every.served(policy.group, number) >= count, cost, inf)
    return float(cost.min())


def best_served(
    g: Goods, offers: list[SiteOffer], policy: Policy, budget: float
) -> tuple[tuple[int, ...], float]:
    """Sites served of each group, by group as many as the budget allows, and the least cost of that."""
    every = plans(g, offers, policy)
    cost = np.where(every.cost <= budget + 1e-6, every.cost, inf)
    if np.isinf(cost).all():
        return (0,) * (max(policy.group) + 1), inf
    counts = []
    for number in range(max(policy.group) + 1):
        served = np.broadcast_to(every.served(policy.group, number), cost.shape)
        counts.append(int(served[np.isfinite(cost)].max()))
        cost = np.where(served == counts[-1], cost, inf)
    return tuple(counts), float(cost.min())
