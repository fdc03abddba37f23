"""What the reader of a plan must know: sites without a design, and what deserves a second look."""

from collections.abc import Iterator, Sequence

import numpy as np

from planner.climate import BUILT_IN_SOURCES, ELEVATION_DIFFERENCE_MAX_M
from planner.designs import Balance
from planner.outputs.records import Fleet, SiteDesign
from planner.reliability import Proof
from planner.tables.catalogue import Chemistry
from planner.tables.plan_rows import ProblemRow

#: Least charge current over rated capacity that stirs a lead-acid battery (common practice, no source).
CHARGE_RATE_MIN = 1 / 20
WORST_SHOWN = 3  # sites that a warning about many of them names


def problem_rows(
    fleet: Fleet, designs: Sequence[SiteDesign], balances: Sequence[Balance], proofs: Sequence[Proof]
) -> list[ProblemRow]:
    """Unserved sites with the rule that blocks them, then warnings: sites, charging, proofs, inputs."""
    return [
        *_unserved(fleet),
        *_elevations(fleet),
        *_slow_charge(fleet, designs, balances),
        *_unknown_inrush(fleet, designs),
        *_proofs(fleet, proofs),
        *_inputs(fleet),
    ]


def _slow_charge(
    fleet: Fleet, designs: Sequence[SiteDesign], balances: Sequence[Balance]
) -> Iterator[ProblemRow]:
    """Lead-acid batteries that the array charges at under C/20."""
    for design, balance in zip(designs, balances, strict=True):
        battery = fleet.catalogue.batteries[design.choice.battery]
        if battery.chemistry is not Chemistry.LFP and balance.charge_rate < CHARGE_RATE_MIN:
            yield _warning(
                "charge-slow",
                "the array charges the battery at under C/20, at which lead-acid plates sulphate sooner",
                site_id=fleet.scenario.tables.sites[design.site].site_id,
                sku=battery.sku,
                value=round(balance.charge_rate, 4),
                limit=CHARGE_RATE_MIN,
                unit="1/h",
            )


def _unknown_inrush(fleet: Fleet, designs: Sequence[SiteDesign]) -> Iterator[ProblemRow]:
    """Disconnects and load terminals that an inrush passes and that do not say how much they bear."""
    boxes = {row.sku: row for row in fleet.scenario.tables.converters if row.current_max_a is not None}
    passed: dict[str, list[tuple[float, float, str]]] = {}
    for design in designs:
        kit, site_id = design.kit, fleet.scenario.tables.sites[design.site].site_id
        controller = fleet.catalogue.controllers[design.choice.controller]
        ways = [(controller.sku, controller.load_terminal_max_a, controller.load_terminal_surge_a)]
        if not kit.load_terminal:
            own = [boxes[sku] for sku, _ in kit.units if sku in boxes]
            ways = [(row.sku, row.current_max_a, row.surge_a) for row in own]
        for sku, steady_a, surge_a in ways:
            if surge_a is None and kit.surge_current_a > max(steady_a or 0.0, kit.max_current_a):
                passed.setdefault(sku, []).append((kit.surge_current_a, steady_a or 0.0, site_id))
    for sku, found in sorted(passed.items()):  # a warning for each SKU
        worst_a, steady_a, site_id = max(found)
        column = "surge_a" if sku in boxes else "load_terminal_surge_a"
        yield _warning(
            "inrush-not-checked",
            f"an AC device's inrush passes it for seconds at {len(found)} sites, most at {site_id}; "
            f"how much it bears beyond its steady current is not stated: write its {column}",
            sku=sku,
            value=round(worst_a, 2),
            limit=steady_a,
            unit="A",
        )


def _proofs(fleet: Fleet, proofs: Sequence[Proof]) -> Iterator[ProblemRow]:
    """Sites whose design fresh years found wanting: planned again with a raised curve, or left so."""
    for proof in proofs:
        if not proof.missed and not proof.curve.raises:
            continue
        times = f"{proof.curve.raises} times" if proof.curve.raises > 1 else "once"
        again = f"the site was planned again with a raised curve {times}"
        if not proof.curve.raises:
            again = "it was not planned again"
        yield _warning(
            "availability-missed" if proof.missed else "curve-raised",
            f"in fresh years its design misses the weather-only energy availability asked; {again}"
            if proof.missed
            else f"in fresh years a first design missed the weather-only energy availability asked; {again}",
            site_id=fleet.scenario.tables.sites[proof.site].site_id,
            value=round(1.0 - proof.loss, 6),
            limit=proof.curve.availability,
            unit="share of time",
        )


def _unserved(fleet: Fleet) -> Iterator[ProblemRow]:
    for site_id, refusal in fleet.refusals.items():
        yield ProblemRow(
            severity="unserved",
            code=refusal.rule,
            site_id=site_id,
            subject=refusal.subject,
            message=refusal.message,
            value=refusal.value,
            limit=refusal.limit,
            unit=refusal.unit,
            shortfall=round(refusal.shortfall, 6),
        )


def _elevations(fleet: Fleet) -> Iterator[ProblemRow]:
    """Sites far above or below what their climate is of, one warning for cells and one for stations."""
    climate, sites = fleet.climate, fleet.scenario.tables.sites
    differences = np.nan_to_num(climate.elevation_difference_m)
    far = [i for i, m in enumerate(differences.tolist()) if abs(m) > ELEVATION_DIFFERENCE_MAX_M]
    cells = [i for i in far if climate.source[i] in BUILT_IN_SOURCES]
    stations = [i for i in far if i not in cells]
    for what, remedy, some in (
        ("the land of their climate cell", "a weather file", cells),
        ("their weather station", "a nearer file", stations),
    ):
        if not some:
            continue
        worst = sorted(some, key=lambda i: (-abs(differences[i]), sites[i].site_id))[:WORST_SHOWN]
        named = ", ".join(f"{sites[i].site_id} {differences[i]:+.0f} m" for i in worst)
        yield _warning(
            "elevation-differs",
            f"{len(some)} of {len(sites)} sites lie far above or below {what}, the farthest {named}; high "
            "sites are colder than it and valleys dimmer. State their own months, or give them "
            f"{remedy}; elevation_difference_m of site_designs has every site's",
            site_id=sites[some[0]].site_id if len(some) == 1 else "",
            subject="sites",
            value=round(abs(float(differences[worst[0]])), 1),
            limit=ELEVATION_DIFFERENCE_MAX_M,
            unit="m",
        )


def _inputs(fleet: Fleet) -> Iterator[ProblemRow]:
    """Warnings of the scenario's checks."""
    for problem in fleet.scenario.warnings:
        yield ProblemRow(
            severity="warning",
            code=problem.code,
            subject=":".join(str(part) for part in (problem.file, problem.line) if part not in ("", None)),
            message=problem.message,
        )


def _warning(
    code: str,
    message: str,
    *,
    value: float,
    limit: float,
    unit: str,
    site_id: str = "",
    sku: str = "",
    subject: str = "",
) -> ProblemRow:
    return ProblemRow(
        severity="warning",
        code=code,
        site_id=site_id,
        sku=sku,
        subject=site_id or sku or subject,
        message=message,
        value=value,
        limit=limit,
        unit=unit,
        shortfall=abs(value - limit),
    )
