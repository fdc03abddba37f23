"""What a plan keeps for the next one, as one file of arrays."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from scipy import sparse

from planner.demand.loads import BUILT_IN
from planner.fleet import Market
from planner.fleet.buying import IntArray
from planner.fleet.pool import Column, Designs, Pool, starts_of
from planner.fleet.relaxation import NOBODY
from planner.fleet.start import Start
from planner.grounds import Ground, ground_of
from planner.kept import UNPACKED_MAX_BYTES
from planner.reliability import SiteCurve
from planner.reuse.ground import DENSE, ground_arrays, read_ground
from planner.scenario import Scenario
from planner.sizing import Fleet, Known
from planner.tables.arrays import Shapes, pack_arrays, sizes_of, unpack_arrays

#: Sites of the largest fleet whose sketches are kept: some 8 kB a site in the plan's folder and in memory.
SKETCHED_MAX = 10_000
#: SKUs (K), those for sale (O), sites (S), designs (D), modes (V), curves (C), batches (B) of bytes (Y).
SHAPES: Shapes = {
    "skus": (np.str_, "K"),
    "sold": (np.str_, "O"),
    "gap": (np.float64, ""),
    "curves": (np.int64, ""),
    "most": (np.float64, "K"),
    "greatest": (np.int32, "SK"),
    **dict.fromkeys(("place", "choice"), (np.int64, "S")),
    "site": (np.int64, "D"),
    "other_cost": (np.float64, "D"),
    **{
        f"column_{name}": (np.float64 if name == "charge_setpoint_v" else np.int32, "D")
        for name in Column.__dataclass_fields__
    },
    "sku": (np.int64, "V"),
    **dict.fromkeys(("high", "unit_cost", "mu"), (np.float64, "V")),
    **dict.fromkeys(("curve_site", "curve_own_years"), (np.int64, "C")),
    "curve_availability": (np.float64, "C"),
    "sketches": (np.uint8, "Y"),
    "sketch_end": (np.int64, "B"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """Where a search may begin, and the curve of each site of the table, None where it has none.

    They fit a market with the same SKUs of which the same are for sale. `sketches` are the sites' by batch,
    packed, at those curves; none of larger fleets than `SKETCHED_MAX`. Nor is there the ground of a fleet
    with weather files.
    """

    start: Start
    sold: frozenset[str]
    curves: Sequence[SiteCurve | None]
    sketches: Sequence[bytes] = ()
    ground: Ground | None = None

    @property
    def known(self) -> Known:
        """What it says of sites before they are looked at."""
        return Known(most=self.start.most_by_place(), sketches=self.sketches)

    def check(self, scenario: Scenario) -> None:
        """See that it is of as many sites as a scenario has, and of schedules that it has.

        Raises
        ------
        ValueError
            It is not.
        """
        sites, place = len(scenario.tables.sites), self.start.pool.place
        lengths = {len(self.curves), *(() if self.ground is None else (len(self.ground.tilts),))}
        if lengths != {sites} or place.min(initial=0) < 0 or place.max(initial=-1) >= sites:
            raise ValueError("it is of other sites")
        known = {*BUILT_IN, *(row.schedule for row in scenario.tables.schedules)}
        if self.ground is not None and not self.ground.schedules <= known:
            raise ValueError("it has kits of other schedules")

    def fits(self, market: Market) -> bool:
        """Whether a market is of the same SKUs, and sells what the kits are made of."""
        same = self.start.skus == tuple(market.skus) and self.sold == frozenset(market.sold)
        return same and (self.ground is None or self.ground.skus <= market.index.keys())


def kept_of(
    fleet: Fleet, start: Start, curves: Sequence[SiteCurve | None], sketches: Sequence[bytes]
) -> Kept:
    """What a fleet's plan keeps: where its search ended, its curves before any was raised, and its ground."""
    sold = frozenset(fleet.market.sold)
    return Kept(start=start, sold=sold, curves=curves, sketches=sketches, ground=ground_of(fleet))


