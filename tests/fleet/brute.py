"""Every combination of designs of a small fleet, and what a need costs, written from the definitions."""

from itertools import product
from math import ceil, floor, inf

import numpy as np

from planner.fleet.pricing import SiteOffer
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


def ladder_cost(ladder: Ladder, need: int) -> float:
    """Least cost of at least `need` units (one or more) from one supplier, counted unit by unit."""
    totals = []
    for i, (start, price) in enumerate(ladder.tiers):
        bought, reached = max(need, start), ladder.tiers[: i + 1]
        if ladder.incremental:
            first = reached[0][1]
            each = (min((p for q, p in reached if q <= unit), default=first) for unit in range(1, bought + 1))
            totals.append(sum(each))
        else:
            totals.append(bought * price)
    return min(totals)


def need_cost(ladders: list[Ladder], need: int) -> float:
    """Least cost of a need of one SKU from one of its suppliers."""
    return min((ladder_cost(ladder, need) for ladder in ladders), default=inf) if need else 0.0


def cheapest(g: Goods, offers: list[SiteOffer]) -> float:
    """Least cost over every combination of designs."""
    choices = [designs(g, offer) for offer in offers]
    most = np.sum([np.max([units for _, units in choice], axis=0) for choice in choices], axis=0)
    total, need = np.zeros(()), np.zeros(len(g.names), dtype=int)
    for choice in choices:  # one axis of combinations for each site
        total = total[..., None] + np.array([cost for cost, _ in choice])
        need = need[..., None, :] + np.array([units for _, units in choice])
    for k, ladders in enumerate(g.ladders):
        price = np.array([need_cost(ladders, n) for n in range(int(most[k]) + 1)])
        total = total + price[need[..., k]]
    return float(total.min())
