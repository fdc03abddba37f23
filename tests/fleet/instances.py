"""Small fleets with invented numbers, straight from the fleet's own inputs."""

from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any

import numpy as np

from planner.designs import SiteOptions
from planner.fleet.market import Market
from planner.fleet.pricing import Fittings, Option, PartIndex, Pricer, SiteOffer


@dataclass(frozen=True)
class Goods:
    """SKU indices by category, and what the parts hold."""

    names: tuple[str, ...]
    switches: tuple[str, ...]
    pricer: Pricer
    module_w: Any
    battery_wh: Any
    controller_w: Any


def market(
    rng: np.random.Generator, names: list[str], base: list[float], thresholds: tuple[int, ...]
) -> Market:
    """Offers with falling tiers for most SKUs, some incremental."""
    price, fixed, least, sku = [], [], [], []
    for k, first in enumerate(base):
        tiers = thresholds[: rng.integers(1, len(thresholds) + 1)]
        incremental, total, before = rng.random() < 0.4, 0.0, first
        for i, q in enumerate(tiers):
            now = round(first * (1 - 0.08 * i), 2)
            total += (before - now) * (q - 1) if incremental else 0.0
            price.append(now), fixed.append(total), least.append(q), sku.append(k)
            before = now
    p, f, q, s = np.array(price), np.array(fixed), np.array(least, float), np.array(sku)
    low, single = np.full(len(names), np.inf), np.full(len(names), np.inf)
    np.minimum.at(low, s, p)
    np.minimum.at(single, s, f + p * q)
    return Market(
        currency="EUR",
        skus=tuple(names),
        index={name: k for k, name in enumerate(names)},
        category=("goods",) * len(names),
        weight_kg=np.ones(len(names)),
        offers=(),
        offer_sku=s,
        price=p,
        fixed=f,
        least=q,
        low_price=low,
        list_price=single,
    )


def goods(rng: np.random.Generator, thresholds: tuple[int, ...]) -> Goods:
    """Two of each kind of part."""
    kinds = {kind: [f"{kind}{i}" for i in range(2)] for kind in ("b", "c", "e", "m", "s", "t")}
    names = sorted(name for group in kinds.values() for name in group)
    cost = {"b": 150.0, "c": 60.0, "e": 90.0, "m": 80.0, "s": 250.0, "t": 70.0}
    base = [round(cost[name[0]] * rng.uniform(0.7, 1.6), 2) for name in names]
    index = {name: k for k, name in enumerate(names)}

    def places(kind: str) -> Any:
        return np.array([index[name] for name in kinds[kind]])

    fittings = Fittings(
        mount_sku=places("t"),
        mount_area_m2=np.array([1.2, 3.0]),
        mount_tilt_min_deg=np.zeros(2),
        mount_tilt_max_deg=np.full(2, 90.0),
        mount_wind_max_m_s=np.array([35.0, np.inf]),
        mount_weight_max_kg=np.array([np.inf, 2.5]),
        enclosure_sku=places("e"),
        enclosure_volume_l=np.array([40.0, 110.0]),
    )
    parts = PartIndex(module=places("m"), battery=places("b"), controller=places("c"))
    return Goods(
        names=tuple(names),
        switches=tuple(kinds["s"]),
        pricer=Pricer(market=market(rng, names, base, thresholds), fittings=fittings, parts=parts),
        module_w=np.array([60.0, 150.0]),
        battery_wh=np.array([500.0, 1300.0]),
        controller_w=np.array([200.0, 900.0]),
    )


def site(rng: np.random.Generator, g: Goods, s: int) -> SiteOffer:
    """A site whose feasible designs follow a simple rule of watts and watt-hours."""
    watts = rng.uniform(3, 14) + np.array([2.0, 4.0])
    kits = [SimpleNamespace(units=((sku, 1),)) for sku in g.switches]
    kit, block = (x.ravel() for x in np.meshgrid([0, 1], [0, 1], indexing="ij"))
    module, controller = (x.ravel() for x in np.meshgrid([0, 1], [0, 1], indexing="ij"))
    strings = np.ceil(watts[kit][:, None] * 24 / (g.module_w[module] * rng.uniform(1, 3))[None, :])
    strings = np.where(strings * g.module_w[module] <= g.controller_w[controller], strings, 0).astype(
        np.int16
    )
    batteries = np.ceil(watts[kit] * 24 * 4 / g.battery_wh[block])[:, None].repeat(4, 1).astype(np.int16)
    options = SiteOptions(
        system_voltage_v=12,
        kit=kit,
        battery=block,
        batteries_series=np.ones(4, int),
        charge_setpoint_v=np.ones(4),
        kit_volume_l=np.full(4, 5.0),
        string_volume_l=g.battery_wh[block] / 60,
        module=module,
        modules_series=np.ones(4, int),
        controller=controller,
        controllers=np.ones(4, int),
        module_area_m2=g.module_w[module] / 180,
        controller_volume_l=np.ones(4),
        modules_parallel=strings,
        batteries_parallel=batteries,
    )
    return SiteOffer(
        site=s,
        options=[Option(designs=options, kits=kits, tilt=0, surface_tilt_deg=60.0)],
        freight_per_kg=float(rng.uniform(0, 2)),
        fixed_cost=float(rng.integers(0, 400)),
        wind_design_m_s=(None, 30.0, 40.0)[s % 3],
    )