def pack(kept: Kept) -> bytes:
    """As NumPy's archive of arrays."""
    start, pool, curves = kept.start, kept.start.pool, kept.curves
    assert pool.greatest is not None  # only pools that others are made of have none
    some = [i for i, curve in enumerate(curves) if curve is not None]
    own = [curve for curve in curves if curve is not None]
    shares = sparse.csr_matrix(start.w)
    arrays: dict[str, Any] = {
        "skus": np.array(start.skus),
        "sold": np.array(sorted(kept.sold), dtype=np.str_),
        "gap": np.array(start.gap),
        "place": pool.place,
        "site": pool.designs.site,
        "other_cost": pool.designs.other_cost,
        "most": pool.most,
        "greatest": pool.greatest.astype(np.int32),
        "choice": start.choice,
        "sku": start.sku,
        "high": start.high,
        "unit_cost": start.unit_cost,
        "mu": start.mu,
        "curves": np.array(len(curves), dtype=np.int64),
        "curve_site": np.array(some, dtype=np.int64),
        "curve_availability": np.array([one.availability for one in own]),
        "curve_ratio": np.array([one.ratio for one in own]),
        "curve_days": np.array([one.days for one in own]),
        "curve_own_years": np.array([one.own_years for one in own], dtype=np.int64),
        **{f"column_{name}": values for name, values in pool.designs.column.items()},
        **_parts_of("usage", pool.designs.usage),
        **_parts_of("w", shares),
        "sketches": np.frombuffer(b"".join(kept.sketches), dtype=np.uint8),
        "sketch_end": np.cumsum([len(one) for one in kept.sketches], dtype=np.int64),
    }
    if kept.ground is not None:
        arrays |= ground_arrays(kept.ground)
    return pack_arrays(arrays, stored=["sketches", *DENSE])


def unpacked(data: bytes) -> Kept:
    """What was packed.

    Raises
    ------
    ArchiveError, ValueError, KeyError
        It was not.
    """
    a = unpack_arrays(data, most_bytes=UNPACKED_MAX_BYTES)
    sites, skus = _checked(a)
    designs = Designs(
        site=a["site"],
        column=Column(**{name: a[f"column_{name}"] for name in Column.__dataclass_fields__}),
        usage=_sparse("usage", a, (len(a["site"]), skus)),
        other_cost=a["other_cost"],
    )
    pool = Pool(
        place=a["place"],
        designs=designs,
        start=starts_of(designs.site, sites),
        most=a["most"],
        greatest=a["greatest"].astype(float),
    )
    curves: list[SiteCurve | None] = [None] * int(a["curves"])
    for n, i in enumerate(a["curve_site"].tolist()):
        curves[i] = SiteCurve(
            availability=float(a["curve_availability"][n]),
            ratio=a["curve_ratio"][n],
            days=a["curve_days"][n],
            own_years=int(a["curve_own_years"][n]),
        )
    start = Start(
        skus=tuple(a["skus"].tolist()),
        pool=pool,
        choice=a["choice"],
        w=_sparse("w", a, (sites, len(a["mu"]))).toarray(),
        gap=float(a["gap"]),
        **{name: a[name] for name in ("sku", "high", "unit_cost", "mu")},
    )
    packed, ends = a["sketches"].tobytes(), a["sketch_end"].tolist()
    return Kept(
        start=start,
        sold=frozenset(a["sold"].tolist()),
        curves=curves,
        sketches=[packed[one:end] for one, end in pairwise([0, *ends])],
        ground=read_ground(a) if "kits" in a else None,
    )


def _checked(a: Mapping[str, Any]) -> tuple[int, int]:
    """Numbers of sites and SKUs, where a start's designs and curves are of theirs."""
    sizes = sizes_of(a, SHAPES)
    sites, own, choice, curves = np.arange(sizes["S"]), a["site"], a["choice"], a["curve_site"]
    rising = np.array_equal(np.unique(own), sites) and (np.diff(own) >= 0).all()
    served = np.flatnonzero(choice != NOBODY)
    if not rising or not within(choice[served], sizes["D"]) or (own[choice[served]] != served).any():
        raise ValueError("its designs are of other sites")
    if not within(curves, int(a["curves"])):
        raise ValueError("its curves are of no site")
    if not np.isfinite(a["most"]).all() or a["most"].min(initial=0) < 0 or a["greatest"].min(initial=0) < 0:
        raise ValueError("its designs have no number of units")
    return sizes["S"], sizes["K"]


def within(places: IntArray, size: int) -> bool:
    """Whether there are so many of what the places stand for."""
    return bool(((places >= 0) & (places < size)).all())


def _parts_of(name: str, matrix: sparse.csr_matrix) -> dict[str, Any]:
    return {f"{name}_{part}": getattr(matrix, part) for part in ("data", "indices", "indptr")}


def _sparse(name: str, arrays: Mapping[str, Any], shape: tuple[int, int]) -> sparse.csr_matrix:
    parts = (arrays[f"{name}_{part}"] for part in ("data", "indices", "indptr"))
    return sparse.csr_matrix(tuple(parts), shape=shape)
