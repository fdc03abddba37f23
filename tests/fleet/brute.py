"""Every combination of designs of a small fleet, and what a need costs, written from the definitions."""

from dataclasses import dataclass
from itertools import combinations, product
from math import ceil, exp, floor, inf
from typing import Any

import numpy as np

from planner.fleet.pricing import SiteOffer
from planner.fleet.spares import SparesRule
from tests.fleet.instances import Goods, Ladder

MODULE_KG = 1.0  # every SKU of the instances


def designs(g: Goods, offer: SiteOffer) -> list[tuple[float, tuple[int, ...]]]:
    """Every design of a site as (freight and fixed cost, units to buy of each SKU)."""
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
            found.add((offer.fixed_cost + offer.freight_per_kg * sum(bought), tuple(bought)))
    return sorted(found)


def order_cost(ladder: Ladder, bought: int) -> float:
    """Least cost of an order of so many units from one supplier, unit by unit; infinite if too few."""
    totals = []
    for i, (start, price) in enumerate(ladder.tiers):
        reached = ladder.tiers[: i + 1]
        if bought < start:
            continue
        if ladder.incremental:
            first = reached[0][1]
            each = (min((p for q, p in reached if q <= unit), default=first) for unit in range(1, bought + 1))
            totals.append(sum(each))
        else:
            totals.append(bought * price)
    return min(totals, default=inf)


def ladder_cost(ladder: Ladder, need: int) -> float:
    """Least cost of at least `need` units (one or more) from one supplier."""
    most = max(need, *(q for q, _ in ladder.tiers))
    return min(order_cost(ladder, bought) for bought in range(need, most + 1))


def need_cost(ladders: list[Ladder], need: int) -> float:
    """Least cost of a need of one SKU from one of its suppliers."""
    return min((ladder_cost(ladder, need) for ladder in ladders), default=inf) if need else 0.0


def bought_cost(ladders: list[Ladder], terms: list[dict[str, Any]], need: int) -> float:
    """Least cost of at least `need` units over every split between suppliers and their terms."""
    if need == 0 or not ladders:
        return inf if need else 0.0
    tops = [max(q for q, _ in ladder.tiers) for ladder in ladders]
    most = max(need, *tops) + max(t.get("pack_qty", 1) + t.get("min_order_qty", 1) for t in terms)
    best = {0: 0.0}  # least cost by units bought so far
    for ladder, term in zip(ladders, terms, strict=True):
        stock = term.get("stock_qty")
        top = most if stock is None else min(most, stock)
        pack = term.get("pack_qty", 1)
        orders = [u for u in range(pack, top + 1, pack) if u >= term.get("min_order_qty", 1)]
        costs = {0: 0.0} | {u: order_cost(ladder, u) for u in orders}
        then: dict[int, float] = {}
        for units, cost in best.items():
            for more, price in costs.items():
                total = min(need, units + more)
                then[total] = min(then.get(total, inf), cost + price)
        best = then
    return best.get(need, inf)


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


@dataclass(frozen=True)
class Policy:
    """Rules of a small fleet, over SKUs by name and sites by place."""

    required: tuple[str, ...] = ()
    caps: tuple[tuple[str, int], ...] = ()  # kind of part (first letter), most SKUs of it
    battery_kind: tuple[int, ...] = (0, 0)
    region: tuple[int, ...] = ()
    group: tuple[int, ...] = ()
    count: tuple[int, ...] = ()


def cheapest(g: Goods, offers: list[SiteOffer], policy: Policy | None = None) -> float:
    """Least cost over every combination of designs; infinite where none keeps the policy."""
    policy = policy or Policy()
    nobody = (0.0, (0,) * len(g.names))
    choices = [designs(g, offer) for offer in offers]
    if policy.group:
        choices = [[*choice, nobody] for choice in choices]
    most = np.sum([np.max([units for _, units in choice], axis=0) for choice in choices], axis=0)
    total, need = np.zeros(()), np.zeros(len(g.names), dtype=int)
    for choice in choices:  # one axis of combinations for each site
        total = total[..., None] + np.array([cost for cost, _ in choice])
        need = need[..., None, :] + np.array([units for _, units in choice])
    for k, ladders in enumerate(g.ladders):
        total = total + np.array([sku_cost(g, k, ladders, n) for n in range(int(most[k]) + 1)])[need[..., k]]
    for letter, number in policy.caps:
        of = [k for k, name in enumerate(g.names) if name[0] == letter]
        total = np.where((need[..., of] > 0).sum(axis=-1) > number, inf, total)
    for name in policy.required:
        total = np.where(need[..., g.names.index(name)] > 0, total, inf)
    return float((total + unkept(g, policy, choices)).min())


def sku_cost(g: Goods, k: int, ladders: list[Ladder], need: int) -> float:
    """What a need of a SKU at sites costs with spares and taking it on."""
    if g.terms is None or need == 0:
        return need_cost(ladders, need)
    sold = [g.terms.of(k, j) for j in range(len(ladders))]
    total = need + spares_count(g.terms.spares[k], need)
    return bought_cost(ladders, sold, total) + float(g.terms.onboarding[k])


def unkept(g: Goods, policy: Policy, choices: list[Any]) -> Any:
    """Infinite for combinations that serve other numbers of sites than asked, or mix kinds in a region."""
    batteries = [next(k for k, n in enumerate(g.names) if n == f"b{b}") for b in range(2)]
    kinds = [
        np.array(
            [next((policy.battery_kind[b] for b in range(2) if units[batteries[b]]), -1) for _, units in one]
        )
        for one in choices
    ]
    sites = len(choices)
    shape = tuple(len(one) for one in choices)
    bad = np.zeros(shape)
    at = np.indices(shape)
    served = [kinds[s][at[s]] >= 0 for s in range(sites)]
    for g_, number in enumerate(policy.count):
        members = [served[s].astype(int) for s in range(sites) if policy.group[s] == g_]
        bad = np.where(sum(members) != number, inf, bad)
    for i, j in combinations(range(sites), 2):
        if policy.region and policy.region[i] == policy.region[j]:
            mixed = served[i] & served[j] & (kinds[i][at[i]] != kinds[j][at[j]])
            bad = np.where(mixed, inf, bad)
    return bad
