"""Shortlists against all designs of a site, which `tests/designs/brute.py` checks one by one.

Whatever the limit, no design under it is missing; whatever the multipliers, a pass over the shortlists finds
the minima over all designs.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from planner.fleet.batches import Listed
from planner.fleet.buying import FloatArray
from planner.fleet.curves import make_curves
from planner.fleet.exact import Look, price_part
from planner.fleet.pool import greatest_use
from planner.fleet.pricing import Pricer, SiteOffer, module_area
from planner.fleet.relaxation import Multipliers
from planner.fleet.shortlist import reference_prices, shortlist
from planner.grounds import choose_tilts, fleet_kits, prepare
from planner.scenario import read_scenario
from planner.sizing import Fleet
from planner.sizing.batches import SiteBatch
from planner.sizing.site import drafts, site_offer
from tests.plan.fleets import Cut

NAMES = ("achnasheen", "finse", "hveravellir")
SITES = range(len(NAMES))


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    """Some sites of the bundled fleet, with the northern parts."""
    cut = Cut(tmp_path_factory.mktemp("shortlist") / "fleet", NAMES)
    made = prepare(read_scenario(cut.folder))
    fleet_kits(made)
    made.tilts[:] = choose_tilts(made)
    return made


@pytest.fixture(scope="module")
def whole(fleet: Fleet) -> dict[int, SiteOffer]:
    """Every design of some sites."""
    return {i: site_offer(fleet, i, fleet.gear[i], np.inf) for i in SITES}


def costs(pricer: Pricer, offer: SiteOffer, prices: FloatArray) -> FloatArray:
    """Costs of all designs of an offer at unit prices, rising."""
    table = pricer.landed(prices, offer)
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
def test_no_design_under_a_limit_is_missing(
    fleet: Fleet, whole: dict[int, SiteOffer], i: int, over: float
) -> None:
    pricer, reference = fleet.pricer, reference_prices(fleet.market)
    every = costs(pricer, whole[i], reference)
    limit = float(every[0]) * over
    short = shortlist(pricer, replace(whole[i], options=[]), list(drafts(fleet, i, fleet.gear[i])), limit)
    found = costs(pricer, short, reference)
    assert short.floor == limit
    under = every[every <= limit]
    assert found[: len(under)] == pytest.approx(under, rel=1e-12)
    assert len(found) < len(every)
    assert (greatest_use(pricer, short) >= most_taken(pricer, whole[i])).all()


@pytest.mark.parametrize("i", SITES)
def test_the_limit_is_the_cheapest_design_at_prices_of_single_units(
    fleet: Fleet, whole: dict[int, SiteOffer], i: int
) -> None:
    short = site_offer(fleet, i, fleet.gear[i])
    least = costs(fleet.pricer, whole[i], fleet.market.list_price)[0]
    assert short.floor == pytest.approx(least, rel=1e-12)
    assert costs(fleet.pricer, short, fleet.market.list_price)[0] == pytest.approx(least, rel=1e-12)


class Counting(SiteBatch):
    """A batch that counts how often it sizes a site anew."""

    anew = 0

    def within(self, s: int, table: FloatArray, limit: float | None, slack: float) -> SiteOffer:
        self.anew += 1
        return super().within(s, table, limit, slack)


@pytest.mark.parametrize("seed", range(8))
def test_passes_over_shortlists_find_the_minima_over_all_designs(
    fleet: Fleet, whole: dict[int, SiteOffer], seed: int
) -> None:
    """Multipliers from near the prices to far below, so that some sites must be sized anew."""
    rng = np.random.default_rng(seed)
    part = fleet.with_part(fleet.part(slice(0, 0)))
    batch = Counting(part, 0, {})
    batch.fleet, batch.offers = fleet, [site_offer(fleet, i, fleet.gear[i]) for i in SITES]
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
        found, wanted = price_part(batch, look, at), price_part(every, look, at)
        assert found.least == pytest.approx(wanted.least, rel=1e-12)
        assert found.left_out == pytest.approx(wanted.left_out, abs=1e-6)
        for ours, theirs in zip(found.designs, wanted.designs, strict=True):
            assert (ours.usage != theirs.usage).nnz == 0
    assert batch.anew > 0 or not seed % 2


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
    every, some = (costs(fleet.pricer, site_offer(fleet, 0, fleet.gear[0], *limit), prices)[0]
                   for limit in ((np.inf,), ()))  # fmt: skip
    assert some == pytest.approx(every, rel=1e-12)
