"""What every site costs at least when one SKU at a time gets cheaper: so many units can be worth buying."""

from collections.abc import Iterable, Sequence

import numpy as np

from planner.designs import SiteOptions
from planner.fleet.market import FloatArray
from planner.fleet.pricing import Priced, Pricer, SiteOffer, block_volume, module_area, volume


def relieved_costs(
    pricer: Pricer, offers: Iterable[SiteOffer], prices: FloatArray, reliefs: Sequence[FloatArray]
) -> list[FloatArray]:
    """Sum over sites of `relieved_cost`, for several reliefs."""
    totals = [np.zeros(len(prices)) for _ in reliefs]
    for offer in offers:
        unit = pricer.landed(prices, offer)
        priced = [
            pricer.price(o, kits, unit, offer) for o, kits in zip(offer.options, offer.kits, strict=True)
        ]
        for total, relief in zip(totals, reliefs, strict=True):
            total += relieved_cost(pricer, offer, priced, unit, relief)
    return totals


def relieved_cost(
    pricer: Pricer, offer: SiteOffer, priced: Sequence[Priced], unit: FloatArray, relief: FloatArray
) -> FloatArray:
    """Least cost of a site if one SKU's price falls by `relief[k]`, for each SKU (K,); `priced` is before."""
    best = np.full(len(pricer.market.skus), min(float(p.cost.min()) for p in priced))
    for i, (o, p) in enumerate(zip(offer.options, priced, strict=True)):
        _parts(pricer, o, p, relief, best)
        _boxes(pricer, offer, i, p, relief, best)
        _mounts(pricer, offer, o, p, unit, relief, best)
        _enclosures(pricer, o, p, unit, relief, best)
    return best


def _parts(pricer: Pricer, o: SiteOptions, p: Priced, relief: FloatArray, best: FloatArray) -> None:
    """Modules, controllers and batteries; in place."""
    parts = pricer.parts
    module, controller = parts.module[o.module], parts.controller[o.controller]
    block = parts.battery[o.battery]
    saved = relief[module] * o.modules_series
    np.minimum.at(best, module, (p.cost - saved[None, :] * o.modules_parallel).min(axis=0))
    np.minimum.at(best, controller, p.cost.min(axis=0) - relief[controller] * o.controllers)
    blocks = (relief[block] * o.batteries_series)[:, None] * o.batteries_parallel
    np.minimum.at(best, block, (p.cost - blocks).min(axis=1))


def _boxes(
    pricer: Pricer, offer: SiteOffer, option: int, p: Priced, relief: FloatArray, best: FloatArray
) -> None:
    """Boxes of the kits; in place."""
    kits, index = offer.kits[option], pricer.market.index
    by_kit = np.full(len(kits), np.inf)
    np.minimum.at(by_kit, offer.options[option].kit, p.cost.min(axis=1))
    for kit, least in zip(kits, by_kit, strict=True):
        for sku, number in kit.units:
            k = index[sku]
            best[k] = min(best[k], least - relief[k] * number)


def _mounts(
    pricer: Pricer,
    offer: SiteOffer,
    o: SiteOptions,
    p: Priced,
    unit: FloatArray,
    relief: FloatArray,
    best: FloatArray,
) -> None:
    """Mounts, of which a design may take another kind than before; in place."""
    columns, numbers = p.mounts.shape
    least = np.full(columns * numbers, np.inf)  # of each array column with each number of strings
    np.minimum.at(least, np.arange(columns) * numbers + o.modules_parallel, p.cost)
    least = least.reshape(columns, numbers)
    modules = np.arange(numbers, dtype=float)[None, :] * o.modules_series[:, None]
    rest = np.where(np.isfinite(least), least - np.where(np.isfinite(p.mounts), p.mounts, 0.0), np.inf)
    for m in pricer.mounts_allowed(offer).tolist():
        k = pricer.fittings.mount_sku[m]
        if relief[k] > 0:
            number = pricer.mounts_for(modules, module_area(o)[:, None], m)
            best[k] = min(best[k], float((rest + number * (unit[k] - relief[k])).min()))


def _enclosures(
    pricer: Pricer, o: SiteOptions, p: Priced, unit: FloatArray, relief: FloatArray, best: FloatArray
) -> None:
    """Enclosures, of which a design may take another kind than before; in place."""
    fits = np.isfinite(p.cost)
    rest = p.cost[fits] - p.housing[fits]
    litres = volume(o)[fits]
    block = np.broadcast_to(block_volume(o)[:, None], p.cost.shape)[fits]
    for e, k in enumerate(pricer.fittings.enclosure_sku):
        if relief[k] > 0:
            number = pricer.boxes_for(litres, block, e)
            best[k] = min(best[k], float((rest + number * (unit[k] - relief[k])).min(initial=np.inf)))
