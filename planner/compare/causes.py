"""Which inputs bring a change about: the fleet is planned again with one group of inputs changed at a time.

A group is enough for a change if it alone, put into the first plan's inputs, brings it to where the second
plan has it. A group is needed if the second plan's inputs with this group put back no longer do. Where no
group is enough, the needed ones act jointly. Where one group alone differs it is the cause, and nothing is
planned. Where the second plan kept designs of the first, so do the plans between them.
"""

import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import partial
from pathlib import Path
from typing import Any

from planner.compare.difference import (
    NOTHING,
    Comparison,
    Ordered,
    SiteState,
    ordered,
    site_states,
    written_states,
)
from planner.compare.mixing import Kept, differing, kept_inputs, mixed
from planner.earlier import EarlierPlan, kept_to
from planner.errors import InputError
from planner.pipeline import Progress, no_progress
from planner.plan import Plan
from planner.runs import Attempt, plan_all
from planner.scenario import Scenario
from planner.tables.plan_files import WrittenPlan
from planner.tables.plan_rows import OrderRow
from planner.tables.rerun_rows import CauseRow

NO_INPUT = "no input differs"
JOINTLY, EITHER = " + ", " or "

Groups = frozenset[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a plan comes to, to be compared with others; `why` says why there is none."""

    total: Decimal = NOTHING
    sites: Mapping[str, SiteState]
    orders: Mapping[tuple[str, str], Ordered]
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """Both plans, and those with some groups as in the first plan and the others as in the second."""

    before: Outcome
    after: Outcome
    groups: Mapping[str, Sequence[str]]
    mixes: Mapping[Groups, Outcome]

    def alone(self, group: str) -> Outcome:
        """The first plan's inputs with one group as in the second."""
        return self._mix(frozenset([group]))

    def without(self, group: str) -> Outcome:
        """The second plan's inputs with one group as in the first."""
        return self._mix(frozenset(self.groups) - {group})

    def _mix(self, groups: Groups) -> Outcome:
        return self.before if not groups else self.after if groups == set(self.groups) else self.mixes[groups]

    def cause(self, look: Callable[[Outcome], Any]) -> str:
        """Groups that bring about what `look` sees change: those that are each enough, or those needed."""
        if not self.groups:
            return NO_INPUT
        wanted = look(self.after)
        enough = [group for group in self.groups if self._has(self.alone(group), look, wanted)]
        if enough:
            return EITHER.join(enough)
        needed = [group for group in self.groups if not self._has(self.without(group), look, wanted)]
        moving = [group for group in self.groups if not self._has(self.alone(group), look, look(self.before))]
        return JOINTLY.join(group for group in self.groups if group in (needed or moving or self.groups))

    def _has(self, outcome: Outcome, look: Callable[[Outcome], Any], wanted: Any) -> bool:
        return not outcome.why and bool(look(outcome) == wanted)


def site_of(site_id: str, outcome: Outcome) -> SiteState:
    """What a plan does with a site."""
    return outcome.sites.get(site_id)


def order_of(key: tuple[str, str], outcome: Outcome) -> Ordered | None:
    """What a plan orders of a SKU from a supplier."""
    return outcome.orders.get(key)


def traced(
    found: Comparison,
    before: WrittenPlan,
    after: WrittenPlan,
    *,
    workers: int | None = None,
    progress: Progress = no_progress,
) -> Comparison:
    """A comparison with the cause of each change of a site and an order, and what each group does by itself.

    Raises
    ------
    InputError
        The plans' inputs are not there, or not as they were written.
    """
    with tempfile.TemporaryDirectory(prefix="planner-") as name:
        kept = [kept_inputs(plan, Path(name) / part) for plan, part in ((before, "a"), (after, "b"))]
        groups = differing(*kept)
        earlier = kept_to(before, after)
        mixes = _mixes(kept[0], kept[1], _subsets(list(groups)), Path(name), earlier, workers, progress)
    trace = Trace(before=_written(before), after=_written(after), groups=groups, mixes=mixes)
    sites = [
        row.model_copy(update={"cause": trace.cause(partial(site_of, row.site_id))})
        for row in found.changed_sites
    ]
    orders = [
        row.model_copy(update={"cause": trace.cause(partial(order_of, (row.sku, row.supplier)))})
        for row in found.changed_orders
    ]
    return replace(
        found, changed_sites=sites, changed_orders=orders, causes=_causes(trace, [s.cause for s in sites])
    )


def _subsets(groups: Sequence[str]) -> list[Groups]:
    """Each group alone, and all but each; nothing where these are the plans themselves."""
    if len(groups) < 2:
        return []
    every = frozenset(groups)
    return list(dict.fromkeys([*(frozenset([one]) for one in groups), *(every - {one} for one in groups)]))


def _mixes(
    before: Kept,
    after: Kept,
    subsets: Sequence[Groups],
    folder: Path,
    earlier: EarlierPlan | None,
    workers: int | None,
    progress: Progress,
) -> dict[Groups, Outcome]:
    scenarios: dict[Groups, Scenario] = {}
    outcomes: dict[Groups, Outcome] = {}
    for i, groups in enumerate(subsets):
        try:
            scenarios[groups] = mixed(before, after, groups, folder / f"mix-{i}")
        except InputError as error:
            outcomes[groups] = Outcome(sites={}, orders={}, why=str(error.problems[0]))
    every = list(scenarios.values())
    plans = plan_all(every, earlier=earlier, workers=workers, progress=progress, stage="causes")
    return outcomes | dict(zip(scenarios, map(_attempted, plans), strict=True))


def _attempted(attempt: Attempt) -> Outcome:
    if attempt.plan is None:
        return Outcome(sites={}, orders={}, why=attempt.why)
    return planned(attempt.plan)


def planned(plan: Plan) -> Outcome:
    """What a plan in memory comes to."""
    designs, bill, orders = (
        _rows(plan, name) for name in ("site_designs", "bill_of_materials", "procurement")
    )
    return Outcome(
        total=plan.total_cost,
        sites=site_states(designs, bill),
        orders=ordered([OrderRow.model_validate(row) for row in orders]),
    )


def _rows(plan: Plan, name: str) -> list[dict[str, Any]]:
    columns = plan.tables[name]
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def _written(plan: WrittenPlan) -> Outcome:
    return Outcome(
        total=Decimal(plan.manifest["total_cost"]),
        sites=written_states(plan),
        orders=ordered(plan.tables["procurement"]),
    )


def _causes(trace: Trace, causes: Sequence[str]) -> list[CauseRow]:
    """A row for each group, and one for what none of them does by itself."""
    rows = []
    for group, differs in trace.groups.items():
        alone, without = trace.alone(group), trace.without(group)
        rows.append(
            CauseRow(
                group=group,
                differs=", ".join(differs),
                cost_alone=None if alone.why else alone.total - trace.before.total,
                cost_of_leaving_out=None if without.why else trace.after.total - without.total,
                sites_alone=sum(JOINTLY not in cause and group in cause.split(EITHER) for cause in causes),
                sites_jointly=sum(JOINTLY in cause and group in cause.split(JOINTLY) for cause in causes),
                note=alone.why or without.why,
            )
        )
    if len(rows) > 1 and all(row.cost_alone is not None for row in rows):
        single = sum((row.cost_alone or NOTHING for row in rows), NOTHING)
        rows.append(
            CauseRow(
                group="jointly",
                differs="",
                cost_alone=trace.after.total - trace.before.total - single,
                cost_of_leaving_out=None,
                sites_alone=0,
                sites_jointly=sum(JOINTLY in cause for cause in causes),
            )
        )
    return rows
