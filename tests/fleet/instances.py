"""Small fleets with invented numbers, straight from the fleet's own inputs."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import Any

import numpy as np

from planner.designs import SiteOptions
from planner.fleet.buying import Source
from planner.fleet.market import Market
from planner.fleet.pricing import Fittings, Option, PartIndex, Pricer, SiteOffer
from planner.fleet.spares import SparesRule


@dataclass(frozen=True)
class Ladder:
    """One supplier's tiers of a SKU, rising: (least quantity, unit price)."""

    tiers: tuple[tuple[int, float], ...]
    incremental: bool = False

    def offers(self) -> list[tuple[float, float, int]]:
        """(unit price, fixed part, least quantity) of each tier."""
        found, fixed, before = [], 0.0, self.tiers[0][1]
        for least, price in self.tiers:
            fixed += (before - price) * (least - 1) if self.incremental else 0.0
            found.append((price, fixed, least))
            before = price
        return found


@dataclass(frozen=True)
class Terms:
    """How suppliers sell, by (SKU, supplier), and what every SKU costs beside its units."""

    sold: dict[tuple[int, int], dict[str, Any]]
    spares: tuple[SparesRule, ...]
    onboarding: Any

    def of(self, k: int, j: int) -> dict[str, Any]:
        """Terms of a supplier as arguments of `Source`."""
        return self.sold.get((k, j), {})


@dataclass(frozen=True)
class Goods:
    """SKUs and their suppliers' ladders, and what the parts hold."""

    names: tuple[str, ...]
    ladders: list[list[Ladder]]
    switches: tuple[str, ...]
    pricer: Pricer
    module_w: Any
    battery_wh: Any
    controller_w: Any
    terms: Terms | None = None


def random_terms(rng: np.random.Generator, ladders: list[list[Ladder]]) -> Terms:
    """Packs, least orders and stock of many suppliers; spares and the cost of taking on of many SKUs."""
    sold: dict[tuple[int, int], dict[str, Any]] = {}
    for k, some in enumerate(ladders):
        for j in range(len(some)):
            pack = int(rng.choice([1, 1, 2, 3]))
            least = int(rng.choice([1, 1, 1, 4]))
            stock = None if rng.random() < 0.75 else int(rng.integers(2, 25))
            sold[k, j] = {"pack_qty": pack, "min_order_qty": least, "stock_qty": stock}
    rules = (
        SparesRule(),
        SparesRule(share=0.05),
        SparesRule(share=0.4),
        SparesRule(failures_per_unit=0.2, protection=0.9),
        SparesRule(share=0.1, failures_per_unit=0.02, protection=0.99),
    )
    spares = tuple(rules[int(rng.integers(len(rules)))] for _ in ladders)
    onboarding = np.where(rng.random(len(ladders)) < 0.5, np.round(rng.uniform(0, 120, len(ladders)), 2), 0.0)
    return Terms(sold=sold, spares=spares, onboarding=onboarding)


def random_ladders(
    rng: np.random.Generator, base: list[float], thresholds: tuple[int, ...], suppliers: int
) -> list[list[Ladder]]:
    """Falling tiers of each SKU at each supplier, some incremental; later suppliers ask other prices."""
    found = []
    for first in base:
        ladders = []
        for supplier in range(suppliers):
            start = round(first * rng.uniform(0.85, 1.1), 2) if supplier else first
            tiers = thresholds[: rng.integers(1, len(thresholds) + 1)]
            incremental = bool(rng.random() < 0.4)
            skip = int(rng.integers(0, len(tiers))) if supplier else 0  # asks for several at least
            prices = ((q, round(start * (1 - 0.08 * i), 2)) for i, q in enumerate(tiers) if i >= skip)
            ladders.append(Ladder(tuple(prices), incremental))
        found.append(ladders)
    return found


