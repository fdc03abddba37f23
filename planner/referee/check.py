"""What a check says: the rule, what it looked at, the value it found, the limit, how far apart they are."""

from math import isfinite
from typing import NamedTuple

ROUNDING = 1e-9  # relative noise of adding the same numbers in another order


class Check(NamedTuple):
    """One rule at one place; a tuple, as a plan of a thousand sites has some 400,000.

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
    return Check(rule, site, subject, value, limit, value - limit, ok, unit, "", True)


def at_most(
    rule: str, site: str, subject: str, value: float, limit: float, unit: str = "", *, slack: float = 0.0
) -> Check:
    """The value must not lie over the limit, but for `slack`."""
    ok = value <= limit + slack + ROUNDING * abs(limit)
    return Check(rule, site, subject, value, limit, limit - value, ok, unit, "", True)


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
        due = "is blank where a figure is due" if stated is None else "is stated where no figure is due"
        note = "" if ok else due
    else:
        off, note = abs(stated - own), ""
        margin, ok = within - off, off <= within + ROUNDING * abs(own)
    return Check(rule, site, subject, stated, own, margin, ok, unit, note)


def holds(rule: str, site: str, subject: str, ok: bool, note: str = "") -> Check:
    """A rule without numbers; `note` says what is wrong where it is broken."""
    return Check(rule, site, subject, None, None, None, ok, "", "" if ok else note)
