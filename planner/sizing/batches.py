"""The fleet's sites in batches that stay where they are worked on, with the drafts of their designs."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any
from zlib import crc32

from planner.designs import Sketch
from planner.errors import Refusal
from planner.executors import BATCH_SITES, get_ready, make_executor
from planner.fleet.buying import FloatArray
from planner.fleet.pricing import SiteOffer
from planner.fleet.shortlist import Draft, price_table, within
from planner.sizing.ground import Fleet
from planner.sizing.site import Begun, bare_offer, begin, drafts, site_offer
from planner.sizing.sketches import alike, kept_drafts, pack_sketches, unpack_sketches


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What is known of sites before they are looked at, by their place in the fleet's table.

    `most` are units of each SKU (K,) that any design of a site takes at most, of sites that have designs;
    `sketches` are such sites' by batch, packed. Sites that it says nothing of are begun.
    """

    most: Mapping[int, FloatArray] = field(default_factory=dict)
    sketches: Sequence[bytes] = ()

    def of_batch(self, start: int) -> "Known":
        """That of the batch of sites from a place on."""
        b = start // BATCH_SITES
        return Known(
            most={i: self.most[i] for i in range(start, start + BATCH_SITES) if i in self.most},
            sketches=self.sketches[b : b + 1],
        )


class SiteBatch:
    """Some sites of a fleet: those with designs as offers, those without with the rule that blocks them.

    Offers have no designs: these are sized as they are asked for, from drafts that are kept.

    Of sites that are known to have designs none is sized before it is asked for; they are drafted, with what
    is kept of their sketches where it is theirs, and no more than time is lost where it is not.
    """

    def __init__(self, fleet: Fleet, start: int, known: Known) -> None:
        self.fleet, self.pricer, self._start = fleet, fleet.pricer, start
        self._kept, self._stamp = _unpacked(known), crc32(b"".join(known.sketches))
        self.offers: list[SiteOffer] = []
        self.refusals: dict[str, Refusal] = {}
        self._begun: dict[int, Begun] = {}
        for i, site in enumerate(fleet.scenario.tables.sites):
            most = known.most.get(start + i)
            if most is not None:
                self.offers.append(replace(bare_offer(fleet, i, fleet.gear[i]), site=start + i, most=most))
                continue
            begun = begin(fleet, i)
            if isinstance(begun, Refusal):
                self.refusals[site.site_id] = begun
            else:
                self._begun[len(self.offers)] = begun
                self.offers.append(replace(begun.offer, site=start + i))
        self._draft()

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
            self._begun[s] = Begun(drafts=self._kept_drafts(s) or self._fresh_drafts(s), offer=self.offers[s])
        return self._begun[s].drafts

    def _fresh_drafts(self, s: int) -> list[Draft]:
        i = self._place(s)
        return list(drafts(self.fleet, i, self.fleet.gear[i], known=True))

    def _kept_drafts(self, s: int) -> list[Draft] | None:
        """Drafts of the s-th site with kept sketches; None without, or where they are another's."""
        sketches = self._kept.get(self._place(s))
        if sketches is None:
            return None
        try:
            return kept_drafts(self.fleet, self._place(s), sketches)
        except ValueError:
            self._kept.clear()
            return None

    def _draft(self) -> None:
        """Draft every site, so that later work begins at once.

        Of the sites with kept sketches one is sketched anew, to see that they are what this planner makes of
        these sites; else none of them is used. Which one depends on all their bytes.
        """
        kept = [s for s in range(len(self.offers)) if self._place(s) in self._kept]
        if kept:
            s = kept[self._stamp % len(kept)]
            some = self._kept_drafts(s)
            if some is None or not alike(some, self._fresh_drafts(s)):
                self._kept.clear()
        for s in range(len(self.offers)):
            self._drafts(s)

    def packed(self) -> bytes | None:
        """Sketches of all sites; None where they are as they were given."""
        if self.offers and self._kept.keys() >= {self._place(s) for s in range(len(self.offers))}:
            return None
        return pack_sketches(
            {self._place(s): [one.sketch for one in self._drafts(s)] for s in range(len(self.offers))}
        )


def make_batch(shared: Fleet, part: tuple[int, dict[str, Any], Known]) -> SiteBatch:
    """A batch from what all sites share, its first site's place, and what is known of its own sites."""
    start, own, known = part
    return SiteBatch(shared.with_part(own), start, known)


def first_look(batch: SiteBatch) -> tuple[int, dict[str, Refusal]]:
    """Number of a batch's sites with designs, and the refusals of the others."""
    return len(batch.offers), batch.refusals


def packed_sketches(batch: SiteBatch) -> bytes | None:
    """A batch's sketches; None where they are as they were given."""
    return batch.packed()


def ready_workers(sites: int, *, workers: int | None, cluster: str | None) -> None:
    """Let the processes for a number of sites load before `FleetSites` gives them work."""
    get_ready(make_batch, sites=sites, workers=workers, cluster=cluster)


class FleetSites:
    """Every site of a fleet, in batches with an executor, which begins every site.

    `counts` are the numbers of sites with designs by batch; what has none is then noted in
    `fleet.refusals`. Where workers know sites already (see `SiteBatch`), other work may go on until these are
    asked for.
    """

    def __init__(
        self,
        fleet: Fleet,
        *,
        workers: int | None = None,
        cluster: str | None = None,
        known: Known | None = None,
        progress: Callable[[str, int, int], None],
    ) -> None:
        sites = len(fleet.scenario.tables.sites)
        self._known = known or Known()
        self._counts: list[int] = []
        parts = [
            (start, fleet.part(slice(start, start + BATCH_SITES)), self._known.of_batch(start))
            for start in range(0, sites, BATCH_SITES)
        ]
        self._fleet, self._parts = fleet, len(parts)
        self._executor = make_executor(
            make_batch, fleet.shared(), parts, sites=sites, workers=workers, cluster=cluster
        )
        try:
            self._looks = self._executor.run(first_look, [()] * len(parts))
            if known is None:
                self._begin(progress)
        except BaseException:
            self._executor.close()
            raise

    def _begin(self, progress: Callable[[str, int, int], None]) -> None:
        sites = len(self._fleet.scenario.tables.sites)
        for count, refusals in self._looks:
            self._fleet.refusals.update(refusals)
            self._counts.append(count)
            progress("designs", min(len(self._counts) * BATCH_SITES, sites), sites)

    @property
    def counts(self) -> Sequence[int]:
        """Sites with designs in each batch."""
        self._begin(lambda *_: None)  # of known sites there is little to wait for
        return self._counts

    def sketches(self) -> Iterator[bytes]:
        """Sketches of each batch's sites, packed; workers begin with it at once."""
        made = self._executor.run(packed_sketches, [()] * self._parts)
        return (self._known.sketches[b] if one is None else one for b, one in enumerate(made))

    def run(self, work: Callable[..., Any], arguments: Sequence[tuple[Any, ...]]) -> Iterator[Any]:
        """Results of `work(batch, *arguments)` for each batch with its arguments, in order."""
        return self._executor.run(work, arguments)

    def __enter__(self) -> "FleetSites":
        return self

    def __exit__(self, *error: object) -> None:
        self._executor.close()


def _unpacked(known: Known) -> dict[int, list[Sketch]]:
    """Kept sketches by place in the batch; none where they are no such thing."""
    try:
        return unpack_sketches(known.sketches[0]) if known.sketches else {}
    except (ValueError, KeyError):
        return {}
