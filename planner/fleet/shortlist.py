"""The designs of a site that may matter at some costs, sized alone: those of up to a limit.

A site is kept as drafts: what its kits need at least, whatever the prices (`planner.designs.sketch`). At
costs of units these say which kits can be part of a design of up to a limit, and only those are sized. A
limit decides how much work is done, never what is proven: no design of up to the limit is left out.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.demand import SupplyKit
from planner.designs import (
    Bands,
    Ceilings,
    Floors,
    PartCosts,
    Prepared,
    Selection,
    SiteOptions,
    Sketch,
    floors,
    in_whole,
    least_costs,
    refined,
    size_designs,
)
from planner.fleet.buying import FloatArray, IntArray
from planner.fleet.pricing import Boxes, Option, Pricer, SiteOffer, by_number

NEAR = 1.1  # how far over the lowest floor of a kit those lie among which a cheap design is sought
REACHES = (1.05, 1.15, 1.3, 1.6)  # and how far over the lowest of their floors, one after the other
ROUNDING = 1e-9  # of a limit


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """A site at one system voltage and tilt before its designs are sized, of parts that it may have.

    `prepared` makes rows and columns of the kits at some places; `most` is what its designs take at most,
    where that is not known of the site already.
    """

    sketch: Sketch
    most: Ceilings | None
    bands: Bands
    kits: Sequence[SupplyKit]
    boxes: Boxes
    parts: Selection
    tilt: int
    surface_tilt_deg: float
    prepared: Callable[[IntArray], Prepared]

    def every(self, kits: IntArray) -> Option | None:
        """All designs of the kits at some places; None without any."""
        return self.option(size_designs(self.prepared(kits)), kits) if len(kits) else None

    def option(self, designs: SiteOptions, kits: IntArray) -> Option | None:
        """The draft with designs of the kits at some places; None without any."""
        if not designs.modules_parallel.size:
            return None
        return Option(
            designs=in_whole(replace(designs, kit=kits[designs.kit]), self.parts),
            kits=self.kits,
            tilt=self.tilt,
            surface_tilt_deg=self.surface_tilt_deg,
            boxes=self.boxes,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """A draft at some costs: no design costs less than its kit (K,), and what is least beside it (J, B)."""

    draft: Draft
    costs: PartCosts
    beside: FloatArray

    @property
    def kits(self) -> FloatArray:
        """No design of a kit (K,) costs less."""
        return np.asarray(self.costs.kit + self.beside.min(axis=1, initial=np.inf)[self.draft.bands.band])

    def floors(self, kits: IntArray) -> tuple[Prepared, Floors]:
        """Rows and columns of the kits at some places, and what they cost at least."""
        prepared, costs = self.draft.prepared(kits), replace(self.costs, kit=self.costs.kit[kits])
        kit, battery = prepared.stores.kit, prepared.stores.battery
        rows = costs.kit[kit] + self.beside[self.draft.bands.band[kits[kit]], battery]
        return prepared, floors(prepared, costs, rows)

    def option(self, limit: float) -> Option | None:
        """Designs that can cost up to a limit; None without any."""
        if limit == np.inf:
            return self.draft.every(np.flatnonzero(self.kits < np.inf))
        near = self.refined(limit)
        kits = np.flatnonzero(near.kits <= limit)
        return near.sized(kits, *near.floors(kits), limit) if len(kits) else None

    def refined(self, limit: float) -> "Outlook":
        """The same, with what costs up to a limit looked at more closely."""
        bands, kit = self.draft.bands, np.full(len(self.beside), np.inf)
        np.minimum.at(kit, bands.band, self.costs.kit)
        return replace(self, beside=refined(self.draft.sketch, self.costs, self.beside, limit - kit))

    def sized(self, kits: IntArray, prepared: Prepared, least: Floors, limit: float) -> Option | None:
        """Designs of the kits at some places that can cost up to a limit; None without any."""
        if not (least.rows <= limit).any():
            return None
        return self.draft.option(size_designs(prepared, least, limit), kits)


def outlooks(pricer: Pricer, site: SiteOffer, drafts: Sequence[Draft], table: FloatArray) -> list[Outlook]:
    """Drafts at costs by number of units needed (K, N + 1)."""
    table = np.minimum.accumulate(table[:, ::-1], axis=1)[:, ::-1]  # of no fewer units
    at_tilt: dict[int, PartCosts] = {}
    found = []
    for draft in drafts:
        if draft.tilt not in at_tilt:
            at_tilt[draft.tilt] = part_costs(pricer, site, draft, table)
        costs = replace(at_tilt[draft.tilt], kit=draft.boxes.cost(table))
        found.append(Outlook(draft=draft, costs=costs, beside=least_costs(draft.sketch, costs)))
    return found


def within(
    pricer: Pricer,
    site: SiteOffer,
    drafts: Sequence[Draft],
    table: FloatArray,
    limit: float | None,
    slack: float,
) -> SiteOffer:
    """A site's designs of up to `limit` at costs by number of units needed (K, N + 1), and some above it.

    Without a limit: up to `slack` over some design near the cheapest. All of them where none is found near
    the floors.
    """
    found = outlooks(pricer, site, drafts, table)
    if limit is None:
        limit = nearest(pricer, site, found, table)[0] + slack
    options = (one.option(limit * (1 + ROUNDING)) for one in found)
    return with_options(site, options)


def with_options(site: SiteOffer, options: Iterable[Option | None]) -> SiteOffer:
    """A site with the options that there are."""
    return replace(site, options=[option for option in options if option is not None])


def nearest(
    pricer: Pricer, site: SiteOffer, found: Sequence[Outlook], table: FloatArray
) -> tuple[float, Option | None]:
    """Cost of some design near the floors, and those sized with it; infinite and None without any."""
    lowest = [float(one.kits.min(initial=np.inf)) for one in found]
    for d in np.argsort(lowest, kind="stable").tolist():
        if lowest[d] == np.inf:
            break
        kits = np.flatnonzero(found[d].kits <= lowest[d] * NEAR)
        prepared, least = found[d].floors(kits)
        for reach in REACHES:
            limit = float(least.rows.min(initial=np.inf)) * reach
            option = found[d].sized(kits, prepared, least, limit) if limit < np.inf else None
            if option is None:
                continue
            cost = float(pricer.price(option, table, site).cost.min(initial=np.inf))
            if cost < np.inf:
                return cost, option
    return np.inf, None


def price_table(pricer: Pricer, site: SiteOffer, prices: FloatArray) -> FloatArray:
    """Costs at unit prices (K,) by number of units needed at a site whose `most` is known (K, N + 1)."""
    assert site.most is not None
    units = int((site.most + site.there(len(prices))).max(initial=1)) + 1
    return pricer.table(by_number(prices + pricer.landing(site), units), site)


def part_costs(pricer: Pricer, site: SiteOffer, draft: Draft, table: FloatArray) -> PartCosts:
    """Least costs of a draft's parts, but its kits, at costs of no fewer units than so many (K, N + 1)."""
    f, chosen, cat = pricer.fittings, draft.parts, draft.parts.catalogue
    module = pricer.parts.module[chosen.module]
    mounts = pricer.mount_cost(
        cat.module("length_m") * cat.module("width_m"),
        pricer.market.weight_kg[module],
        table,
        pricer.mounts_allowed(draft.surface_tilt_deg, site),
    )
    boxes = pricer.enclosures_allowed(site)
    return PartCosts(
        kit=np.zeros(0),
        battery=table[pricer.parts.battery[chosen.battery]],
        carried=table[module] + mounts,
        controller=table[pricer.parts.controller[chosen.controller]],
        enclosure=np.append(
            table[f.enclosure_sku[boxes], : f.enclosures_max + 1], np.full((len(boxes), 1), np.inf), axis=1
        ),
        enclosure_l=f.enclosure_volume_l[boxes],
        block_l=cat.battery("volume_l"),
        charge_a=cat.battery("charge_current_max_a"),
        controller_l=cat.controller("volume_l"),
        fixed=site.fixed_cost,
    )


def _carried(pricer: Pricer, site: SiteOffer, draft: Draft) -> tuple[IntArray, FloatArray]:
    """Mounts that hold the draft's tilt and the site's wind, and how many of each module they carry."""
    catalogue, mounts = draft.parts.catalogue, pricer.mounts_allowed(draft.surface_tilt_deg, site)
    area = catalogue.module("length_m") * catalogue.module("width_m")
    kg = pricer.market.weight_kg[pricer.parts.module[draft.parts.module]]
    return mounts, pricer.carried(area[:, None], kg[:, None], mounts[None, :])


def most_bought(pricer: Pricer, site: SiteOffer, drafts: Sequence[Draft]) -> FloatArray:
    """Units of each SKU that are bought for any design of a site (K,), at most."""
    most, f, parts = np.zeros(len(pricer.market.skus)), pricer.fittings, pricer.parts
    for draft in drafts:
        high, chosen = draft.most, draft.parts
        assert high is not None
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
