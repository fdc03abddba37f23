"""Every design of every site, priced at the bound's multipliers: it makes the bound hold for all of them."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from planner.fleet.batches import Batch, Sites, as_sites, firsts
from planner.fleet.buying import FloatArray, IntArray
from planner.fleet.curves import Curves
from planner.fleet.expand import cheapest_designs, greatest_use
from planner.fleet.pool import Designs
from planner.fleet.pricing import Priced, Pricer, SiteOffer, by_number
from planner.fleet.relaxation import BoolArray, Multipliers
from planner.fleet.shortlist import ROUNDING

FEW = 16  # units of a SKU
CHEAPER = (1 - 1e-11) / (1 + ROUNDING)  # limit of what costs less, as a share: the rest is rounding
WIDE = 0.3  # of the cost of a site's design of one kind: how far over it those of others are looked for


@dataclass(frozen=True, slots=True, kw_only=True)
class Exact:
    """Least cost of each site's designs by kind of battery (S, C), and designs that cost little more.

    Sites where nothing costs less than what is known have none of these.

    No design left out costs less than its site's and kind's least cost + `left_out`.
    """

    least: FloatArray
    designs: list[Designs]
    left_out: float


def multiplier_table(
    pricer: Pricer, offer: SiteOffer, s: int, curves: Curves, at: Multipliers
) -> FloatArray:
    """Cost of 0..N units of each SKU at site s and the multipliers, landed and installed (K, N + 1).

    N is one more than any design of the site takes. Of most SKUs a site takes few units: more of them cost
    what cannot be bought.
    """
    bought = greatest_use(pricer, offer)
    units = int((bought + offer.there(len(bought))).max(initial=1)) + 1
    cost, few = by_number(curves.unit_price, units), min(FEW, units)
    many = bought[curves.tiered] > few
    cost[curves.tiered, few + 1 :] = np.inf
    cost[curves.tiered, : few + 1] = at.phi(curves, s, few)
    cost[curves.tiered[many]] = at.phi(curves, s, units, np.flatnonzero(many))
    cost += by_number(pricer.landing(offer), units)
    return pricer.table(cost, offer)


def price_out(
    pricer: Pricer,
    offers: Sites | Iterable[SiteOffer],
    curves: Curves,
    at: Multipliers,
    *,
    slack: float,
    designs_max: int,
    kind: IntArray,
    barred: BoolArray | None = None,
    known: FloatArray | None = None,
    meanwhile: Callable[[], None] | None = None,
) -> Exact:
    """Price all designs; keep, at each site, those within `slack` of the least of their kind.

    Parameters
    ----------
    slack : float
        Currency.
    designs_max : int
        So many are kept at a site at most.
    kind : (B,)
        Kind of each battery of the catalogue.
    barred : (K,), optional
        SKUs that no design may use.
    known : (S, C), optional
        What some design of each site and kind costs at the multipliers; infinite without one.
    meanwhile : callable, optional
        What is done here while sites are priced elsewhere.
    """
    sites = as_sites(pricer, offers)
    starts = firsts(sites)
    look = Look(curves=curves, slack=slack, designs_max=designs_max, kind=kind, barred=barred)
    arguments = [
        (look, replace(at, w=at.w[a:b]), None if known is None else known[a:b]) for a, b in pairwise(starts)
    ]
    priced = sites.run(price_part, arguments)
    if meanwhile is not None:
        meanwhile()
    parts: list[Exact] = list(priced)
    return Exact(
        least=np.concatenate([part.least for part in parts]),
        designs=[
            one.shifted(first) for first, part in zip(starts, parts, strict=False) for one in part.designs
        ],
        left_out=min((part.left_out for part in parts), default=slack),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What a pass asks of every site, as for `price_out`."""

    curves: Curves
    slack: float
    designs_max: int
    kind: IntArray
    barred: BoolArray | None = None


