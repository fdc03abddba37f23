"""The designs of a site that may matter, sized alone: what is sure to cost more than a limit is left out.

A limit is on the cost at reference prices: a little less than the lowest that a SKU is sold at, since the
bound's multipliers sink below those (a site may pay for a tier by a share instead). The pool begins with
designs that cost less at the lowest prices than the cheapest one does at those of single units, so that is
the limit; a few rows sized first find it. What is left out is known to cost more at reference prices, which
passes at other prices take into account (`exact.py`); where that does not settle a site, it is sized anew
under a higher limit. So a limit decides how much work is done, never what is proven.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.demand import SupplyKit
from planner.designs import (
    Floors,
    Needs,
    Prepared,
    Selection,
    SiteOptions,
    UnitCosts,
    ceilings,
    floors,
    in_whole,
    size_designs,
)
from planner.fleet.buying import FloatArray, IntArray
from planner.fleet.market import Market
from planner.fleet.pricing import BoolArray, Boxes, Option, Pricer, SiteOffer, by_number

REFERENCE_SHARE = 0.93  # of the lowest price
REACHES = (1.05, 1.15, 1.3, 1.6)  # how far over the lowest floor the limit is sought, one after the other
ROUNDING = 1e-9  # of a limit


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """A site at one system voltage and tilt before its designs are sized, of parts that it may have."""

    prepared: Prepared
    parts: Selection
    needs: Needs
    kits: Sequence[SupplyKit]
    boxes: Boxes
    tilt: int
    surface_tilt_deg: float

    def option(self, designs: SiteOptions) -> Option:
        """The draft with designs."""
        return Option(
            designs=in_whole(designs, self.parts),
            kits=self.kits,
            tilt=self.tilt,
            surface_tilt_deg=self.surface_tilt_deg,
            boxes=self.boxes,
        )


def reference_prices(market: Market) -> FloatArray:
    """Prices at which limits hold (K,), currency a unit."""
    return REFERENCE_SHARE * market.low_price


def shortlist(
    pricer: Pricer, site: SiteOffer, drafts: Sequence[Draft], limit: float | None = None
) -> SiteOffer:
    """A site's designs of up to `limit` at reference prices, and some that cost more.

    Parameters
    ----------
    site : SiteOffer
        Without options.
    drafts : sequence of Draft
        Each system voltage and tilt.
    limit : float or None
        Infinite: every design; None: what the cheapest design costs at the prices of single units.
    """
    seek = limit is None
    if limit is None:
        limit = _dearest(pricer, site, drafts)
    lowest = [_floors(pricer, site, draft, reference_prices(pricer.market)) for draft in drafts]
    offer = replace(site, options=_sized(drafts, lowest, limit * (1 + ROUNDING)))
    if limit < np.inf:
        if seek:
            limit = _least(pricer, offer)
        offer = _trimmed(pricer, offer, limit * (1 + ROUNDING))
        offer = replace(offer, floor=limit, most=most_bought(pricer, site, drafts))
    return offer


def within(
    pricer: Pricer,
    site: SiteOffer,
    drafts: Sequence[Draft],
    table: FloatArray,
    limit: float | None,
    slack: float,
) -> SiteOffer:
    """A site's designs of up to `limit` at costs by number of units needed (K, N + 1), and some above it.

    Without a limit: up to `slack` over the cheapest design. All of them where none is found near the floors.
    """
    unit = mean_costs(table)
    costs = (unit_costs(pricer, site, draft, unit, draft.boxes.cost(table)) for draft in drafts)
    lowest = [floors(draft.prepared, draft.needs, one) for draft, one in zip(drafts, costs, strict=True)]
    if not any((one.rows < np.inf).any() for one in lowest):
        return site
    if limit is None:
        limit = _nearest(pricer, site, drafts, lowest, table) + slack
    return replace(site, options=_sized(drafts, lowest, limit * (1 + ROUNDING)))


def _dearest(pricer: Pricer, site: SiteOffer, drafts: Sequence[Draft]) -> float:
    """What some cheap design costs at the prices of single units; infinite without any."""
    found = [_floors(pricer, site, draft, pricer.market.list_price) for draft in drafts]
    return _nearest(pricer, site, drafts, found)


def _nearest(
    pricer: Pricer,
    site: SiteOffer,
    drafts: Sequence[Draft],
    found: Sequence[Floors],
    table: FloatArray | None = None,
) -> float:
    """Cost of some design near the floors, at a table or the prices of single units; infinite without any."""
    lowest = [float(one.rows.min(initial=np.inf)) for one in found]
    for d in np.argsort(lowest, kind="stable").tolist():
        for reach in REACHES if lowest[d] < np.inf else ():
            offer = replace(site, options=_sized([drafts[d]], [found[d]], lowest[d] * reach))
            least = _least(pricer, offer, table)
            if least < np.inf:
                return least
    return np.inf


def _least(pricer: Pricer, offer: SiteOffer, table: FloatArray | None = None) -> float:
    """Cost of the cheapest design, at a table or at the prices of single units."""
    if table is None:
        table = pricer.landed(pricer.market.list_price, offer)
    costs = (pricer.price(option, table, offer).cost for option in offer.options)
    return min((float(cost.min(initial=np.inf)) for cost in costs), default=np.inf)


def _sized(drafts: Sequence[Draft], found: Sequence[Floors], limit: float) -> list[Option]:
    """Options of the drafts with designs that can cost up to a limit."""
    sized = (
        draft.option(size_designs(draft.prepared, one, limit))
        for draft, one in zip(drafts, found, strict=True)
        if (one.rows <= limit).any()
    )
    return [option for option in sized if option.designs.modules_parallel.size]


def _floors(pricer: Pricer, site: SiteOffer, draft: Draft, prices: FloatArray) -> Floors:
    """Floors at unit prices (K,), without upkeep."""
    unit = prices + pricer.landing(site)
    unit[list(site.existing)] = 0.0
    kit = draft.boxes.cost(by_number(unit, int(draft.boxes.number.max(initial=1))))
    return floors(draft.prepared, draft.needs, unit_costs(pricer, site, draft, unit, kit))


def mean_costs(table: FloatArray) -> FloatArray:
    """Least mean cost of a unit (K,) at costs by number of units needed (K, N + 1)."""
    return np.asarray((table[:, 1:] / np.arange(1, table.shape[1])).min(axis=1))


def unit_costs(pricer: Pricer, site: SiteOffer, draft: Draft, unit: FloatArray, kit: FloatArray) -> UnitCosts:
    """Costs of a draft's parts where a unit of each SKU costs at least so much (K,), and its kits' boxes."""
    f, chosen = pricer.fittings, draft.parts
    module, battery = pricer.parts.module[chosen.module], pricer.parts.battery[chosen.battery]
    mounts, carried = _carried(pricer, site, draft)
    boxes = unit[f.enclosure_sku], f.enclosure_volume_l
    cost, litres = (values[pricer.enclosures_allowed(site)] for values in boxes)
    mount = np.where(carried > 0, unit[f.mount_sku[mounts]][None, :], np.inf)
    each = np.full(carried.shape, np.inf)
    np.divide(mount, carried, out=each, where=carried > 0)
    return UnitCosts(
        kit=kit,
        battery=unit[battery],
        module=unit[module],
        carrier=each.min(axis=1, initial=np.inf),
        mount=mount.min(axis=1, initial=np.inf),
        controller=unit[pricer.parts.controller[chosen.controller]],
        enclosure=float(cost.min(initial=np.inf)),
        enclosure_l=float((cost / litres).min(initial=np.inf)),
        fixed=site.fixed_cost,
    )


def _carried(pricer: Pricer, site: SiteOffer, draft: Draft) -> tuple[IntArray, FloatArray]:
    """Mounts that hold the draft's tilt and the site's wind, and how many of each module they carry."""
    catalogue, mounts = draft.prepared.catalogue, pricer.mounts_allowed(draft.surface_tilt_deg, site)
    area = catalogue.module("length_m") * catalogue.module("width_m")
    kg = pricer.market.weight_kg[pricer.parts.module[draft.parts.module]]
    return mounts, pricer.carried(area[:, None], kg[:, None], mounts[None, :])


def _trimmed(pricer: Pricer, offer: SiteOffer, top: float) -> SiteOffer:
    """The offer with the rows and columns of designs that cost up to `top` at reference prices."""
    table = pricer.landed(reference_prices(pricer.market), offer)
    kept = []
    for option in offer.options:
        within: BoolArray = pricer.price(option, table, offer).cost <= top
        if within.any():
            rows, columns = (np.asarray(within.any(axis=axis), dtype=bool) for axis in (1, 0))
            designs = option.designs.take(rows, columns)
            kept.append(replace(option, designs=designs))
    return replace(offer, options=kept)


def most_bought(pricer: Pricer, site: SiteOffer, drafts: Sequence[Draft]) -> FloatArray:
    """Units of each SKU that are bought for any design of a site (K,), at most."""
    most, f, parts = np.zeros(len(pricer.market.skus)), pricer.fittings, pricer.parts
    for draft in drafts:
        high, chosen = ceilings(draft.prepared), draft.parts
        mounts, carried = _carried(pricer, site, draft)
        carriers = np.ceil(high.modules[:, None] / np.maximum(carried, 1.0))
        for place, number in (
            (parts.module[chosen.module], high.modules),
            (parts.battery[chosen.battery], high.blocks),
            (parts.controller[chosen.controller], high.controllers),
            (f.mount_sku[mounts], carriers.max(axis=0, initial=0.0)),
            (f.enclosure_sku, float(f.enclosures_max)),
        ):
            np.maximum.at(most, place, number)
        np.maximum.at(most, draft.boxes.sku, draft.boxes.number)
    return np.maximum(most - site.there(len(most)), 0.0)
