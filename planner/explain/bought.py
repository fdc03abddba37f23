"""A written plan as it was bought: its fleet again, and what every site takes of each SKU."""

import tempfile
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from scipy import sparse

from planner.availability import fleet_curves
from planner.demand import draws_of
from planner.errors import InputError, Problem
from planner.fleet.buying import IntArray
from planner.fleet.pool import Column, Designs
from planner.fleet.rules import Rules
from planner.grounds import choose_tilts, fleet_kits, kit_draws, prepare
from planner.kept import unpack_inputs
from planner.outputs import site_upkeep
from planner.outputs.site_rows import LOAD_TERMINALS
from planner.purchase import make_rules
from planner.scenario import Scenario, read_scenario
from planner.sizing import Fleet, site_kits
from planner.sizing.site import bare_offer
from planner.tables.nearest import did_you_mean
from planner.tables.plan_files import WrittenPlan, read_plan


@dataclass(frozen=True, kw_only=True)
class Bought:
    """A plan, the fleet that it was made from, and what it buys.

    Attributes
    ----------
    plan : WrittenPlan
    scenario : Scenario
        The inputs that the plan keeps, while they are unpacked.
    fleet : Fleet
        Its sites with kits, tilts and curves, as they were before anything was designed.
    served : (S,)
        Places, in the table of sites, of those that the plan serves.
    designs : Designs
        The design of each of them (S).
    needed : sparse (S, K)
        Units of each SKU at each of them, kept ones too.
    """

    plan: WrittenPlan
    scenario: Scenario
    fleet: Fleet
    served: IntArray
    designs: Designs
    needed: sparse.csr_matrix

    @cached_property
    def need(self) -> IntArray:
        """Units of each SKU (K,) that the plan's sites buy."""
        return np.asarray(self.designs.usage.sum(axis=0)).ravel().round().astype(np.int64)

    @cached_property
    def rules(self) -> Rules:
        """Rules of the purchase over the sites served."""
        return make_rules(self.scenario, self.fleet.market, self.fleet.catalogue, self.served)

    def usage(self, s: int) -> IntArray:
        """Units of each SKU (K,) that are bought for the s-th site."""
        return np.asarray(self.designs.usage[s].toarray().ravel().round(), dtype=np.int64)

    def place(self, site_id: str) -> int:
        """Number of a site among those served.

        Raises
        ------
        InputError
            The plan knows no such site, or does not serve it.
        """
        sites = self.scenario.tables.sites
        names = {site.site_id: i for i, site in enumerate(sites)}
        served = [sites[i].site_id for i in self.served]
        if site_id in served:
            return served.index(site_id)
        if site_id in names:
            why = self.plan.manifest["unserved"].get(site_id, "")
            message = f"has no design in this plan: {why}" if why else "has no design in this plan"
            remedy = "the plan's table problems says what blocks it"
        else:
            message = "is no site of this plan"
            remedy = did_you_mean(site_id, names, "the plan's table site_designs lists its sites")
        problem = Problem(
            code="unknown-site", file=str(self.plan.folder), value=site_id, message=message, remedy=remedy
        )
        raise InputError([problem])


@contextmanager
def open_plan(folder: Path) -> Iterator[Bought]:
    """A written plan with its fleet; the inputs that it keeps stay unpacked inside.

    Raises
    ------
    InputError
        The folder holds no plan of this version, or one that was changed.
    """
    plan = read_plan(folder)
    if not plan.tables["site_designs"]:
        message, remedy = "serves no site", "its table problems says what blocks the sites"
        raise InputError([Problem(code="nothing-served", file=str(folder), message=message, remedy=remedy)])
    with tempfile.TemporaryDirectory(prefix="planner-") as name:
        scenario = read_scenario(unpack_inputs(folder, plan.manifest, Path(name) / "inputs"))
        yield bought_of(plan, fleet_of(scenario))


def fleet_of(scenario: Scenario) -> Fleet:
    """Everything known of a scenario's fleet before its sites are designed."""
    fleet = prepare(scenario)
    fleet_kits(fleet)
    fleet.tilts[:] = choose_tilts(fleet)
    kits = kit_draws(fleet)
    fleet.curves[:] = fleet_curves(fleet, kits)
    fleet.upkeep[:] = [site_upkeep(fleet, i, some) for i, some in enumerate(kits)]
    return fleet


