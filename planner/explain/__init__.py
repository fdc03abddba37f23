"""Why a plan is as it is, and what it would cost to ask more of it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from planner.explain.alternatives import choice_rows, choices
from planner.explain.binding import binding_rules
from planner.explain.bought import open_plan
from planner.explain.break_evens import break_even
from planner.explain.free import make_field
from planner.explain.marginal import fleet_marginals, site_marginals, study
from planner.pipeline import Progress, no_progress
from planner.tables.explained_rows import (
    BindingRuleRow,
    ChoiceCostRow,
    ChoiceReasonRow,
    MarginalCostRow,
    SiteChoiceRow,
)

__all__ = ["Explanation", "break_even", "explain_fleet", "explain_site"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """What explains a site, or with the costs of asking more alone, a fleet."""

    site_choices: Sequence[SiteChoiceRow] = ()
    choice_reasons: Sequence[ChoiceReasonRow] = ()
    choice_costs: Sequence[ChoiceCostRow] = ()
    binding_rules: Sequence[BindingRuleRow] = ()
    marginal_costs: Sequence[MarginalCostRow] = ()

    def tables(self) -> Mapping[str, Sequence[Any]]:
        """Rows by table."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


def explain_site(
    plan: Path,
    site_id: str,
    *,
    free: bool = True,
    workers: int | None = None,
    progress: Progress = no_progress,
) -> Explanation:
    """Why a site of a plan has the design it has, and what it costs to ask more of it.

    Parameters
    ----------
    plan : Path
        Folder of the plan; it keeps its inputs, so no scenario is needed.
    site_id : str
    free : bool, optional
        Whether to ask too what changes cost where the rest of the fleet may move: all sites are sized.
    workers, progress
        Processes that size sites, and who is told of it; see `planner.pipeline.Machines`.

    Returns
    -------
    Explanation
        The design bought and those that lost, each with its exact cost to the fleet, the rest as bought; the
        rules that bind it; the cost of a watt, a day of autonomy, a class of availability. These last are
        differences of two plans, neither of which is proven to be the cheapest.

    Raises
    ------
    InputError
        The folder holds no plan of this version, or one that was changed; the plan does not serve the site.
    """
    with open_plan(plan) as bought:
        s = bought.place(site_id)
        progress("site", 0, 1)
        one = study(bought, s)
        found = choices(bought, s, one.offer, one.needs, one.rest)
        rows, reasons, costs = choice_rows(bought, s, found, one.rest)
        design = next(row for row in bought.plan.tables["site_designs"] if row.site_id == site_id)
        field = make_field(bought, bought.fleet, workers=workers, progress=progress) if free else None
        return Explanation(
            site_choices=rows,
            choice_reasons=reasons,
            choice_costs=costs,
            binding_rules=binding_rules(plan, bought.scenario, design),
            marginal_costs=site_marginals(one, field),
        )


def explain_fleet(
    plan: Path, *, free: bool = True, workers: int | None = None, progress: Progress = no_progress
) -> Explanation:
    """What it costs to ask more of every site of a plan at once; arguments and errors as `explain_site`."""
    with open_plan(plan) as bought:
        rows = fleet_marginals(bought, free=free, workers=workers, progress=progress)
    return Explanation(marginal_costs=rows)