def market(names: Sequence[str], ladders: list[list[Ladder]], terms: Terms | None = None) -> Market:
    """The market of SKUs with their suppliers' ladders, and the suppliers' terms if any."""
    sources = [
        tuple(
            Source(
                supplier=f"v{j}",
                offers=tuple(range(len(ladder.tiers))),
                price=np.array([price for price, _, _ in ladder.offers()]),
                fixed=np.array([fixed for _, fixed, _ in ladder.offers()]),
                min_qty=np.array([least for _, _, least in ladder.offers()]),
                **(terms.of(k, j) if terms else {}),
            )
            for j, ladder in enumerate(some)
        )
        for k, some in enumerate(ladders)
    ]
    return Market(
        currency="EUR",
        skus=tuple(names),
        index={name: k for k, name in enumerate(names)},
        category=tuple(name[0] for name in names),
        weight_kg=np.ones(len(names)),
        freight_kg=np.ones(len(names)),
        install_cost=np.zeros(len(names)),
        offers=(),
        sources=tuple(sources),
        spares=terms.spares if terms else (SparesRule(),) * len(names),
        onboarding=terms.onboarding if terms else np.zeros(len(names)),
        required=np.zeros(len(names), dtype=bool),
        low_price=np.array([min((float(s.price.min()) for s in some), default=np.inf) for some in sources]),
        list_price=np.array([min((float(s.price.max()) for s in some), default=np.inf) for some in sources]),
    )


def goods(
    rng: np.random.Generator, thresholds: tuple[int, ...], suppliers: int = 1, *, terms: bool = False
) -> Goods:
    """Two of each kind of part, with tiers at some of the thresholds, and one that no site can use."""
    kinds = {kind: [f"{kind}{i}" for i in range(2)] for kind in ("b", "c", "e", "m", "s", "t")}
    names = [*sorted(name for group in kinds.values() for name in group), "x0"]
    cost = {"b": 150.0, "c": 60.0, "e": 90.0, "m": 80.0, "s": 250.0, "t": 70.0, "x": 1.0}
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
        enclosure_damping_k=np.full(2, np.inf),
        enclosures_max=2,
    )
    parts = PartIndex(module=places("m"), battery=places("b"), controller=places("c"))
    ladders = random_ladders(rng, base, thresholds, suppliers)
    how = random_terms(rng, ladders) if terms else None
    return Goods(
        names=tuple(names),
        ladders=ladders,
        switches=tuple(kinds["s"]),
        terms=how,
        pricer=Pricer(market=market(names, ladders, how), fittings=fittings, parts=parts),
        module_w=np.array([60.0, 150.0]),
        battery_wh=np.array([500.0, 1300.0]),
        controller_w=np.array([200.0, 900.0]),
    )


def equipped(rng: np.random.Generator, g: Goods, offer: SiteOffer) -> SiteOffer:
    """The site with up to four units of some SKUs, of one kind or of several."""
    names = [k for k, name in enumerate(g.names) if name[0] in "bcemst"]
    return replace(offer, existing={k: int(rng.integers(1, 5)) for k in names if rng.random() < 0.4})


def choosy(rng: np.random.Generator, offer: SiteOffer) -> SiteOffer:
    """The site where one module and one battery fit alone, as far as they serve it."""
    option = offer.options[0]
    strings = option.designs.modules_parallel
    for part in (option.designs.module, option.designs.battery[:, None]):
        alone = np.where(part == rng.integers(2), strings, 0)
        strings = alone if alone.any() else strings
    designs = replace(option.designs, modules_parallel=strings)
    return replace(offer, options=[replace(option, designs=designs)])


def unsold(g: Goods, *skus: str) -> Goods:
    """The goods where nobody sells some SKUs."""
    ladders = [[] if name in skus else some for name, some in zip(g.names, g.ladders, strict=True)]
    return replace(g, ladders=ladders, pricer=replace(g.pricer, market=market(g.names, ladders, g.terms)))


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
