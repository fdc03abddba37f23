"""What one more watt, day or class of availability costs: with the rest as bought, and with tiers free."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.errors import Refusal
from planner.explain.beside import DESIGNS_MAX, Ranked, Rest, added_cost, ranked, rest_of
from planner.explain.bought import Bought
from planner.explain.changes import Change, asked, raised, why_not_raised, with_change
from planner.explain.free import Field, Search, improve_pair, joined, make_field, relaxed
from planner.fleet.buying import FloatArray
from planner.fleet.expand import greatest_use
from planner.fleet.needs import Needs
from planner.fleet.pool import Designs
from planner.fleet.pricing import SiteOffer
from planner.money import to_money
from planner.pipeline import Progress
from planner.purchase import budget_of
from planner.sizing import Fleet
from planner.sizing.site import begin, site_offer
from planner.tables.explained_rows import MarginalCostRow

NONE_KEEPS = "no design keeps the rules of the purchase beside the rest"


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """One site of a plan: all its designs as it is, and as it would be if it asked more.

    `changed` has, for each change, the designs, or why there are none.
    """

    bought: Bought
    s: int
    rest: Rest
    needs: Needs
    offer: SiteOffer
    changed: dict[Change, SiteOffer | str]

    @property
    def i(self) -> int:
        """Place of the site in the table."""
        return int(self.bought.served[self.s])

    def ranked(self, offer: SiteOffer) -> Ranked | None:
        """The cheapest of its designs beside the rest as bought."""
        return ranked(self.bought.fleet.pricer, offer, self.s, self.needs, self.rest, DESIGNS_MAX)


def study(bought: Bought, s: int) -> Study:
    """Size a site of a plan as it is, and with each change."""
    i, fleet = int(bought.served[s]), bought.fleet
    offer = site_offer(fleet, i, fleet.gear[i])
    changed = {change: _changed(fleet, change, i) for change in Change}
    offers = [offer, *(one for one in changed.values() if not isinstance(one, str))]
    most = np.max([greatest_use(fleet.pricer, one) for one in offers], axis=0)
    needs = fleet.market.needs(bought.need + most)
    return Study(bought=bought, s=s, rest=rest_of(bought, s), needs=needs, offer=offer, changed=changed)


def _changed(fleet: Fleet, change: Change, i: int) -> SiteOffer | str:
    """All designs of a site that asks more, or why there are none."""
    why = why_not_raised(fleet, change, i)
    if why:
        return why
    more = with_change(fleet, change, [i])
    offer = site_offer(more, i, more.gear[i])
    if more.pricer.buildable(offer):
        return offer
    found = begin(more, i)
    return str(found.message) if isinstance(found, Refusal) else "no design is left"


def site_marginals(one: Study, field: Field | None) -> list[MarginalCostRow]:
    """What each change costs at a site; without a field of all sites' designs, the rest as bought only."""
    bought, own = one.bought, one.bought.designs.take(np.array([one.s]))
    plain = one.ranked(one.offer)
    now = min([float(added_cost(one.needs, one.rest, own)[0]), *(plain.cost[:1].tolist() if plain else [])])
    best = {
        change: offer if isinstance(offer, str) else one.ranked(offer)
        for change, offer in one.changed.items()
    }
    free: dict[Change, float] = {}
    if field is not None:
        if plain is not None:
            field = replace(field, designs=Designs.join([field.designs, plain.designs]))
        changed = {
            change: ([one.s], some.designs) for change, some in best.items() if isinstance(some, Ranked)
        }
        free = free_costs(bought, field, changed)
    rows = []
    for change, some in best.items():
        if isinstance(some, Ranked):
            fixed = float(some.cost[0]) - now
            cost = min(fixed, free[change]) if change in free else None
            rows.append(_row(bought, change, [one.i], fixed=fixed, free=cost))
        else:
            rows.append(_row(bought, change, [], note=some or NONE_KEEPS))
    return rows


def free_costs(
    bought: Bought, field: Field, changed: Mapping[Change, tuple[Sequence[int], Designs]]
) -> dict[Change, float]:
    """What each change costs where everything may move.

    Parameters
    ----------
    field : Field
        Designs of all sites as they are.
    changed : mapping
        For each change, the sites that ask more (numbers among those served), and their designs then.
    """
    market, rules = bought.fleet.market, bought.rules
    units = [some.usage.max(axis=0).toarray().ravel() for _, some in changed.values()]
    share = [len(sites) * most for (sites, _), most in zip(changed.values(), units, strict=True)]
    most = field.most + np.max([np.zeros(len(bought.need)), *share], axis=0)
    pool = joined(bought, [bought.designs, field.designs], most)
    before = Search(relax=relaxed(market, rules, pool))
    known = before.improve([pool.start])
    costs = {}
    for change, (sites, designs) in changed.items():
        stay = pool.designs.take(np.flatnonzero(~np.isin(pool.designs.site, sites)))
        after = Search.like(relaxed(market, rules, joined(bought, [designs, stay], most)), before)
        pair = improve_pair(before, after, known, pool.start, sites)
        costs[change] = pair.after.cost - pair.before.cost
    return costs


