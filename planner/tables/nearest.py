"""The name a person may have meant."""

from collections.abc import Collection
from difflib import get_close_matches

OPTIONS_MAX = 5000  # comparing with more names than this takes longer than the hint is worth
CUTOFF = 0.6  # similarity below which a hint would only confuse (the standard library's own default)


def nearest(name: str, options: Collection[str], cutoff: float = CUTOFF) -> str | None:
    """The option most like `name`, capitals aside; None where none is close."""
    if not name or len(options) > OPTIONS_MAX:
        return None
    by_lower: dict[str, str] = {}
    for option in sorted(options):
        by_lower.setdefault(option.lower(), option)
    found = get_close_matches(name.lower()[:200], list(by_lower), n=1, cutoff=cutoff)
    return by_lower[found[0]] if found else None


def did_you_mean(name: str, options: Collection[str], otherwise: str) -> str:
    """A remedy: the nearest name where there is one, else `otherwise`."""
    near = nearest(name, options)
    return f"did you mean {near!r}?" if near else otherwise
