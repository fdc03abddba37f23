"""What a plan keeps for the next one: its search's last designs and multipliers, its curves, sites' sketches.

They hold as long as loads, parts, climate, sites and what stands there are the same; prices, stock and rules
of the purchase may change. A plan made from them is proven anew: they save the work of sizing every site and
of finding multipliers, and decide nothing.
"""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from scipy import sparse

from planner.fleet import Market
from planner.fleet.pool import Column, Designs, Pool, starts_of
from planner.fleet.start import Start
from planner.kept import MEMBERS_MAX, UNPACKED_MAX_BYTES, hashes_of, member
from planner.layers import SETTINGS_FILE
from planner.reliability import SiteCurve
from planner.scenario import Scenario
from planner.settings import flat_settings
from planner.sizing import Known
from planner.tables.archive import ArchiveError, unpack
from planner.tables.arrays import pack_arrays, unpack_arrays
from planner.tables.plan_files import INPUTS, SEARCH, WrittenPlan, file_bytes
from planner.tables.registry import BY_NAME

#: Tables and settings that a search outlives.
FREE_TABLES = ("prices", "fx", "suppliers", "stock", "sku_rules", "category_rules", "phases")
FREE_SETTINGS = (
    "name",
    "catalogue",
    "extends",
    "plan_date",
    "purchase.budget",
    "purchase.keep_share",
    "purchase.need_by",
)
#: Sites of the largest fleet whose sketches are kept: some 8 kB a site in the plan's folder and in memory.
SKETCHED_MAX = 10_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """Where a search may begin, and the curve of each site of the table, None where it has none.

    They fit a market with the same SKUs of which the same are for sale. `sketches` are the sites' by batch,
    packed, at those curves; none of larger fleets than `SKETCHED_MAX`.
    """

    start: Start
    sold: frozenset[str]
    curves: Sequence[SiteCurve | None]
    sketches: Sequence[bytes] = ()

    @property
    def known(self) -> Known:
        """What it says of sites before they are looked at."""
        return Known(most=self.start.most_by_place(), sketches=self.sketches)

    def fits(self, market: Market) -> bool:
        """Whether a market is of the same SKUs."""
        return self.start.skus == tuple(market.skus) and self.sold == frozenset(market.sold)


def pack(kept: Kept) -> bytes:
    """As NumPy's archive of arrays."""
    start, pool, curves = kept.start, kept.start.pool, kept.curves
    assert pool.greatest is not None  # only pools that others are made of have none
    some = [i for i, curve in enumerate(curves) if curve is not None]
    own = [curve for curve in curves if curve is not None]
    shares = sparse.csr_matrix(start.w)
    arrays: dict[str, Any] = {
        "skus": np.array(start.skus),
        "sold": np.array(sorted(kept.sold)),
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
        "curves": np.array(len(curves)),
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
    return pack_arrays(arrays)


def unpacked(data: bytes) -> Kept:
    """What was packed.

    Raises
    ------
    ArchiveError, ValueError, KeyError
        It was not.
    """
    a = unpack_arrays(data, most_bytes=UNPACKED_MAX_BYTES)
    sites, skus = len(a["place"]), len(a["skus"])
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
    sketches = [packed[one:end] for one, end in pairwise([0, *ends])]
    return Kept(start=start, sold=frozenset(a["sold"].tolist()), curves=curves, sketches=sketches)


def _parts_of(name: str, matrix: sparse.csr_matrix) -> dict[str, Any]:
    return {f"{name}_{part}": getattr(matrix, part) for part in ("data", "indices", "indptr")}


def _sparse(name: str, arrays: Mapping[str, Any], shape: tuple[int, int]) -> sparse.csr_matrix:
    parts = (arrays[f"{name}_{part}"] for part in ("data", "indices", "indptr"))
    return sparse.csr_matrix(tuple(parts), shape=shape)


def reusable(plan: WrittenPlan, scenario: Scenario) -> tuple[Kept | None, str]:
    """What an earlier plan can spare a scenario's, or why nothing, in words that follow the plan's name."""
    if scenario.settings.objective == "lifetime":
        return None, "nothing is used again where lifetime costs are least: replacements have prices too"
    if differs := sorted(_differences(plan, scenario)):
        return None, f"nothing is used again, as these differ too: {', '.join(differs)}"
    data, problems = file_bytes(plan.folder, SEARCH, plan.manifest)
    if data is None or problems:
        return None, "nothing is used again: it has not kept its search"
    try:
        return unpacked(data), ""
    except (ArchiveError, ValueError, KeyError) as error:
        return None, f"nothing is used again: its search cannot be read ({error})"


def _differences(plan: WrittenPlan, scenario: Scenario) -> set[str]:
    """Tables, files and settings that differ and may not."""
    data, problems = file_bytes(plan.folder, INPUTS, plan.manifest)
    if data is None or problems:
        return {INPUTS}
    members = unpack(data, most_bytes=UNPACKED_MAX_BYTES, most_members=MEMBERS_MAX)
    free = {SETTINGS_FILE, *(member(BY_NAME[name]) for name in FREE_TABLES)}
    before = {name: hashlib.sha256(one).hexdigest() for name, one in members.items()}
    now = hashes_of(scenario)
    files = {name for name in before.keys() | now.keys() if before.get(name) != now.get(name)}
    stated = {name: cell["value"] for name, cell in plan.manifest["settings"].items()}
    own = flat_settings(scenario.settings)
    settings = {
        name
        for name in stated.keys() | own.keys()
        if name not in FREE_SETTINGS and not name.startswith("solver.") and stated.get(name) != own.get(name)
    }
    return {name.removesuffix(".parquet") for name in files - free} | settings
