"""Designs of every site with a SKU and without it, over a range of its price."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from planner.explain.beside import BoolArray, Rest, ranked, rest_of
from planner.explain.bought import Bought
from planner.explain.free import Field
from planner.fleet.batches import Batch, firsts
from planner.fleet.needs import Needs
from planner.fleet.pool import Designs
from planner.fleet.pricing import Pricer, SiteOffer
from planner.pipeline import Progress
from planner.sizing import FleetSites

#: Factors on a price at which a site's best designs with the SKU are gathered, down from today's and up.
CHEAPER, DEARER = (1.0, 0.5, 0.2, 0.05, 0.01), (1.0, 1.5, 3.0, 10.0, 100.0)
KEPT = 10  # designs of a site at each factor, and without the SKU


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """SKUs (places in the market), and the factors on the price of each at which designs are gathered."""

    needs: Needs
    factors: dict[int, tuple[float, ...]]


def parts_field(
    bought: Bought, field: Field, skus: Sequence[int], *, workers: int | None, progress: Progress
) -> dict[int, Designs]:
    """For each SKU (a place in the market), designs with it and without it, by number of the site served."""
    number = {int(i): s for s, i in enumerate(bought.served)}
    needs = bought.fleet.market.needs(field.most)
    ask = Ask(needs=needs, factors={k: DEARER if bought.need[k] else CHEAPER for k in skus})
    found: dict[int, list[Designs]] = {k: [] for k in skus}
    with FleetSites(bought.fleet, workers=workers, progress=progress) as sites:
        places = [i for part in sites.run(places_of, [()] * len(sites.counts)) for i in part]
        rests = [_alone(rest_of(bought, number[i])) if i in number else None for i in places]
        starts = firsts(sites)
        arguments = [(ask, rests[a:b]) for a, b in pairwise(starts)]
        for first, part in zip(starts, sites.run(gather, arguments), strict=False):
            for k, some in part.items():
                found[k] += [one.shifted(first) for one in some]
    renumber = np.array([number.get(i, -1) for i in places], dtype=np.int64)
    return {
        k: Designs.join([replace(one, site=renumber[one.site]) for one in some])
        for k, some in found.items()
        if some
    }


def _alone(rest: Rest) -> Rest:
    """What others need, without the rules that tie sites: where all sites move, they bar nothing yet."""
    none = np.zeros_like(rest.barred)
    return Rest(need=rest.need, barred=none, room=(), lacking=none)


def places_of(batch: Batch) -> list[int]:
    """Places, in the table, of a batch's sites with designs."""
    return [offer.site for offer in batch.offers]


def gather(batch: Batch, ask: Ask, rests: Sequence[Rest | None]) -> dict[int, list[Designs]]:
    """For each SKU, the best designs with it and without it of a batch's sites, numbered from 0."""
    found: dict[int, list[Designs]] = {k: [] for k in ask.factors}
    for s, rest in enumerate(rests):
        if rest is None:
            continue
        offer = batch.whole(s)
        for k, factors in ask.factors.items():
            found[k] += _around(batch.pricer, offer, s, k, ask.needs, rest, factors)
    return found


def _around(
    pricer: Pricer,
    offer: SiteOffer,
    s: int,
    k: int,
    needs: Needs,
    rest: Rest,
    factors: Sequence[float],
) -> list[Designs]:
    own = only_with(pricer, offer, k)
    beside = replace(rest, barred=rest.barred | _others(pricer, k))
    tries = [(own, at_factor(needs, k, factor), beside) for factor in factors if own.options]
    bar = np.arange(len(rest.barred)) == k
    tries.append((offer, needs, replace(rest, barred=rest.barred | bar)))
    best = [ranked(pricer, one, s, cost, around, KEPT) for one, cost, around in tries]
    return [one.designs for one in best if one is not None]


def at_factor(needs: Needs, k: int, factor: float) -> Needs:
    """The same needs where one SKU costs so many times as much."""
    cost = needs.cost.copy()
    cost[needs.first[k] : needs.first[k] + needs.most[k] + 1] *= factor
    return replace(needs, cost=cost)


def only_with(pricer: Pricer, offer: SiteOffer, k: int) -> SiteOffer:
    """A site's designs that have a SKU; of a mount or enclosure all of them."""
    parts, f = pricer.parts, pricer.fittings
    if k in f.mount_sku or k in f.enclosure_sku:
        return offer
    kept = []
    for option in offer.options:
        o = option.designs
        rows, columns = np.ones(len(o.battery), dtype=bool), np.ones(len(o.module), dtype=bool)
        if k in parts.battery:
            rows = parts.battery[o.battery] == k
        elif k in parts.module:
            columns = parts.module[o.module] == k
        elif k in parts.controller:
            columns = parts.controller[o.controller] == k
        else:
            sku = pricer.market.skus[k]
            has = np.array([any(name == sku for name, _ in kit.units) for kit in option.kits], dtype=bool)
            rows = has[o.kit]
        if rows.any() and columns.any():
            kept.append(replace(option, designs=o.take(rows, columns)))
    return replace(offer, options=kept)


def _others(pricer: Pricer, k: int) -> BoolArray:
    """The other mounts, of a mount; the other enclosures, of an enclosure (K,)."""
    other = np.zeros(len(pricer.market.skus), dtype=bool)
    for skus in (pricer.fittings.mount_sku, pricer.fittings.enclosure_sku):
        if k in skus:
            other[skus] = True
            other[k] = False
    return other
