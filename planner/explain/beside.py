"""What the designs of one site cost the fleet, the rest of it as bought.

With the need `R[k]` of all other sites fixed, a design that takes `n[k]` units costs the fleet

    sum_k (G_k(R[k] + n[k]) - G_k(R[k])) + freight, labour, access and upkeep of the site,

exactly: tiers that its units reach, or that they no longer reach, are counted (`planner.fleet.needs`). That
is a cost by SKU and number of units, so every design of a site is priced in one pass
(`planner.fleet.pricing`).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from planner.explain.bought import Bought
from planner.fleet.batches import Batch, Sites, firsts
from planner.fleet.buying import FloatArray, IntArray
from planner.fleet.expand import cheapest_designs
from planner.fleet.needs import Needs
from planner.fleet.pool import Designs
from planner.fleet.pricing import Pricer, SiteOffer, by_number
from planner.fleet.rules import Rules

BoolArray = NDArray[np.bool_]
DESIGNS_MAX = 100  # of a site beside the rest, on a pass over the fleet
WIDER = 10  # times as many are looked at where rules bar all of those


@dataclass(frozen=True, slots=True, kw_only=True)
class Rest:
    """What all other sites need of each SKU (K,), and the SKUs (K,) that rules bar beside them.

    `room` has, for each category with a cap, its SKUs, and how many more of those that no other site uses;
    `lacking` (K,) are required SKUs that no other site uses.
    """

    need: IntArray
    barred: BoolArray
    room: Sequence[tuple[IntArray, int]]
    lacking: BoolArray

    def allows(self, usage: Any) -> BoolArray:
        """Which designs (D,) keep the rules beside the rest, from what is bought for them, sparse (D, K)."""
        used = (usage > 0).toarray()
        fresh = used & (self.need == 0)
        ok = ~(used & self.barred).any(axis=1)
        for skus, most in self.room:
            ok &= fresh[:, skus].sum(axis=1) <= most
        return np.asarray(ok & used[:, self.lacking].all(axis=1), dtype=bool)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranked:
    """Designs of a site that keep the rules, the cheapest first, and what each costs the fleet (D,)."""

    designs: Designs
    cost: FloatArray


def rest_of(bought: Bought, s: int) -> Rest:
    """What stands beside the s-th site of a plan."""
    rules, fleet = bought.rules, bought.fleet
    need = bought.need - bought.usage(s)
    used, barred = need > 0, np.zeros(len(need), dtype=bool)
    room = [(cap.skus, cap.most - int(used[cap.skus].sum())) for cap in rules.caps]
    for skus, most in room:
        if most <= 0:
            barred[skus] |= ~used[skus]
    battery = fleet.pricer.parts.battery
    barred[battery] |= ~np.isin(rules.kind, _kinds(rules, bought, s))
    return Rest(need=need, barred=barred, room=room, lacking=rules.required & ~used)


def _kinds(rules: Rules, bought: Bought, s: int) -> IntArray:
    """Kinds of battery that the s-th site may have beside its region's other sites."""
    others = (rules.region == rules.region[s]) & (np.arange(len(rules.region)) != s)
    kinds = np.unique(rules.kind[bought.designs.column.battery[others]])
    return kinds if len(kinds) else np.unique(rules.kind)


def beside_table(pricer: Pricer, offer: SiteOffer, needs: Needs, rest: Rest) -> FloatArray:
    """Cost to the fleet of 0..N units of each SKU needed at a site (K, N + 1); infinite what is not held."""
    units = pricer.widest(offer)
    every = np.arange(len(rest.need))[:, None]
    total = rest.need[:, None] + np.arange(units + 1)
    cost = needs.of(every, total) - needs.of(every, rest.need[:, None])
    cost[total > needs.most[:, None]] = np.inf
    cost[:, 0] = 0.0
    cost[rest.barred, 1:] = np.inf
    return pricer.table(cost + by_number(pricer.landing(offer), units), offer)


def added_cost(needs: Needs, rest: Rest, designs: Designs) -> FloatArray:
    """What designs (D,) cost the fleet beside the rest."""
    usage = designs.usage.toarray().round().astype(np.int64)
    skus = np.arange(usage.shape[1])
    goods = needs.of(skus, rest.need + usage) - needs.of(skus, rest.need)
    return np.asarray(goods.sum(axis=1) + designs.other_cost)


def ranked(
    pricer: Pricer, offer: SiteOffer, s: int, needs: Needs, rest: Rest, designs_max: int = DESIGNS_MAX
) -> Ranked | None:
    """The cheapest designs of the s-th site, the rest as bought; None where none keeps the rules."""
    table = beside_table(pricer, offer, needs, rest)
    priced = [pricer.price(option, table, offer) for option in offer.options]
    dearest = max((float(p.cost[np.isfinite(p.cost)].max(initial=-np.inf)) for p in priced), default=-np.inf)
    while np.isfinite(dearest):
        found, _ = cheapest_designs(pricer, offer, s, priced, table, dearest, designs_max)
        designs = found.take(np.flatnonzero(rest.allows(found.usage)))
        if len(designs.site):
            cost = added_cost(needs, rest, designs)
            order = np.argsort(np.round(cost, 6), kind="stable")
            return Ranked(designs=designs.take(order), cost=cost[order])
        if len(found.site) < designs_max:
            break
        designs_max *= WIDER
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What a pass over the fleet asks of every site."""

    needs: Needs
    designs_max: int


def beside_part(batch: Batch, look: Look, rests: Sequence[Rest | None]) -> list[Ranked | None]:
    """The cheapest designs of a batch's sites, numbered from 0; None for those without a rest."""
    return [None if rest is None else _beside(batch, s, look, rest) for s, rest in enumerate(rests)]


def _beside(batch: Batch, s: int, look: Look, rest: Rest) -> Ranked | None:
    """Of the s-th site's designs to begin with; of all, where none of those keeps the rules."""
    sized = (of(s) for of in (lambda s: batch.first(s, np.inf), batch.whole))
    found = (ranked(batch.pricer, offer, s, look.needs, rest, look.designs_max) for offer in sized)
    return next((one for one in found if one is not None), None)


def beside_all(sites: Sites, look: Look, rests: Sequence[Rest | None]) -> list[Ranked | None]:
    """The cheapest designs of every site, the rest as bought."""
    starts = firsts(sites)
    arguments = [(look, rests[a:b]) for a, b in pairwise(starts)]
    parts: list[list[Ranked | None]] = list(sites.run(beside_part, arguments))
    return [
        one if one is None else replace(one, designs=one.designs.shifted(first))
        for first, part in zip(starts, parts, strict=False)
        for one in part
    ]
