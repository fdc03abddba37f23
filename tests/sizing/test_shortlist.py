"""Designs of up to a limit against all designs of a site, which `tests/designs/brute.py` checks one by one.

Whatever the limit, no design under it is missing; whatever the multipliers, a pass finds the minima over all
designs.
"""

from pathlib import Path

import numpy as np
import pytest

from planner.designs import Floors, Prepared, SiteOptions
from planner.fleet import shortlist
from planner.fleet.batches import Listed
from planner.fleet.buying import FloatArray
from planner.fleet.curves import make_curves
from planner.fleet.exact import CHEAPER, Look, price_part
from planner.fleet.expand import greatest_use
from planner.fleet.pricing import Pricer, SiteOffer, module_area
from planner.fleet.relaxation import Multipliers
from planner.fleet.shortlist import outlooks, price_table, within
from planner.grounds import choose_tilts, fleet_kits, prepare
from planner.scenario import read_scenario
from planner.sizing import Fleet
from planner.sizing.batches import Known, SiteBatch
from planner.sizing.site import Begun, begin, site_offer
from tests.plan.fleets import Cut
from tests.sizing.conftest import NAMES

SITES = range(len(NAMES))


@pytest.fixture(scope="module")
def whole(fleet: Fleet) -> dict[int, SiteOffer]:
    """Every design of some sites."""
    return {i: site_offer(fleet, i, fleet.gear[i]) for i in SITES}


def at_table(pricer: Pricer, offer: SiteOffer, table: FloatArray) -> FloatArray:
    """Costs of all designs of an offer at costs by number of units, rising."""
    found = [pricer.price(option, table, offer).cost.ravel() for option in offer.options]
    every = np.sort(np.concatenate([np.zeros(0), *found]))
    return np.asarray(every[np.isfinite(every)])


def most_taken(pricer: Pricer, offer: SiteOffer) -> FloatArray:
    """Most units of each SKU in any design with the fewest mounts that carry its modules (K,)."""
    most, f = greatest_use(pricer, offer), pricer.fittings
    most[f.mount_sku] = 0.0
    for option in offer.options:
        o = option.designs
        modules = (o.modules_series * o.modules_parallel.max(axis=0))[:, None]
        mounts = pricer.mounts_allowed(option.surface_tilt_deg, offer)
        each = pricer.carried(module_area(o)[:, None], pricer.module_kg(o)[:, None], mounts[None, :])
        needed = np.where(each > 0, np.ceil(modules / np.maximum(each, 1.0)), 0.0)
        np.maximum.at(most, f.mount_sku[mounts], needed.max(axis=0))
    return most


@pytest.mark.parametrize("i", SITES)
@pytest.mark.parametrize("over", [1.0, 1.02, 1.2, 1.4])
@pytest.mark.parametrize("tiers", [False, True])
def test_no_design_under_a_limit_is_missing(
    fleet: Fleet, whole: dict[int, SiteOffer], i: int, over: float, tiers: bool
) -> None:
    """At prices of single units, and where the first unit of each SKU costs more than the next."""
    pricer, begun = fleet.pricer, begin(fleet, i)
    assert isinstance(begun, Begun)
    table = price_table(pricer, begun.offer, fleet.market.list_price)
    if tiers:
        table[:, 1:] += np.arange(len(table))[:, None] % 7 * 10.0
    every = at_table(pricer, whole[i], table)
    limit = float(every[0]) * over
    short = within(pricer, begun.offer, begun.drafts, table, limit, 0.0)
    found, under = at_table(pricer, short, table), every[every <= limit]
    assert found[: len(under)] == pytest.approx(under, rel=1e-12)
    assert len(found) < len(every)
    assert (greatest_use(pricer, begun.offer) >= most_taken(pricer, whole[i])).all()


@pytest.mark.parametrize("i", SITES)
@pytest.mark.parametrize("slack", [0.0, 100.0])
def test_without_a_limit_the_cheapest_design_and_those_near_it_are_there(
    fleet: Fleet, whole: dict[int, SiteOffer], i: int, slack: float
) -> None:
    begun = begin(fleet, i)
    assert isinstance(begun, Begun)
    table = price_table(fleet.pricer, begun.offer, fleet.market.list_price)
    every = at_table(fleet.pricer, whole[i], table)
    found = at_table(fleet.pricer, within(fleet.pricer, begun.offer, begun.drafts, table, None, slack), table)
    near = every[every <= every[0] + slack]
    assert found[: len(near)] == pytest.approx(near, rel=1e-12)
    assert begun.cost >= every[0] * (1 - 1e-12)