def fleet_marginals(
    bought: Bought, *, free: bool, workers: int | None, progress: Progress
) -> list[MarginalCostRow]:
    """What each change costs at all sites at once."""
    field = make_field(bought, bought.fleet, workers=workers, progress=progress)
    now = np.minimum(field.best, _own_costs(bought, field))
    asks = [_ask(bought, change, workers, progress) for change in Change]
    changed = {ask.change: (ask.moved, ask.designs(ask.field)) for ask in asks if ask.field and ask.moved}
    costs = free_costs(bought, field, changed) if free else {}
    rows = []
    for ask in asks:
        places = [int(bought.served[s]) for s in ask.moved]
        fixed = float((ask.field.best - now)[ask.moved].sum()) if ask.field is not None else None
        rows.append(_row(bought, ask.change, places, fixed=fixed, free=costs.get(ask.change), note=ask.note))
    return rows


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """A change at all sites that can: their designs, the sites that have some, and what else to say."""

    change: Change
    field: Field | None
    moved: list[int]
    note: str

    def designs(self, field: Field) -> Designs:
        """Designs of the sites that ask more."""
        return field.designs.take(np.flatnonzero(np.isin(field.designs.site, self.moved)))


def _ask(bought: Bought, change: Change, workers: int | None, progress: Progress) -> Ask:
    refused = [why_not_raised(bought.fleet, change, int(i)) for i in bought.served]
    asking = [s for s, why in enumerate(refused) if not why]
    if not asking:
        return Ask(change=change, field=None, moved=[], note=refused[0])
    more = with_change(bought.fleet, change, [int(bought.served[s]) for s in asking])
    field = make_field(bought, more, workers=workers, progress=progress)
    moved = [s for s in asking if np.isfinite(field.best[s])]
    note = "; ".join(_left_out(len(refused), len(asking), len(moved)))
    return Ask(change=change, field=field, moved=moved, note=note)


def _left_out(every: int, asking: int, moved: int) -> Iterator[str]:
    if every > asking:
        yield f"{every - asking} of {every} sites do not ask it, or can ask no more"
    if asking > moved:
        yield f"{asking - moved} of {every} sites have no design with it and stay as they are"


def _own_costs(bought: Bought, field: Field) -> FloatArray:
    """What the design bought for each site costs beside the rest (S,)."""
    needs = bought.fleet.market.needs(np.maximum(field.most, bought.need))
    own = (bought.designs.take(np.array([s])) for s in range(len(bought.served)))
    return np.array([added_cost(needs, rest_of(bought, s), one)[0] for s, one in enumerate(own)])


def _row(
    bought: Bought,
    change: Change,
    places: Sequence[int],
    *,
    fixed: float | None = None,
    free: float | None = None,
    note: str = "",
) -> MarginalCostRow:
    """A row; each figure once for all that is added, once for a unit of it at one site."""
    currency, units = bought.scenario.settings.currency, change.units
    figures = {asked(bought.fleet, change, i) for i in places}
    before = figures.pop() if len(figures) == 1 else None
    after = raised(change, before) if before is not None else None
    per = units * max(1, len(places))
    total = float(bought.plan.manifest["total_cost"])
    most = max(cost for cost in (fixed, free, 0.0) if cost is not None)
    if total + most > budget_of(bought.scenario):
        note = "; ".join([*([note] if note else []), "the budget does not reach for it"])
    return MarginalCostRow(
        change=change.value,
        before="" if before is None or change is Change.WATT else f"{before:g}",
        after="" if after is None or change is Change.WATT else f"{after:g}",
        units=units,
        sites=len(places),
        cost_as_bought=None if fixed is None else to_money(round(fixed, 6), currency),
        each_as_bought=None if fixed is None else to_money(round(fixed / per, 6), currency),
        cost_free=None if free is None else to_money(round(free, 6), currency),
        each_free=None if free is None else to_money(round(free / per, 6), currency),
        note=note,
    )