def changed_fleet(fleet: Fleet, scenario: Scenario, arrays: Any, touched: Collection[int]) -> Fleet:
    """The fleet where some sites ask something else; climate, prices and the other sites stay.

    `arrays` are the sites' numbers as the scenario has them now.
    """
    changed = replace(
        fleet, scenario=scenario, arrays=arrays, tilts=[], curves=list(fleet.curves), refusals={}
    )
    fleet_kits(changed)
    changed.tilts[:] = choose_tilts(changed)
    kits, nothing = kit_draws(changed), draws_of([])
    asked = fleet_curves(changed, [some if i in touched else nothing for i, some in enumerate(kits)])
    for i in touched:
        changed.curves[i] = asked[i]
    upkeep = [
        site_upkeep(changed, i, kits[i]) if i in touched else old for i, old in enumerate(fleet.upkeep)
    ]
    return replace(changed, upkeep=upkeep)


def bought_of(plan: WrittenPlan, fleet: Fleet) -> Bought:
    """A plan beside its fleet."""
    sites = {site.site_id: i for i, site in enumerate(fleet.scenario.tables.sites)}
    rows = sorted(plan.tables["site_designs"], key=lambda row: sites[row.site_id])
    served = np.array([sites[row.site_id] for row in rows], dtype=np.int64)
    needed, kept = _units(plan, fleet, {row.site_id: s for s, row in enumerate(rows)})
    usage = needed - kept
    usage.eliminate_zeros()
    other = np.zeros(len(rows))
    for s, i in enumerate(served.tolist()):
        offer = bare_offer(fleet, i, fleet.gear[i])
        upkeep = float(offer.upkeep.cost(needed[s])[0]) if offer.upkeep is not None else 0.0
        other[s] = float((usage[s] @ fleet.pricer.landing(offer))[0]) + offer.fixed_cost + upkeep
    return Bought(
        plan=plan,
        scenario=fleet.scenario,
        fleet=fleet,
        served=served,
        designs=Designs(
            site=np.arange(len(rows)),
            column=Column.join(
                [_column(fleet, i, row) for i, row in zip(served.tolist(), rows, strict=True)]
            ),
            usage=usage,
            other_cost=other,
        ),
        needed=needed,
    )


def _units(
    plan: WrittenPlan, fleet: Fleet, number: dict[str, int]
) -> tuple[sparse.csr_matrix, sparse.csr_matrix]:
    """Units of each SKU at each site, and those of them that stand there already, (S, K) both."""
    bill = plan.tables["bill_of_materials"]
    at = [number[row.site_id] for row in bill], [fleet.market.index[row.sku] for row in bill]
    shape = len(number), len(fleet.market.skus)
    return (
        sparse.csr_matrix((np.array([float(row.quantity) for row in bill]), at), shape=shape),
        sparse.csr_matrix((np.array([float(row.quantity_kept) for row in bill]), at), shape=shape),
    )


def _column(fleet: Fleet, i: int, row: Any) -> Column:
    """What a row of the plan's designs is made of."""
    cat, fittings, skus = fleet.catalogue, fleet.pricer.fittings, fleet.market.skus
    mounts, boxes = ([skus[k] for k in some] for some in (fittings.mount_sku, fittings.enclosure_sku))
    whole: dict[str, Any] = {
        "system_voltage_v": row.system_voltage_v,
        "tilt": int(np.abs(fleet.plane.surface_tilt_deg[i] - row.surface_tilt_deg).argmin()),
        "kit": _kit(fleet, i, row),
        "battery": list(cat.battery_sku).index(row.battery_sku),
        "module": list(cat.module_sku).index(row.module_sku),
        "controller": list(cat.controller_sku).index(row.controller_sku),
        "mount": mounts.index(row.mount_sku),
        "enclosure": boxes.index(row.enclosure_sku),
        **{
            name: getattr(row, name)
            for name in ("batteries_series", "batteries_parallel", "modules_series", "modules_parallel")
        },
        **{name: getattr(row, name) for name in ("controllers", "mounts", "enclosures")},
    }
    numbers: dict[str, Any] = {name: np.array([n], dtype=np.int32) for name, n in whole.items()}
    return Column(charge_setpoint_v=np.array([row.charge_setpoint_v], dtype=float), **numbers)


def _kit(fleet: Fleet, i: int, row: Any) -> int:
    """Which of the site's kits a design has: by its boxes, what stands behind converters, the disconnect."""
    kits = site_kits(fleet, i, row.system_voltage_v, fleet.gear[i]).kits
    for k, kit in enumerate(kits):
        boxes = " + ".join(f"{number} x {sku}" for sku, number in kit.units)
        feeds = "; ".join(f"{fed} behind {converter}" for fed, converter in kit.feeds)
        terminals = row.load_disconnect == LOAD_TERMINALS
        if (boxes, feeds, kit.load_terminal) == (row.supply_kit, row.feeds, terminals):
            return k
    return 0  # never in a plan of this version; its cost is that of its bill all the same


