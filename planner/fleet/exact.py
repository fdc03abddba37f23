"""Every design of every site, priced at the bound's multipliers: it makes the bound hold for all of them."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from planner.fleet.bound import Multipliers
from planner.fleet.curves import Curves
from planner.fleet.market import FloatArray
from planner.fleet.pool import Designs, cheapest_designs
from planner.fleet.pricing import Pricer, SiteOffer, by_number


@dataclass(frozen=True, slots=True, kw_only=True)
class Exact:
    """Least cost of each site over all its designs (S,), and its designs that cost little more.

    No design left out costs less than its site's least cost + `left_out`.
    """

    least: FloatArray
    designs: list[Designs]
    left_out: float


def multiplier_table(pricer: Pricer, offer: SiteOffer, s: int, curves: Curves, at: Multipliers) -> FloatArray:
    """Cost of 0..N units of each SKU at site s and the multipliers, freight included (K, N + 1)."""
    market, units = pricer.market, pricer.widest(offer)
    cost = by_number(market.list_price, units)
    cost[curves.tiered] = at.phi(curves, s, units)
    return pricer.table(cost + by_number(market.weight_kg * offer.freight_per_kg, units), offer)


def price_out(
    pricer: Pricer,
    offers: Iterable[SiteOffer],
    curves: Curves,
    at: Multipliers,
    *,
    slack: float,
    designs_max: int,
) -> Exact:
    """Price all designs; keep, at each site, those within `slack` of its least, `designs_max` at most."""
    least: list[float] = []
    kept: list[Designs] = []
    left_out = slack
    for s, offer in enumerate(offers):
        table = multiplier_table(pricer, offer, s, curves, at)
        priced = [pricer.price(option, table, offer) for option in offer.options]
        least.append(min(float(p.cost.min()) for p in priced))
        designs, beyond = cheapest_designs(pricer, offer, s, priced, table, least[-1] + slack, designs_max)
        kept.append(designs)
        left_out = min(left_out, beyond - least[-1])
    return Exact(least=np.array(least), designs=kept, left_out=left_out)