@pytest.mark.parametrize("seed", range(8))
def test_passes_find_the_minima_over_all_designs(
    fleet: Fleet, whole: dict[int, SiteOffer], seed: int
) -> None:
    """Multipliers from near the prices to far below; with and without a design that is known."""
    rng = np.random.default_rng(seed)
    batch = SiteBatch(fleet, 0, Known())
    most = np.sum([greatest_use(fleet.pricer, offer) for offer in batch.offers], axis=0)
    kind = np.arange(len(fleet.catalogue.batteries)) % (1 + seed // 4)  # of one kind, or of two
    curves = make_curves(fleet.market.needs(most), counted=np.ones(len(most), dtype=bool))
    price = curves.unit_cost()
    shares = rng.exponential(0.1 * price, (len(SITES), curves.modes))
    shares *= rng.random(shares.shape) < 0.3
    at = Multipliers(mu=price * rng.uniform((0.9, 0.5)[seed % 2], 1.0, curves.modes), w=shares)
    every = Listed(pricer=fleet.pricer, offers=[whole[i] for i in SITES])
    for slack, designs_max in ((0.0, 20), (150.0, 30)):
        look = Look(curves=curves, slack=slack, designs_max=designs_max, kind=kind)
        wanted = price_part(every, look, at)
        known = wanted.least * rng.uniform(1.0, 1.05, wanted.least.shape) if seed % 3 else None
        wanted = price_part(every, look, at, known)
        found = price_part(batch, look, at, known)
        assert found.least == pytest.approx(wanted.least, rel=1e-12)
        assert found.left_out == pytest.approx(wanted.left_out, abs=1e-6)
        for ours, theirs in zip(found.designs, wanted.designs, strict=True):
            if known is None or kind.max() == 0:  # of kinds with little between them more are kept than asked
                assert (ours.usage != theirs.usage).nnz == 0


@pytest.mark.parametrize("seed", range(4))
def test_what_a_sketch_says_is_never_more_than_a_design_costs(
    fleet: Fleet, whole: dict[int, SiteOffer], seed: int
) -> None:
    """Nor less than it says at first; at prices from a tenth to twice the list's, the first units dearer."""
    rng = np.random.default_rng(seed)
    for i in SITES:
        begun, pricer = begin(fleet, i), fleet.pricer
        assert isinstance(begun, Begun)
        offer = begun.offer
        prices = fleet.market.list_price * rng.uniform(0.1, 2.0, len(fleet.market.list_price))
        table = price_table(pricer, offer, prices)
        table[:, 1:] += rng.uniform(0.0, 30.0, len(table))[:, None]
        looks = {
            (len(one.draft.kits), one.draft.tilt, one.draft.boxes.sku.tobytes()): one
            for one in outlooks(pricer, offer, begun.drafts, table)
        }
        for option in whole[i].options:
            assert option.boxes is not None
            look = looks[len(option.kits), option.tilt, option.boxes.sku.tobytes()]
            near, draft = look.refined(np.inf), look.draft
            place = {b: n for n, b in enumerate(draft.parts.battery.tolist())}
            cost = pricer.price(option, table, offer).cost.min(axis=1)
            kit, battery = option.designs.kit, np.array([place[b] for b in option.designs.battery.tolist()])
            band = draft.bands.band[kit]
            for one in (look, near):
                assert (one.costs.kit[kit] + one.beside[band, battery] <= cost * (1 + 1e-9)).all()
            assert (near.beside >= look.beside * (1 - 1e-9)).all()


def test_few_sites_are_sized_whose_cheapest_design_is_known(
    fleet: Fleet, whole: dict[int, SiteOffer], monkeypatch: pytest.MonkeyPatch
) -> None:
    sized, size = [], shortlist.size_designs

    def count(prepared: Prepared, least: Floors, limit: float) -> SiteOptions:
        sized.append(prepared.inputs.site_id)
        return size(prepared, least, limit)

    begun, looks = [begin(fleet, i) for i in SITES], 0
    monkeypatch.setattr(shortlist, "size_designs", count)
    for i, one in zip(SITES, begun, strict=True):
        assert isinstance(one, Begun)
        for seed in range(6):
            random = np.random.default_rng(seed).uniform(0.8, 1.2, len(fleet.market.list_price))
            table = price_table(fleet.pricer, one.offer, fleet.market.list_price * random)
            least = float(at_table(fleet.pricer, whole[i], table)[0])
            short = within(fleet.pricer, one.offer, one.drafts, table, least * CHEAPER, 0.0)
            assert not short.options or at_table(fleet.pricer, short, table)[0] >= least * (1 - 1e-9)
            looks += 1
    assert len(sized) <= looks / 2  # without a look pair by pair nearly as many as looks


def test_parts_that_stand_at_a_site_cost_nothing_in_any_number_that_fits(tmp_path: Path) -> None:
    """Numbers of strings that no controller takes stay out, though their modules are there."""
    cut = Cut(tmp_path / "fleet", NAMES[:1])
    there = [
        {"site_id": NAMES[0], "sku": row["sku"], "quantity": "3"} for row in cut.rows("catalogue/modules")
    ]
    fleet = prepare(read_scenario(cut.put("existing", there).folder))
    fleet_kits(fleet)
    fleet.tilts[:] = choose_tilts(fleet)
    prices = fleet.market.list_price
    every, begun = site_offer(fleet, 0, fleet.gear[0]), begin(fleet, 0)
    assert isinstance(begun, Begun)
    table = price_table(fleet.pricer, begun.offer, prices)
    some = within(fleet.pricer, begun.offer, begun.drafts, table, None, 0.0)
    least = at_table(fleet.pricer, every, table)[0]
    assert at_table(fleet.pricer, some, table)[0] == pytest.approx(least, rel=1e-12)
