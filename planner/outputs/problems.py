"""What the reader of a plan must know: sites without a design, and what deserves a second look."""

from collections.abc import Iterator, Sequence

import numpy as np

from planner.climate import ELEVATION_DIFFERENCE_MAX_M
from planner.designs import Balance
from planner.outputs.records import Fleet, SiteDesign
from planner.procurement import OrderLine
from planner.tables.catalogue import Chemistry
from planner.tables.plan_rows import ProblemRow

#: Least charge current over rated capacity that stirs a lead-acid battery (common practice, no source).
CHARGE_RATE_MIN = 1 / 20


def problem_rows(
    fleet: Fleet, designs: Sequence[SiteDesign], balances: Sequence[Balance], orders: Sequence[OrderLine]
) -> list[ProblemRow]:
    """Unserved sites with the rule that blocks them, then warnings: sites, charging, orders, inputs."""
    return [
        *_unserved(fleet),
        *_elevations(fleet),
        *_slow_charge(fleet, designs, balances),
        *_orders(orders),
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
    """Sites far above or below the middle of their climate cell."""
    differences = np.nan_to_num(fleet.climate.elevation_difference_m)
    for i in np.flatnonzero(np.abs(differences) > ELEVATION_DIFFERENCE_MAX_M).tolist():
        side = "above" if differences[i] > 0 else "below"
        yield _warning(
            "elevation-differs",
            f"it lies far {side} its climate cell or station: state its own months, or a nearer file",
            site_id=fleet.scenario.tables.sites[i].site_id,
            value=abs(float(differences[i])),
            limit=ELEVATION_DIFFERENCE_MAX_M,
            unit="m",
        )


def _orders(orders: Sequence[OrderLine]) -> Iterator[ProblemRow]:
    """Orders beyond a supplier's stock, or not in whole packs."""
    for order in orders:
        offer, ordered = order.offer, order.quantity_ordered
        if offer.stock_qty is not None and ordered > offer.stock_qty:
            yield _warning(
                "order-exceeds-stock",
                f"more is ordered than {offer.supplier} holds; stock does not limit the plan",
                sku=offer.sku,
                value=ordered,
                limit=offer.stock_qty,
                unit="units",
            )
        if ordered < offer.min_order_qty:
            yield _warning(
                "order-under-least",
                f"{offer.supplier} takes no order as small as this; least orders do not limit the plan",
                sku=offer.sku,
                value=ordered,
                limit=offer.min_order_qty,
                unit="units",
            )
        if broken := ordered % offer.pack_qty:
            yield _warning(
                "order-breaks-pack",
                f"{offer.supplier} sells packs of {offer.pack_qty} and the order breaks one; packs do not "
                "limit the plan",
                sku=offer.sku,
                value=ordered,
                limit=ordered + offer.pack_qty - broken,
                unit="units",
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
    code: str, message: str, *, value: float, limit: float, unit: str, site_id: str = "", sku: str = ""
) -> ProblemRow:
    return ProblemRow(
        severity="warning",
        code=code,
        site_id=site_id,
        sku=sku,
        subject=site_id or sku,
        message=message,
        value=value,
        limit=limit,
        unit=unit,
        shortfall=abs(value - limit),
    )
