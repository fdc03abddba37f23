"""What a check says: the rule, what it looked at, the value it found, the limit, how far apart they are."""

from dataclasses import dataclass
from math import isfinite

ROUNDING = 1e-9  # relative noise of adding the same numbers in another order


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One rule at one place.

    Attributes
    ----------
    rule : str
        Stable kebab-case name.
    site : str
        The site, or blank where the rule is about the fleet.
    subject : str
        Part, device, port, month, order line or column that the rule looked at.
    value, limit : float or None
        What was found, and what it is held against; None where the rule has no number.
    unit : str
        Of value, limit and margin.
    margin : float or None
        How far the value is inside its limit; negative where it is outside.
    ok : bool
        Whether the rule is kept.
    note : str
        What is wrong, where numbers do not say it.
    weighed : bool
        Whether the limit is one that a design may come near, not a figure that it has to agree with.
    """

    rule: str
    site: str
    subject: str
    value: float | None
    limit: float | None
    margin: float | None
    ok: bool
    unit: str = ""
    note: str = ""
    weighed: bool = False

    def __str__(self) -> str:
        place = ", ".join(part for part in (self.site, self.subject) if part)
        numbers = ""
        if self.value is not None and self.limit is not None:
            numbers = f" {self.value:.6g} against {self.limit:.6g} {self.unit}".rstrip()
        return f"{self.rule} ({place}):{numbers}{' ' + self.note if self.note else ''}"


def at_least(
    rule: str, site: str, subject: str, value: float, limit: float, unit: str = "", *, slack: float = 0.0
) -> Check:
    """The value must not lie under the limit, but for `slack`."""
    ok = value >= limit - slack - ROUNDING * abs(limit)
    return Check(
        rule=rule,
        site=site,
        subject=subject,
        value=value,
        limit=limit,
        margin=value - limit,
        ok=ok,
        unit=unit,
        weighed=True,
    )


def at_most(
    rule: str, site: str, subject: str, value: float, limit: float, unit: str = "", *, slack: float = 0.0
) -> Check:
    """The value must not lie over the limit, but for `slack`."""
    ok = value <= limit + slack + ROUNDING * abs(limit)
    return Check(
        rule=rule,
        site=site,
        subject=subject,
        value=value,
        limit=limit,
        margin=limit - value,
        ok=ok,
        unit=unit,
        weighed=True,
    )


def agrees(
    rule: str,
    site: str,
    subject: str,
    stated: float | None,
    own: float | None,
    unit: str = "",
    *,
    within: float = 0.0,
) -> Check:
    """What the plan states must be what the referee found, within `within`; blank where that is blank."""
    own = own if own is not None and isfinite(own) else None
    if stated is None or own is None:
        margin, ok = None, stated is None and own is None
        note = (
            ""
            if ok
            else "is blank where a figure is due"
            if stated is None
            else "is stated where no figure is due"
        )
    else:
        margin, note = within - abs(stated - own), ""
        ok = abs(stated - own) <= within + ROUNDING * abs(own)
    return Check(
        rule=rule,
        site=site,
        subject=subject,
        value=stated,
        limit=own,
        margin=margin,
        ok=ok,
        unit=unit,
        note=note,
    )


def holds(rule: str, site: str, subject: str, ok: bool, note: str = "") -> Check:
    """A rule without numbers; `note` says what is wrong where it is broken."""
    return Check(
        rule=rule,
        site=site,
        subject=subject,
        value=None,
        limit=None,
        margin=None,
        ok=ok,
        note="" if ok else note,
    )
