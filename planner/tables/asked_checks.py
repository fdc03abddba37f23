"""Checks of what is asked of sites: something must size them, and simulated years must be able to tell."""

from collections.abc import Iterator
from typing import Any

from planner.errors import Problem
from planner.settings import years_needed
from planner.tables.checks import Asked, Check, Context
from planner.tables.explain import shown


def sizes(context: Context) -> Iterator[Problem]:
    """Reserve and array may be left open only where an availability sizes both, one to be refilled never."""
    for asked, at, row in _sites(context):
        policy = asked.settings.policy
        availability, _ = _own(row.availability, policy.availability)
        days, own_days = _own(row.autonomy_days, policy.autonomy_days)
        ratio, own_ratio = _own(row.array_to_load_ratio, policy.array_to_load_ratio)
        refill, _ = _own(row.recovery_days_max, policy.recovery_days_max)
        remedy = "write a number, or ask for an availability, as 0.999, which sizes battery and array"
        if days == 0 and not availability:
            message = f"leaves nothing to size the battery of site {row.site_id}"
            yield _problem(context, at, "autonomy_days", days, own_days, message, remedy, "over 0 to 60")
        if ratio < 1 and not availability:
            message = f"leaves nothing to size the array of site {row.site_id}"
            column = "array_to_load_ratio"
            yield _problem(context, at, column, ratio, own_ratio, message, remedy, "1 to 5")
        if days == 0 and availability and refill is not None:
            message = f"leaves no reserve that recovery_days_max of site {row.site_id} could refill"
            remedy = "write the days of the reserve, or leave recovery_days_max blank"
            yield _problem(context, at, "autonomy_days", days, own_days, message, remedy, "over 0 to 60")


def resolution(context: Context) -> Iterator[Problem]:
    """A target finer than the simulated years can tell from none."""
    for asked, at, row in _sites(context):
        availability, own = _own(row.availability, asked.settings.policy.availability)
        years, needed = asked.settings.reliability.years, years_needed(availability)
        if availability and needed > years:
            yield _problem(
                context,
                at,
                "availability",
                availability,
                own,
                f"cannot be told from no loss in {years} years of weather; that takes {needed} years",
                f"write reliability.years = {needed}, or ask for less",
                "ten lost days or more in the simulated years",
                code="availability-unresolved",
            )


def objective(context: Context) -> Iterator[Problem]:
    """A budget is of capital, which is not what a plan of least lifetime cost keeps low."""
    asked = context.asked
    if asked is None or asked.settings.objective != "lifetime":
        return
    name = "purchase.budget" if asked.settings.purchase.budget is not None else "phases"
    if name == "phases" and not context.rows("phases"):
        return
    file, line = asked.places.get("objective", ("", None))
    yield Problem(
        code="budget-of-capital",
        file=file,
        line=line,
        column="objective",
        value="lifetime",
        message=f"does not go with {name}, which limits capital",
        remedy=f'write objective = "capital", or leave out {name}',
        rule="lifetime without a budget",
    )


def _sites(context: Context) -> Iterator[tuple[Asked, int, Any]]:
    if context.asked is not None:
        for at, row in enumerate(context.rows("sites")):
            yield context.asked, at, row


def _own(stated: Any, policy: Any) -> tuple[Any, bool]:
    """The site's value where it states one, else the policy's; and whether it is the site's."""
    return (policy, False) if stated is None else (stated, True)


def _problem(
    context: Context,
    at: int,
    column: str,
    value: float,
    own: bool,
    message: str,
    remedy: str,
    rule: str,
    *,
    code: str = "nothing-asked",
) -> Problem:
    """A problem of the site's cell, or of the setting that stands in for it."""
    if own:
        table = context.tables["sites"]
        return table.problem(
            at, code=code, column=column, value=value, message=message, remedy=remedy, rule=rule
        )
    assert context.asked is not None
    name = f"policy.{column}"
    file, line = context.asked.places.get(name, ("", None))
    return Problem(
        code=code,
        file=file,
        line=line,
        column=name,
        value=shown(value),
        message=message,
        remedy=remedy,
        rule=rule,
    )


ASKED_CHECKS: tuple[Check, ...] = (sizes, resolution, objective)
