"""The cheapest purchase of one SKU over its suppliers, against every purchase counted unit by unit."""

from typing import Any

import numpy as np
import pytest

from planner.fleet.buying import Source, need_cost, purchase
from tests.fleet.brute import bought_costs, order_costs
from tests.fleet.instances import Ladder, market, random_ladders, random_terms


def sources(*suppliers: tuple[Ladder, dict[str, Any]]) -> tuple[Source, ...]:
    """Suppliers of one SKU."""
    return tuple(
        Source(
            supplier=f"v{j}",
            offers=tuple(range(len(ladder.tiers))),
            price=np.array([price for price, _, _ in ladder.offers()]),
            fixed=np.array([fixed for _, fixed, _ in ladder.offers()]),
            min_qty=np.array([least for _, _, least in ladder.offers()]),
            **terms,
        )
        for j, (ladder, terms) in enumerate(suppliers)
    )


def flat(price: float, **terms: Any) -> tuple[Ladder, dict[str, Any]]:
    return Ladder(((1, price),)), terms


def random_suppliers(seed: int) -> tuple[list[Ladder], list[dict[str, Any]], tuple[Source, ...]]:
    """One to three suppliers with tiers of both kinds, packs, least orders and stock."""
    rng = np.random.default_rng(seed)
    ladders = random_ladders(rng, [10.0], (1, 4, 15, 40), suppliers=1 + seed % 3)
    terms = random_terms(rng, ladders)
    made = market("a", ladders, terms).sources[0]
    return ladders[0], [terms.of(0, j) for j in range(len(made))], made


@pytest.mark.parametrize("seed", range(150))
def test_need_cost_equals_every_split_counted_unit_by_unit(seed: int) -> None:
    ladders, terms, made = random_suppliers(seed)
    assert need_cost(made, np.arange(61)) == pytest.approx(bought_costs(ladders, terms, 60), abs=1e-6)


@pytest.mark.parametrize("seed", range(60))
def test_a_purchase_is_sold_as_ordered_and_costs_the_least(seed: int) -> None:
    ladders, terms, made = random_suppliers(1000 + seed)
    best = bought_costs(ladders, terms, 50)
    costs = [order_costs(ladder, 200) for ladder in ladders]
    for need in range(1, 51, 3):
        if not np.isfinite(best[need]):
            with pytest.raises(ValueError, match=f"do not hold {need} units"):
                purchase(made, need)
            continue
        orders = purchase(made, need)
        assert len({j for j, _ in orders}) == len(orders)
        assert sum(units for _, units in orders) >= need
        for j, units in orders:
            assert units % terms[j].get("pack_qty", 1) == 0
            assert units >= terms[j].get("min_order_qty", 1)
            stock = terms[j].get("stock_qty")
            assert stock is None or units <= stock
        assert sum(costs[j][units] for j, units in orders) == pytest.approx(best[need], abs=1e-6)


@pytest.mark.parametrize(
    ("need", "minimum", "pack", "bought"), [(47, 50, 12, 60), (47, 1, 12, 48), (60, 50, 12, 60), (1, 1, 1, 1)]
)
def test_a_pack_and_a_least_order(need: int, minimum: int, pack: int, bought: int) -> None:
    # ceil(max(need, minimum) / pack) x pack (recomputed): 47, 50, 12 -> 60
    made = sources(flat(2.0, min_order_qty=minimum, pack_qty=pack))
    assert purchase(made, need) == [(0, bought)]
    assert need_cost(made, np.array([need])).tolist() == [2.0 * bought]


@pytest.mark.parametrize(
    ("need", "bought"), [(450, 450), (451, 500), (475, 500), (499, 500), (500, 500), (501, 501)]
)
def test_an_all_units_break_is_bought_up_to(need: int, bought: int) -> None:
    # 10 below 500, 9 from there: 500 x 9 = 4,500 = 450 x 10; dearer than that from 451 on (recomputed)
    made = sources((Ladder(((1, 10.0), (500, 9.0))), {}))
    assert purchase(made, need) == [(0, bought)]


def test_incremental_totals_never_fall() -> None:
    made = sources((Ladder(((1, 3.00), (500, 2.97), (1500, 2.95)), incremental=True), {}))
    total = need_cost(made, np.arange(2001))
    assert (np.diff(total) > 0).all()
    # 499 x 3.00 + 1,000 x 2.97 + 501 x 2.95 = 1,497.00 + 2,970.00 + 1,477.95
    assert total[2000] == pytest.approx(5944.95)


def test_a_stock_that_runs_out_sends_the_rest_elsewhere() -> None:
    # 30 at 5, then 6; where the other sells in packs of 8: 30 + 16 = 46, or 24 + 16 = 40 as 40 = 30 + 16 - 6
    cheap, dear = flat(5.0, stock_qty=30), flat(6.0)
    assert purchase(sources(cheap, dear), 40) == [(0, 30), (1, 10)]
    assert purchase(sources(cheap, flat(6.0, pack_qty=8)), 40) == [(0, 24), (1, 16)]  # 216 < 150 + 96
    with pytest.raises(ValueError, match="31"):
        purchase(sources(cheap), 31)


def test_of_equal_costs_the_fewest_suppliers_then_units() -> None:
    assert purchase(sources(flat(5.0), flat(5.0)), 7) == [(0, 7)]
    # 18 x 10 = 20 x 9: the smaller order of the two
    assert purchase(sources(flat(10.0), (Ladder(((20, 9.0),)), {})), 18) == [(0, 18)]


def test_a_stock_below_the_least_order_sells_nothing() -> None:
    (made,) = sources(flat(5.0, stock_qty=11, min_order_qty=10, pack_qty=4))
    assert (made.first, made.last) == (12, 0)
    assert need_cost((made,), np.array([0, 1, 8])).tolist() == [0.0, np.inf, np.inf]
