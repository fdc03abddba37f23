"""The manifest: versions, inputs, settings with their origins, money, proof."""

from collections.abc import Mapping, Sequence
from decimal import Decimal
from importlib.metadata import version
from typing import Any

from planner import __version__
from planner.fleet import FleetSolution, Outcome
from planner.money import minor_unit
from planner.outputs.records import Fleet
from planner.phases import PhaseSpending
from planner.reliability import Proof
from planner.settings import flat_settings

LIBRARIES = ("highspy", "numpy", "pandas", "pulp", "pvlib", "pyarrow", "pydantic", "scipy")


def manifest(
    fleet: Fleet,
    solution: FleetSolution | None,
    *,
    sites_planned: int,
    served_most: int,
    amounts: Mapping[str, Decimal],
    total: Decimal,
    replaced: Decimal,
    spending: Sequence[PhaseSpending],
    proofs: Sequence[Proof],
) -> dict[str, Any]:
    """What the plan rests on, what it costs by category, and how far it is proven."""
    settings, origins = fleet.scenario.settings, fleet.scenario.origins
    unit = minor_unit(settings.currency)
    bound = Decimal(solution.best_bound if solution else 0).quantize(unit, "ROUND_FLOOR")
    objective = total + (replaced if settings.objective == "lifetime" else 0)
    bound = min(bound, objective)
    gap = round(float((objective - bound) / objective), 8) if solution and objective else None
    values = flat_settings(settings)
    return {
        "planner_version": __version__,
        "libraries": {name: version(name) for name in LIBRARIES},
        "scenario": settings.name,
        "plan_date": settings.plan_date.isoformat(),
        "currency": settings.currency,
        "inputs": dict(sorted(fleet.scenario.input_hashes.items())),
        "settings": {
            name: {"value": value, "origin": origins.get(name, "default")}
            for name, value in values.items()
        },
        "costs": {name: str(amount) for name, amount in amounts.items()},
        "total_cost": str(total),
        "lifetime_cost": str(total + replaced),
        "objective": str(objective),
        "phases": [_phase(one) for one in spending],
        "best_bound": str(bound),
        "mip_gap": gap,
        "outcome": (solution.outcome if solution and sites_planned else Outcome.NONE_SERVED).value,
        "work": dict(solution.notes) if solution else {},
        "availability": _availability(fleet, proofs),
        "kits_left_out": sum(result.left_out for result in fleet.kits.values()),
        "sites_planned": sites_planned,
        "sites_served_most": served_most,
        "sites_unserved": len(fleet.refusals),
        "unserved": {site_id: refusal.rule for site_id, refusal in sorted(fleet.refusals.items())},
    }


def _availability(fleet: Fleet, proofs: Sequence[Proof]) -> dict[str, Any]:
    """How many designs were proven for weather-only energy availability; raised curves; misses left."""
    sites = fleet.scenario.tables.sites
    return {
        "what": "weather-only energy availability",
        "designs_proven": len(proofs),
        "curves_raised": {
            sites[i].site_id: curve.raises
            for i, curve in enumerate(fleet.curves)
            if curve is not None and curve.raises
        },
        "missed": [sites[proof.site].site_id for proof in proofs if proof.missed],
    }


def _phase(one: PhaseSpending) -> dict[str, Any]:
    """A phase; money as text."""
    money = {name: str(getattr(one, name)) for name in ("budget", "available", "spent")}
    return {"phase": one.phase, **money, "sites": one.sites}