def price_part(batch: Batch, look: Look, at: Multipliers, known: FloatArray | None = None) -> Exact:
    """The pass over a batch's sites, numbered from 0."""
    kinds = int(look.kind.max(initial=0)) + 1
    least, kept, left_out = np.full((len(batch.offers), kinds), np.inf), [], look.slack
    for s in range(len(batch.offers)):
        bound = np.full(kinds, np.inf) if known is None or look.barred is not None else known[s]
        least[s], designs, beyond = _certain(batch, s, look, at, bound)
        kept += [designs] if designs is not None else []
        left_out = min(left_out, beyond)
    return Exact(least=least, designs=kept, left_out=left_out)


def _certain(
    batch: Batch, s: int, look: Look, at: Multipliers, known: FloatArray
) -> tuple[FloatArray, Designs | None, float]:
    """What `_price_site` finds over all designs of a site: those that can cost as little as asked are sized.

    That is less than `known` (C,) of each kind costs, or up to the slack over it; where a kind has none, what
    a look at the cheapest designs finds.
    """
    pricer, offer = batch.pricer, batch.offers[s]
    table, every = _table(pricer, offer, s, look, at), bool(np.isfinite(known).all())
    seek = not every and (len(known) == 1 or look.barred is not None)
    dearest = known if seek or every else _of_each_kind(batch, s, look, table, known)
    limit = float(dearest.max()) + look.slack
    if every and not look.slack:
        limit *= CHEAPER
    offer = batch.within(s, table, None if seek else limit, look.slack)
    if not offer.options:  # none is cheaper, or none is without barred SKUs
        return known, None, look.slack
    return _price_site(pricer, offer, s, look, table, known)


def _of_each_kind(batch: Batch, s: int, look: Look, table: FloatArray, known: FloatArray) -> FloatArray:
    """What some design of each kind (C,) costs, those of kinds without one looked for near the cheapest."""
    pricer, some = batch.pricer, known[np.isfinite(known)]
    offer = batch.within(s, table, None, WIDE * float(some.max(initial=0.0)))
    priced = [pricer.price(option, table, offer) for option in offer.options]
    return np.minimum(known, least_by_kind(offer, priced, look.kind))


def _table(pricer: Pricer, offer: SiteOffer, s: int, look: Look, at: Multipliers) -> FloatArray:
    """The multiplier table of a pass, for as many units as any design of a site takes."""
    table = multiplier_table(pricer, offer, s, look.curves, at)
    if look.barred is not None:
        table[look.barred, 1:] = np.inf
    return table


def _price_site(
    pricer: Pricer, offer: SiteOffer, s: int, look: Look, table: FloatArray, known: FloatArray
) -> tuple[FloatArray, Designs, float]:
    """Least cost of a site's sized designs by kind (C,), those that cost little more, and how much the rest.

    The last is over the least of their kind. Kept is also what costs less than what is known of its kind.
    """
    priced = [pricer.price(option, table, offer) for option in offer.options]
    least = np.minimum(known, least_by_kind(offer, priced, look.kind))
    pairs = zip(offer.options, priced, strict=True)
    over = [_over(p, least[look.kind[option.designs.battery]]) for option, p in pairs]
    both = np.isfinite(least) & np.isfinite(known)
    cheaper = float((known[both] - least[both]).max(initial=0.0))
    designs, beyond = cheapest_designs(
        pricer, offer, s, over, table, max(look.slack, cheaper), look.designs_max
    )
    return least, designs, min(beyond, look.slack)


def least_by_kind(offer: SiteOffer, priced: list[Priced], kind: IntArray) -> FloatArray:
    """Least cost of a site's designs by kind of battery (C,); infinite without one."""
    least = np.full(int(kind.max(initial=0)) + 1, np.inf)
    for option, p in zip(offer.options, priced, strict=True):
        np.minimum.at(least, kind[option.designs.battery], p.cost.min(axis=1))
    return least


def _over(priced: Priced, least: FloatArray) -> Priced:
    """Costs over the least of each store row's kind (P,)."""
    floor = np.where(np.isfinite(least), least, 0.0)
    return replace(priced, cost=priced.cost - floor[:, None])
