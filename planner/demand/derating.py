"""PoE budgets that fall with a low input voltage and with heat: what range a drawn budget leaves."""

from collections.abc import Sequence
from dataclasses import replace

from planner.demand.ports import EPS_W, Switch
from planner.tables.catalogue import SwitchRow


def budget_range(row: SwitchRow, used_w: float) -> tuple[float, float]:
    """Lowest input voltage (V) and highest air temperature (C) at which a switch gives `used_w`.

    Under `poe_budget_low_below_v` the lower budget holds; over `poe_derate_above_c` either falls by
    `poe_derate_w_per_k`. A load that the lower budget bears keeps the whole input window; its heat limit is
    then that of the lower budget.
    """
    low_v, high_c, budget = row.input_min_v, row.temp_max_c, row.poe_budget_w
    if row.poe_budget_low_w is not None and row.poe_budget_low_below_v is not None:
        if used_w > row.poe_budget_low_w + EPS_W:
            low_v = max(low_v, row.poe_budget_low_below_v)
        else:
            budget = row.poe_budget_low_w
    if row.poe_derate_above_c is not None and row.poe_derate_w_per_k is not None:
        spare = max(0.0, budget - used_w)
        high_c = min(high_c, row.poe_derate_above_c + spare / row.poe_derate_w_per_k)
    return low_v, high_c


def narrows(row: SwitchRow, used_w: float, *, lowest_v: float, hottest_c: float) -> bool:
    """Whether the drawn budget costs a switch a part of its range that a bus of these limits uses."""
    low_v, high_c = budget_range(row, used_w)
    return max(low_v, lowest_v) > max(row.input_min_v, lowest_v) or min(high_c, hottest_c) < min(
        row.temp_max_c, hottest_c
    )


def lowered(switches: Sequence[Switch]) -> list[tuple[Switch, ...]]:
    """The same switches with the budgets that hold at low voltage, in heat, and in both."""
    sets = [
        tuple(replace(s, budget_w=_budget(s.row, volts=volts, heat=heat)) for s in switches)
        for volts, heat in ((True, False), (False, True), (True, True))
    ]
    whole = tuple(switches)
    return [some for some in dict.fromkeys(sets) if some != whole]


def _budget(row: SwitchRow, *, volts: bool, heat: bool) -> float:
    """Budget over the whole input window (`volts`), at the highest temperature (`heat`)."""
    budget = row.poe_budget_w
    if volts and row.poe_budget_low_w is not None:
        budget = min(budget, row.poe_budget_low_w)
    if heat and row.poe_derate_above_c is not None and row.poe_derate_w_per_k is not None:
        budget -= max(0.0, row.temp_max_c - row.poe_derate_above_c) * row.poe_derate_w_per_k
    return max(0.0, budget)
