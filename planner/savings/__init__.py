"""Where to save watts: what replacing today's supply, or one box of it, takes off panel, battery and cost."""

from collections.abc import Sequence
from decimal import Decimal

from planner.errors import InputError, Problem
from planner.pipeline import Progress, no_progress, plan_fleet
from planner.savings.power import PowerSide, power_sides, unit_prices
from planner.savings.variants import TODAY, Variant, variants
from planner.scenario import Scenario
from planner.tables.rerun_rows import SavingRow

__all__ = ["savings"]


def savings(scenario: Scenario, *, progress: Progress = no_progress) -> list[SavingRow]:
    """What each replacement saves at the sites whose supply of today is stated, the greatest saving first.

    Raises
    ------
    InputError
        The scenario states no supply of today.
    SolverError
        No plan was found.
    """
    if not scenario.tables.supply_today:
        remedy = "add it with a row for each box and device; `planner columns supply_today` lists its columns"
        file = "supply_today.csv"
        raise InputError([Problem(code="missing-file", file=file, message="is missing", remedy=remedy)])
    plan = plan_fleet(scenario, progress=progress)
    prices = unit_prices(scenario, plan)
    loads = variants(scenario, plan, prices)
    progress("savings", 0, 1)
    rows = _rows(loads, power_sides(scenario, loads, prices))
    ranked = sorted(rows, key=_place)
    return [row.model_copy(update={"rank": at}) for at, row in enumerate(ranked, start=1)]


def _place(row: SavingRow) -> tuple[bool, Decimal, str, str]:
    """The greatest net saving first, what has none last."""
    return row.net_saved is None, -(row.net_saved or Decimal(0)), row.site_id, row.replaced


def _rows(loads: Sequence[Variant], sides: Sequence[PowerSide | str]) -> list[SavingRow]:
    rows, today = [], 0
    for at, load in enumerate(loads):
        if load.replaced == TODAY:
            today = at  # the variants of a site follow it
        else:
            rows.append(_row(loads[today], sides[today], load, sides[at]))
    return rows


def _row(before: Variant, old: PowerSide | str, after: Variant, new: PowerSide | str) -> SavingRow:
    said = {
        "rank": 0,
        "site_id": after.site_id,
        "replaced": after.replaced,
        "by": after.by,
        "watts_today": round(before.bus_w, 3),
        "watts_after": round(after.bus_w, 3),
        "watts_saved": round(before.bus_w - after.bus_w, 3),
        "part_cost": after.part_cost,
    }
    if isinstance(old, str) or isinstance(new, str):
        which = f"today's load: {old}" if isinstance(old, str) else f"the load after: {new}"
        return SavingRow.model_validate(said | {"note": f"no array and battery carry {which}"})
    saved = old.cost - new.cost
    return SavingRow.model_validate(
        said
        | {
            "array_w_today": old.array_w,
            "array_w_saved": round(old.array_w - new.array_w, 1),
            "array_need_w_today": round(old.array_need_w, 1),
            "array_need_w_saved": round(old.array_need_w - new.array_need_w, 1),
            "battery_wh_today": old.battery_wh,
            "battery_wh_saved": round(old.battery_wh - new.battery_wh, 1),
            "battery_need_wh_today": round(old.battery_need_wh, 1),
            "battery_need_wh_saved": round(old.battery_need_wh - new.battery_need_wh, 1),
            "cost_saved": saved,
            "net_saved": saved - after.part_cost,
        }
    )
