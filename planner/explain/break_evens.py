"""Break-even prices of SKUs named, each checked by whole plans on either side."""

from collections.abc import Iterator, Sequence
from decimal import Decimal
from pathlib import Path

from planner.errors import InputError, Problem
from planner.existing import Gear
from planner.explain.bought import Bought, open_plan
from planner.explain.free import Field, make_field
from planner.explain.prices import FACTOR_MAX, FACTOR_MIN, Trials, Turn, turns
from planner.explain.with_part import parts_field
from planner.fleet.market import barred_skus
from planner.fleet.pool import Designs
from planner.money import to_money
from planner.pipeline import Progress, no_progress
from planner.runs import Attempt, plan_all
from planner.sizing import explain
from planner.sweep.axes import at_factors
from planner.tables.explained_rows import BreakEvenRow
from planner.tables.nearest import did_you_mean
from planner.tables.registry import SKU_TABLES

TOLERANCE = 0.005  # of the price
CHEAPER_LEAST = 1.0  # currency: freight and labour of sites are rounded once each
TOLERANCE_LEAST, TOLERANCE_MOST = 1e-4, 0.5


def break_even(
    plan: Path,
    skus: Sequence[str],
    *,
    tolerance: float = TOLERANCE,
    check: bool = True,
    workers: int | None = None,
    progress: Progress = no_progress,
) -> list[BreakEvenRow]:
    """The prices at which SKUs would enter a plan, lose units in it, or leave it.

    Parameters
    ----------
    plan : Path
        Folder of the plan; it keeps its inputs, so no scenario is needed.
    skus : sequence of str
        Parts of its catalogue.
    tolerance : float, optional
        Of the price, within which it is found.
    check : bool, optional
        Whether to plan the whole fleet again on either side of each price found.
    workers, progress
        Processes that size and plan, and who is told of it.

    Returns
    -------
    list of BreakEvenRow
        One or two for a SKU of the plan, one for any other, found by local search; with what whole plans say.

    Raises
    ------
    InputError
        The folder holds no plan of this version, or one that was changed; with every SKU that is in no
        catalogue, and a tolerance out of range.
    """
    with open_plan(plan) as bought:
        _check(bought, skus, tolerance)
        wanted = list(dict.fromkeys(skus))
        reasons = {sku: why for sku in wanted if (why := _why_not_sold(bought, sku))}
        able = [bought.fleet.market.index[sku] for sku in wanted if sku not in reasons]
        designs: dict[int, Designs] = {}
        if able:
            field = make_field(bought, bought.fleet, workers=workers, progress=progress)
            designs = parts_field(bought, field, able, workers=workers, progress=progress)
        rows: list[tuple[str, Turn | None, str]] = []
        for number, sku in enumerate(wanted):
            progress("prices", number, len(wanted))
            rows += _of_sku(bought, sku, reasons.get(sku, ""), field if able else None, designs, tolerance)
        plans = _checked(bought, rows, workers, progress) if check else {}
        return [_row(bought, sku, turn, note, plans, check) for sku, turn, note in rows]


def _check(bought: Bought, skus: Sequence[str], tolerance: float) -> None:
    tables, file = bought.scenario.tables, str(bought.plan.folder)
    known = {row.sku for name in SKU_TABLES for row in getattr(tables, name)}
    problems = [
        Problem(
            code="unknown-sku",
            file=file,
            value=sku,
            message="is no SKU of the plan's catalogue",
            remedy=did_you_mean(sku, known, "its bill_of_materials lists the SKUs that it uses"),
        )
        for sku in dict.fromkeys(skus)
        if sku not in known
    ]
    if not TOLERANCE_LEAST <= tolerance <= TOLERANCE_MOST:
        remedy = f"write a share of the price from {TOLERANCE_LEAST:g} to {TOLERANCE_MOST:g}"
        problems.append(
            Problem(
                code="bad-tolerance", file=file, value=f"{tolerance:g}", message="is too fine or too coarse",
                remedy=remedy,
            )
        )
    if problems:
        raise InputError(problems)


def _category(bought: Bought, sku: str) -> str:
    tables = bought.scenario.tables
    return next(name for name in SKU_TABLES if any(row.sku == sku for row in getattr(tables, name)))


def _why_not_sold(bought: Bought, sku: str) -> str:
    """Why a SKU can be bought at no price; blank where it can."""
    tables, market = bought.scenario.tables, bought.fleet.market
    category = {row.sku: name for name in SKU_TABLES for row in getattr(tables, name)}
    if sku in barred_skus(tables, category):
        return "sku_rules forbid it, or approve others of its category: it enters at no price"
    if not any(row.sku == sku for row in tables.prices):
        return "it has no price that could be multiplied"
    if sku not in market.sold:
        return "nobody sells it: its prices are not valid on the plan date, it comes too late, or is out"
    return ""


def _of_sku(
    bought: Bought,
    sku: str,
    reason: str,
    field: Field | None,
    designs: dict[int, Designs],
    tolerance: float,
) -> list[tuple[str, Turn | None, str]]:
    if reason or field is None:
        return [(sku, None, reason)]
    k = bought.fleet.market.index[sku]
    more = [designs[k]] if k in designs else []
    trials = Trials.over(bought, [*more, field.designs], field.most, k)
    if not trials.can_have:
        return [(sku, None, _why_no_design(bought, sku))]
    found = turns(trials, tolerance)
    now, note = trials.number(1.0), ""
    if now != bought.need[k]:
        note = f"at today's prices local search takes {now} units, within the plan's gap"
    notes = [*([note] if note else []), *_why_never(bought, trials, now, found)]
    shown: Sequence[Turn | None] = found or [None]
    return [(sku, turn, "; ".join(notes)) for turn in shown]


