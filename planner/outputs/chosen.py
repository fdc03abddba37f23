"""The designs that a solution chose, with all that the plan's tables say of them."""

from planner.designs import Choice
from planner.fleet import FleetSolution
from planner.fleet.pool import Designs
from planner.fleet.relaxation import NOBODY
from planner.outputs.records import Fleet, SiteDesign
from planner.sizing import site_inputs


def chosen_designs(fleet: Fleet, solution: FleetSolution) -> list[SiteDesign]:
    """The design of each site that has one, from the pool; of a solution with a plan."""
    assert solution.choice is not None
    return [
        chosen_design(fleet, solution.pool.designs, int(i), int(d))
        for i, d in zip(solution.pool.place, solution.choice, strict=True)
        if d != NOBODY
    ]


def chosen_design(fleet: Fleet, designs: Designs, i: int, d: int) -> SiteDesign:
    """The d-th of some designs, at the i-th site."""
    market, fittings = fleet.market, fleet.pricer.fittings
    one = {name: values[d].item() for name, values in designs.column.items()}
    inputs = site_inputs(fleet, i, one["system_voltage_v"], one["tilt"], fleet.gear[i])
    assert inputs is not None  # the design has a kit
    usage = designs.usage
    some = slice(usage.indptr[d], usage.indptr[d + 1])
    return SiteDesign(
        site=i,
        system_voltage_v=one["system_voltage_v"],
        surface_tilt_deg=float(fleet.plane.surface_tilt_deg[i, one["tilt"]]),
        kit=inputs.kits[one["kit"]],
        inputs=inputs,
        choice=Choice(**{name: one[name] for name in Choice.__dataclass_fields__}),
        mount_sku=market.skus[fittings.mount_sku[one["mount"]]],
        mounts=one["mounts"],
        enclosure_sku=market.skus[fittings.enclosure_sku[one["enclosure"]]],
        enclosures=one["enclosures"],
        bought={
            market.skus[k]: round(n) for k, n in zip(usage.indices[some], usage.data[some], strict=True)
        },
    )
