"""The fleet's sites in batches, as its passes over all designs see them."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from planner.fleet.buying import FloatArray
from planner.fleet.pricing import Pricer, SiteOffer


class Batch(Protocol):
    """Some sites with designs, where work on them is done."""

    @property
    def pricer(self) -> Pricer:
        """Prices of all sites."""
        ...

    @property
    def offers(self) -> Sequence[SiteOffer]:
        """Each site, with its designs or without."""
        ...

    def first(self, s: int, reach: float) -> SiteOffer:
        """The s-th site with designs to begin with, that cost up to so many times as much as the cheapest."""
        ...

    def within(self, s: int, table: FloatArray, limit: float | None, slack: float) -> SiteOffer:
        """The s-th site with its designs of up to a limit at costs by number of units needed (K, N + 1).

        Without a limit: of up to `slack` over the cheapest.
        """
        ...

    def whole(self, s: int) -> SiteOffer:
        """The s-th site with every design."""
        ...


class Sites(Protocol):
    """All batches."""

    @property
    def counts(self) -> Sequence[int]:
        """Sites with designs in each batch."""
        ...

    def run(self, work: Callable[..., Any], arguments: Sequence[tuple[Any, ...]]) -> Iterator[Any]:
        """Results of `work(batch, *arguments)` for each batch with its arguments, in order."""
        ...


@dataclass(slots=True, kw_only=True)
class Listed:
    """Sites with all their designs in memory, as one batch."""

    pricer: Pricer
    offers: Sequence[SiteOffer]

    @property
    def counts(self) -> Sequence[int]:
        """All of them."""
        return [len(self.offers)]

    def run(self, work: Callable[..., Any], arguments: Sequence[tuple[Any, ...]]) -> Iterator[Any]:
        """The result of the one batch."""
        return (work(self, *some) for some in arguments)

    def first(self, s: int, reach: float) -> SiteOffer:
        """All of its designs."""
        return self.offers[s]

    def within(self, s: int, table: FloatArray, limit: float | None, slack: float) -> SiteOffer:
        """All of its designs."""
        return self.offers[s]

    def whole(self, s: int) -> SiteOffer:
        """The s-th site."""
        return self.offers[s]


def as_sites(pricer: Pricer, offers: "Sites | Iterable[SiteOffer]") -> Sites:
    """Batches, or offers as one."""
    if isinstance(offers, Iterable):
        return Listed(pricer=pricer, offers=list(offers))
    return offers


def firsts(sites: Sites) -> list[int]:
    """Number of the first site of each batch, and of all sites."""
    found = [0]
    for count in sites.counts:
        found.append(found[-1] + count)
    return found