def _why_no_design(bought: Bought, sku: str) -> str:
    """Why no design of any site has a SKU."""
    fleet, category = bought.fleet, _category(bought, sku)
    if category in ("modules", "batteries", "controllers"):
        i = int(bought.served[0])
        found = explain(fleet, i, Gear(units={**fleet.gear[i].units, sku: 0}, must=frozenset({sku})))
        name = fleet.scenario.tables.sites[i].site_id
        return f"no site has a design with it at any price; at {name}: {found.message}"
    return "no site has a design with it at any price: no way to power, mount or house a site takes it"


def _why_never(bought: Bought, trials: Trials, now: int, found: Sequence[Turn]) -> Iterator[str]:
    """Why a SKU never enters, or never leaves."""
    if any(turn.event in ("enters", "leaves") for turn in found):
        return
    if now == 0:
        yield (
            f"it does not enter at {FACTOR_MIN:g} of its price: what it takes beside it, freight and labour "
            "cost more than the parts bought"
        )
        return
    bound, sites = trials.cannot_leave(), bought.scenario.tables.sites
    why = ""
    if bound:
        first = sites[int(bought.served[bound[0]])].site_id
        why = f": {len(bound)} of the sites, as {first}, have no other design"
    yield f"it stays at {FACTOR_MAX:g} times its price{why}"


def _checked(
    bought: Bought,
    rows: Sequence[tuple[str, Turn | None, str]],
    workers: int | None,
    progress: Progress,
) -> dict[tuple[str, float], Attempt]:
    """Whole plans at the factors on either side of each price found."""
    asked = dict.fromkeys(
        (sku, factor) for sku, turn, _ in rows if turn is not None for factor in (turn.below, turn.above)
    )
    scenarios = [at_factors(bought.scenario, {sku: Decimal(str(factor))}) for sku, factor in asked]
    plans = plan_all(scenarios, workers=workers, progress=progress, stage="check")
    return dict(zip(asked, plans, strict=True))


def _units(attempt: Attempt | None, sku: str) -> int | None:
    """Units of a SKU that a whole plan's sites buy; None without a plan."""
    if attempt is None or attempt.plan is None:
        return None
    bill = attempt.plan.tables["bill_of_materials"]
    cells = zip(bill["sku"], bill["quantity"], bill["quantity_kept"], strict=True)
    return int(sum(number - kept for name, number, kept in cells if name == sku))


def _row(
    bought: Bought,
    sku: str,
    turn: Turn | None,
    note: str,
    plans: dict[tuple[str, float], Attempt],
    check: bool,
) -> BreakEvenRow:
    market, currency = bought.fleet.market, bought.scenario.settings.currency
    k = market.index.get(sku)
    price = float(market.list_price[k]) if k is not None and sku in market.sold else None
    below = _units(plans.get((sku, turn.below)), sku) if turn else None
    above = _units(plans.get((sku, turn.above)), sku) if turn else None
    agrees = _agrees(turn, below, above) if turn and check else None
    notes = [note] if note else []
    if agrees is False:
        notes.append(
            "whole plans on either side do not show it: they are only as near to the cheapest as their gap"
        )
    cheaper = _cheaper(turn, *(plans.get((sku, one)) for one in (turn.below, turn.above))) if turn else 0.0
    if cheaper >= CHEAPER_LEAST:
        notes.append(
            f"a whole plan costs {currency} {to_money(cheaper, currency):,} less than local search found at "
            "its price: divided by the SKU's units, so uncertain is the price found"
        )
    return BreakEvenRow(
        sku=sku,
        category=_category(bought, sku),
        quantity=int(bought.need[k]) if k is not None else 0,
        event=turn.event if turn else "",
        factor=round(turn.factor, 5) if turn else None,
        price=to_money(price * turn.factor, currency) if turn and price is not None else None,
        price_now=to_money(price, currency) if price is not None else None,
        factor_below=turn.below if turn else None,
        quantity_below=turn.number_below if turn else None,
        factor_above=turn.above if turn else None,
        quantity_above=turn.number_above if turn else None,
        planned_below=below,
        planned_above=above,
        agrees=agrees,
        note="; ".join(notes),
    )


def _cheaper(turn: Turn, below: Attempt | None, above: Attempt | None) -> float:
    """By how much a whole plan is cheaper, at most, than what local search found at its factor."""
    found = [0.0]
    for attempt, cost in ((below, turn.cost_below), (above, turn.cost_above)):
        if attempt is not None and attempt.plan is not None:
            manifest = attempt.plan.manifest
            lifetime = attempt.plan.scenario.settings.objective == "lifetime"
            found.append(cost - float(manifest["lifetime_cost" if lifetime else "total_cost"]))
    return max(found)


def _agrees(turn: Turn, below: int | None, above: int | None) -> bool:
    """Whether whole plans change as the local search does."""
    if below is None or above is None:
        return False
    return below > above if turn.event == "fewer" else below > 0 and above == 0
