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


def capped(switches: Sequence[Switch], *, volts: bool, heat_c: float) -> tuple[Switch, ...]:
    """The same switches with the budgets that hold at a temperature, and over the whole window (`volts`)."""
    return tuple(replace(s, budget_w=_budget(s.row, volts=volts, heat_c=heat_c)) for s in switches)


def _budget(row: SwitchRow, *, volts: bool, heat_c: float) -> float:
    budget = row.poe_budget_w
    if volts and row.poe_budget_low_w is not None:
        budget = min(budget, row.poe_budget_low_w)
    if row.poe_derate_above_c is not None and row.poe_derate_w_per_k is not None:
        heat_c = min(heat_c, row.temp_max_c)
        budget -= max(0.0, heat_c - row.poe_derate_above_c) * row.poe_derate_w_per_k
    return max(0.0, budget)
