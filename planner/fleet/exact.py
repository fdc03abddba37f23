"""Every design of every site, priced at the bound's multipliers: it makes the bound hold for all of them."""

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from planner.fleet.buying import FloatArray, IntArray
from planner.fleet.curves import Curves
from planner.fleet.pool import Designs, cheapest_designs
from planner.fleet.pricing import Priced, Pricer, SiteOffer, by_number
from planner.fleet.relaxation import BoolArray, Multipliers


@dataclass(frozen=True, slots=True, kw_only=True)
class Exact:
    """Least cost of each site's designs by kind of battery (S, C), and designs that cost little more.

    No design left out costs less than its site's and kind's least cost + `left_out`.
    """

    least: FloatArray
    designs: list[Designs]
    left_out: float


def multiplier_table(pricer: Pricer, offer: SiteOffer, s: int, curves: Curves, at: Multipliers) -> FloatArray:
    """Cost of 0..N units of each SKU at site s and the multipliers, landed and installed (K, N + 1)."""
    units = pricer.widest(offer)
    cost = by_number(curves.unit_price, units)
    cost[curves.tiered] = at.phi(curves, s, units)
    return pricer.table(cost + by_number(pricer.landing(offer), units), offer)


def price_out(
    pricer: Pricer,
    offers: Iterable[SiteOffer],
    curves: Curves,
    at: Multipliers,
    *,
    slack: float,
    designs_max: int,
    kind: IntArray,
    barred: BoolArray | None = None,
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
    """
    least: list[FloatArray] = []
    kept: list[Designs] = []
    left_out = slack
    for s, offer in enumerate(offers):
        table = multiplier_table(pricer, offer, s, curves, at)
        if barred is not None:
            table[barred, 1:] = np.inf
        priced = [pricer.price(option, table, offer) for option in offer.options]
        least.append(least_by_kind(offer, priced, kind))
        over = [
            _over(p, least[-1][kind[o.designs.battery]]) for o, p in zip(offer.options, priced, strict=True)
        ]
        designs, beyond = cheapest_designs(pricer, offer, s, over, table, slack, designs_max)
        kept.append(designs)
        left_out = min(left_out, beyond)
    return Exact(least=np.array(least), designs=kept, left_out=left_out)


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
