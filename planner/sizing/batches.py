"""The fleet's sites in batches that stay where they are worked on, with the drafts of their designs."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from planner.errors import Refusal
from planner.executors import BATCH_SITES, get_ready, make_executor
from planner.fleet.buying import FloatArray
from planner.fleet.pricing import SiteOffer
from planner.fleet.shortlist import Draft, price_table, within
from planner.sizing.ground import Fleet
from planner.sizing.site import Begun, bare_offer, begin, drafts, site_offer


class SiteBatch:
    """Some sites of a fleet: those with designs as offers, those without with the rule that blocks them.

    Offers have no designs: these are sized as they are asked for, from drafts that are kept.

    Of sites that are known to have designs, with the most units of each SKU in any (K,), by their place in
    the fleet's table, none is sized before it is asked for.
    """

    def __init__(self, fleet: Fleet, start: int, known: Mapping[int, FloatArray]) -> None:
        self.fleet, self.pricer, self._start = fleet, fleet.pricer, start
        self.offers: list[SiteOffer] = []
        self.refusals: dict[str, Refusal] = {}
        self._begun: dict[int, Begun] = {}
        for i, site in enumerate(fleet.scenario.tables.sites):
            most = known.get(start + i)
            if most is not None:
                self.offers.append(replace(bare_offer(fleet, i, fleet.gear[i]), site=start + i, most=most))
                continue
            begun = begin(fleet, i)
            if isinstance(begun, Refusal):
                self.refusals[site.site_id] = begun
            else:
                self._begun[len(self.offers)] = begun
                self.offers.append(replace(begun.offer, site=start + i))

    def first(self, s: int, reach: float) -> SiteOffer:
        """The s-th site with designs to begin with; they are not kept.

        At the lowest prices they cost no more than a cheap one does at those of single units, nor than
        `reach` times what one does at the lowest.
        """
        offer, some = self.offers[s], self._drafts(s)
        begun, table = self._begun[s], price_table(self.pricer, offer, self.pricer.market.low_price)
        return within(self.pricer, offer, some, table, min(begun.cost, reach * begun.least), 0.0)

    def within(self, s: int, table: FloatArray, limit: float | None, slack: float) -> SiteOffer:
        """The s-th site with its designs of up to a limit at costs by number of units needed (K, N + 1).

        Without a limit: of up to `slack` over the cheapest. They are not kept.
        """
        return within(self.pricer, self.offers[s], self._drafts(s), table, limit, slack)

    def whole(self, s: int) -> SiteOffer:
        """The s-th site with every design; they are not kept."""
        i = self._place(s)
        return replace(site_offer(self.fleet, i, self.fleet.gear[i]), site=self.offers[s].site)

    def _place(self, s: int) -> int:
        """Place of the s-th site in the batch's table."""
        return self.offers[s].site - self._start

    def _drafts(self, s: int) -> list[Draft]:
        if s not in self._begun:
            i = self._place(s)
            some = list(drafts(self.fleet, i, self.fleet.gear[i], known=True))
            self._begun[s] = Begun(drafts=some, offer=self.offers[s])
        return self._begun[s].drafts


def make_batch(shared: Fleet, part: tuple[int, dict[str, Any], dict[int, FloatArray]]) -> SiteBatch:
    """A batch from what all sites share, its first site's place, and what is known of its own sites."""
    start, own, known = part
    return SiteBatch(shared.with_part(own), start, known)


def first_look(batch: SiteBatch) -> tuple[int, dict[str, Refusal]]:
    """Number of a batch's sites with designs, and the refusals of the others."""
    return len(batch.offers), batch.refusals


def ready_workers(sites: int, *, workers: int | None, cluster: str | None) -> None:
    """Let the processes for a number of sites load before `FleetSites` gives them work."""
    get_ready(make_batch, sites=sites, workers=workers, cluster=cluster)


class FleetSites:
    """Every site of a fleet, in batches with an executor.

    Making it begins every site and notes the sites without any in `fleet.refusals`; `counts` are the numbers
    of those with, by batch. Designs of `known` sites (see `SiteBatch`) wait until they are asked for.
    """

    def __init__(
        self,
        fleet: Fleet,
        *,
        workers: int | None = None,
        cluster: str | None = None,
        known: Mapping[int, FloatArray] | None = None,
        progress: Callable[[str, int, int], None],
    ) -> None:
        sites = len(fleet.scenario.tables.sites)
        parts = []
        for start in range(0, sites, BATCH_SITES):
            end = start + BATCH_SITES
            some = {i: most for i, most in (known or {}).items() if start <= i < end}
            parts.append((start, fleet.part(slice(start, end)), some))
        self._executor = make_executor(
            make_batch, fleet.shared(), parts, sites=sites, workers=workers, cluster=cluster
        )
        self.counts: list[int] = []
        try:
            for count, refusals in self._executor.run(first_look, [()] * len(parts)):
                fleet.refusals.update(refusals)
                self.counts.append(count)
                progress("designs", min(len(self.counts) * BATCH_SITES, sites), sites)
        except BaseException:
            self._executor.close()
            raise

    def run(self, work: Callable[..., Any], arguments: Sequence[tuple[Any, ...]]) -> Iterator[Any]:
        """Results of `work(batch, *arguments)` for each batch with its arguments, in order."""
        return self._executor.run(work, arguments)

    def __enter__(self) -> "FleetSites":
        return self

    def __exit__(self, *error: object) -> None:
        self._executor.close()
