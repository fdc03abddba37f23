"""What a need costs: modes and corners against ladders counted unit by unit, and worked by hand."""

from itertools import pairwise

import numpy as np
import pytest

from planner.fleet.bound import Multipliers
from planner.fleet.curves import Curves, make_curves
from planner.fleet.market import Market
from tests.fleet.brute import need_cost
from tests.fleet.instances import Ladder, market, random_ladders

BREAK = Ladder(((1, 49.99), (500, 45.00)))


def curves_of(*skus: list[Ladder], most: int) -> tuple[Market, Curves]:
    """Market of SKUs a, b, ... and its curves."""
    made = market("abcdefgh"[: len(skus)], list(skus))
    return made, make_curves(made, np.full(len(skus), float(most)))


def modes(made: Market, curves: Curves) -> list[tuple[int, int, float]]:
    """(least need, greatest need, the offer's price) of each mode."""
    return list(
        zip(curves.low.tolist(), curves.high.tolist(), made.price[curves.offer].tolist(), strict=True)
    )


def test_a_break_is_bought_up_to_where_that_is_cheaper() -> None:
    # 500 x 45.00 = 22,500.00; 450 x 49.99 = 22,495.50 and 451 x 49.99 = 22,545.49: from 451 on, buy 500
    made, curves = curves_of([BREAK], most=600)
    assert modes(made, curves) == [(1, 450, 49.99), (451, 600, 45.00)]
    assert curves.corner_mode.tolist() == [0, 0, 1, 1, 1]
    assert curves.corner_units.tolist() == [1, 450, 451, 500, 600]
    assert curves.corner_cost.tolist() == pytest.approx([49.99, 22495.50, 22500.0, 22500.0, 27000.0])


def test_incremental_tiers_are_reached_at_their_threshold() -> None:
    # 499 at 3.00, the rest at 2.97: a 500th unit costs 2.97, and none is bought before it is needed
    made, curves = curves_of([Ladder(((1, 3.00), (500, 2.97)), incremental=True)], most=600)
    assert modes(made, curves) == [(1, 499, 3.00), (500, 600, 2.97)]
    assert curves.corner_cost.tolist() == pytest.approx([3.0, 1497.0, 1499.97, 1796.97])


def test_suppliers_with_different_ladders_take_turns() -> None:
    # 20 x 9.00 = 180 = 18 x 10.00: at 18 the smaller order, from 19 the other supplier; 12.00 never serves
    one, other = Ladder(((1, 10.0),)), Ladder(((1, 12.0), (20, 9.0)))
    made, curves = curves_of([one, other], most=40)
    assert modes(made, curves) == [(1, 18, 10.0), (19, 40, 9.0)]
    assert curves.corner_units.tolist() == [1, 18, 19, 20, 40]


def test_a_supplier_that_sells_several_at_least() -> None:
    made, curves = curves_of([Ladder(((5, 2.0),))], most=8)
    assert modes(made, curves) == [(1, 8, 2.0)]
    assert curves.corner_cost.tolist() == [10.0, 10.0, 16.0]  # at 1, 5 and 8


def test_one_price_makes_no_mode() -> None:
    _, curves = curves_of([Ladder(((1, 7.0),))], [BREAK], [Ladder(((1, 8.0),))], most=10)
    assert curves.tiered.tolist() == [1]
    _, none = curves_of([Ladder(((1, 7.0),))], most=10)
    assert (none.modes, len(none.tiered), len(none.corner_mode)) == (0, 0, 0)


def test_a_sku_that_no_design_uses_keeps_a_mode_of_one_unit() -> None:
    made = market("ab", [[BREAK], [BREAK]])
    curves = make_curves(made, np.array([600.0, 0.0]))
    assert modes(made, curves)[2:] == [(1, 1, 49.99)]


@pytest.mark.parametrize("seed", range(30))
def test_curves_equal_ladders_counted_unit_by_unit(seed: int) -> None:
    rng, most = np.random.default_rng(seed), 70
    ladders = random_ladders(rng, [10.0, 3.37, 250.0], (1, 4, 15, 50), suppliers=1 + seed % 3)
    _, curves = curves_of(*ladders, most=most)
    assert curves.modes
    for t, k in enumerate(curves.tiered.tolist()):
        exact = [need_cost(ladders[k], need) for need in range(most + 1)]
        mine = np.flatnonzero(curves.mode_sku == t)
        assert curves.low[mine].tolist() == [1.0, *(curves.high[mine][:-1] + 1)]
        assert curves.high[mine][-1] == most
        for v in mine.tolist():
            corners = np.flatnonzero(curves.corner_mode == v)
            units, cost = curves.corner_units[corners], curves.corner_cost[corners]
            assert (units[0], units[-1]) == (curves.low[v], curves.high[v])
            assert all(a < b for a, b in pairwise(units))
            for need in range(int(curves.low[v]), int(curves.high[v]) + 1):
                assert np.interp(need, units, cost) == pytest.approx(exact[need], abs=1e-6)


def test_uses_take_the_cheapest_mode_that_holds_them() -> None:
    made, curves = curves_of([Ladder(((1, 10.0), (4, 8.0)))], [BREAK], most=6)
    assert modes(made, curves) == [(1, 3, 10.0), (4, 6, 8.0), (1, 6, 49.99)]  # 4 x 8 = 32 > 3 x 10
    w = np.array([[99.0, 99.0, 99.0], [0.0, 5.0, 1.0]])  # of the second site: 10 n, 5 + 7 n, 1 + 40 n
    phi = Multipliers(mu=np.array([10.0, 7.0, 40.0]), w=w).phi(curves, 1, 8)
    assert phi.shape == (2, 9)
    assert phi[0].tolist() == [0.0, 10.0, 19.0, 26.0, 33.0, 40.0, 47.0, np.inf, np.inf]
    assert phi[1].tolist() == [0.0, 41.0, 81.0, 121.0, 161.0, 201.0, 241.0, np.inf, np.inf]


def test_a_use_is_not_labelled_with_a_mode_of_fewer_units() -> None:
    _, curves = curves_of([Ladder(((1, 10.0), (4, 8.0)))], most=6)
    phi = Multipliers(mu=np.array([1.0, 50.0]), w=np.zeros((1, 2))).phi(curves, 0, 5)
    assert phi[0].tolist() == [0.0, 1.0, 2.0, 3.0, 200.0, 250.0]  # four are not bought where three are most
