"""What a need costs: modes and corners against needs counted unit by unit, and worked by hand."""

from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from planner.fleet.curves import MODES_MAX, NEAR, Curves, make_curves, refined
from planner.fleet.needs import Needs
from planner.fleet.relaxation import Multipliers
from planner.fleet.spares import SparesRule
from tests.fleet.brute import sku_costs
from tests.fleet.instances import Ladder, Terms, market, random_ladders, random_terms

BREAK = Ladder(((1, 49.99), (500, 45.00)))


def curves_of(
    *skus: list[Ladder], most: int | list[int], terms: Terms | None = None, counted: bool = False
) -> tuple[Needs, Curves]:
    """What needs of SKUs a, b, ... cost, and its curves."""
    made = market("abcdefgh"[: len(skus)], list(skus), terms)
    needs = made.needs(np.broadcast_to(np.array(most, dtype=float), len(skus)))
    return needs, make_curves(needs, counted=np.full(len(skus), counted))


def terms_of(*, spares: SparesRule | None = None, onboarding: float = 0.0, **sold: Any) -> Terms:
    """Terms of one SKU at one supplier."""
    return Terms(sold={(0, 0): sold}, spares=(spares or SparesRule(),), onboarding=np.array([onboarding]))


def modes(curves: Curves) -> list[tuple[int, int]]:
    """(least need, greatest need) of each mode."""
    return list(zip(curves.low.tolist(), curves.high.tolist(), strict=True))


def test_a_break_is_bought_up_to_where_that_is_cheaper() -> None:
    # 500 x 45.00 = 22,500.00; 450 x 49.99 = 22,495.50 and 451 x 49.99 = 22,545.49: from 451 on, buy 500
    needs, curves = curves_of([BREAK], most=600)
    assert needs.curve(0)[[1, 450, 600]] == pytest.approx([49.99, 22495.50, 27000.0])
    assert needs.curve(0)[451:501] == pytest.approx(np.full(50, 22500.0))
    assert near(curves, needs)
    finer, _ = refined(curves, needs, {0: 450})
    finer, _ = refined(finer, needs, {0: 451})
    hulls = [finer.hull(finer.mode_of(0, n), n) for n in (450, 451)]
    assert hulls == pytest.approx([22495.50, 22500.0])


def test_incremental_tiers_are_reached_at_their_threshold() -> None:
    # 499 at 3.00, the rest at 2.50: a 500th unit costs 2.50, and none is bought before it is needed
    needs, curves = curves_of([Ladder(((1, 3.00), (500, 2.50)), incremental=True)], most=1000)
    assert needs.curve(0)[[1, 499, 500, 1000]] == pytest.approx([3.0, 1497.0, 1499.5, 2749.5])
    assert len(modes(curves)) == 2
    assert curves.low[1] in (499, 500)  # at the kink: the unit at it belongs to either side
    for n in range(1, 1001):
        assert curves.hull(curves.mode_of(0, n), n) == pytest.approx(needs.curve(0)[n])


def test_a_small_break_is_left_in_one_mode_until_a_plan_needs_it() -> None:
    # 3.00 to 499, then 2.999: G(600) = 1,799.899; the chord from G(1) = 3 is 0.084 under G at 499, and 3e-4
    # of G(600) = 0.54 may be
    needs, curves = curves_of([Ladder(((1, 3.00), (500, 2.999)), incremental=True)], most=600)
    assert modes(curves) == [(1, 600)]
    assert curves.hull(0, 499) == pytest.approx(3.0 + 498 * 1796.899 / 599)
    finer, parts = refined(curves, needs, {0: 499})
    assert modes(finer) == [(1, 499), (500, 600)]
    assert parts.tolist() == [0, 0]
    assert finer.hull(0, 499) == pytest.approx(1497.0)
    assert refined(finer, needs, {0: 499})[0].modes == 2  # exact there now


def near(curves: Curves, needs: Needs) -> bool:
    """Whether the hulls of SKUs that have fewer modes than there may be are as near to the cost as asked."""
    far = []
    for t, k in enumerate(curves.tiered.tolist()):
        true = needs.curve(k)
        below = [true[n] - curves.hull(curves.mode_of(t, n), n) for n in range(1, len(true))]
        if (curves.mode_sku == t).sum() < MODES_MAX:
            far.append(max(below) > NEAR * true[-1] + 1e-6)
    return not any(far)


def test_suppliers_with_different_ladders_take_turns() -> None:
    # 20 x 9.00 = 180 = 18 x 10.00: at 18 the smaller order, from 19 the other supplier; 12.00 never serves
    one, other = Ladder(((1, 10.0),)), Ladder(((1, 12.0), (20, 9.0)))
    needs, curves = curves_of([one, other], most=40)
    assert near(curves, needs)
    assert needs.curve(0)[[18, 19, 20, 21]] == pytest.approx([180, 180, 180, 189])


def test_a_supplier_that_sells_several_at_least() -> None:
    _, curves = curves_of([Ladder(((5, 2.0),))], most=8)
    assert modes(curves) == [(1, 8)]
    assert curves.corner_cost.tolist() == [10.0, 10.0, 16.0]  # at 1, 5 and 8


def test_spares_packs_and_taking_on_are_in_the_cost() -> None:
    # 10 a unit in packs of 4, a quarter for spares, 7 once: 1 + 1 -> 4, 3 + 1 -> 4, 4 + 1 -> 8, 6 + 2 -> 8
    terms = terms_of(pack_qty=4, spares=SparesRule(share=0.25), onboarding=7.0)
    needs, _ = curves_of([Ladder(((1, 10.0),))], most=7, terms=terms)
    assert needs.curve(0).tolist() == [0.0, 47.0, 47.0, 47.0, 87.0, 87.0, 87.0, 127.0]


def test_needs_end_where_stock_does() -> None:
    terms = terms_of(stock_qty=9, spares=SparesRule(share=0.25))  # 7 + 2 = 9
    needs, _ = curves_of([Ladder(((1, 10.0),))], most=30, terms=terms)
    assert needs.most.tolist() == [7]
    assert needs.total(np.array([7])) == pytest.approx(90.0)
    assert needs.total(np.array([8])) == np.inf
    assert np.isfinite(needs.of(np.array([0]), np.array([8])))[0]


def test_one_price_makes_no_mode_unless_a_rule_counts_the_sku_or_a_stock_ends() -> None:
    one = [Ladder(((1, 7.0),))]
    _, curves = curves_of(one, [BREAK], [Ladder(((1, 8.0),))], most=[10, 600, 10])
    assert curves.tiered.tolist() == [1]
    assert curves.unit_price.tolist() == [7.0, 0.0, 8.0]
    _, none = curves_of(one, most=10)
    assert (none.modes, len(none.tiered), len(none.corner_mode)) == (0, 0, 0)
    _, counted = curves_of(one, most=10, counted=True)
    assert modes(counted) == [(1, 10)]
    _, scarce = curves_of(one, most=10, terms=terms_of(stock_qty=6))
    assert modes(scarce) == [(1, 6)]


def test_a_sku_that_no_design_uses_has_no_mode() -> None:
    _, curves = curves_of([BREAK], [BREAK], most=[600, 0])
    assert curves.tiered.tolist() == [0]


@pytest.mark.parametrize("seed", range(40))
def test_hulls_are_under_the_cost_counted_unit_by_unit_and_meet_it_at_corners(seed: int) -> None:
    rng, most = np.random.default_rng(seed), 70
    ladders = random_ladders(rng, [10.0, 3.37, 250.0], (1, 4, 15, 50), suppliers=1 + seed % 3)
    terms = random_terms(rng, ladders) if seed % 2 else None
    needs, curves = curves_of(*ladders, most=most, terms=terms)
    assert near(curves, needs)
    for k in range(3):
        exact = sku_costs(terms, ladders[k], k, most)
        sold = int(np.isfinite(exact).sum())
        assert needs.curve(k) == pytest.approx(exact[:sold], abs=1e-6)
        assert (np.diff(needs.curve(k)) >= -1e-6).all()  # a greater need never costs less
        if k not in curves.tiered:
            assert needs.curve(k) == pytest.approx(curves.unit_price[k] * np.arange(sold), abs=1e-5)
            continue
        mine = np.flatnonzero(curves.tiered[curves.mode_sku] == k)
        assert curves.low[mine].tolist() == [1.0, *(curves.high[mine][:-1] + 1)]
        assert curves.high[mine][-1] == needs.most[k] == sold - 1
        assert len(mine) <= MODES_MAX
        for v in mine.tolist():
            check_mode(curves, v, exact)
        everywhere, parts = curves, np.arange(curves.modes)
        for n in range(1, sold):
            everywhere, more = refined(everywhere, needs, {int(np.flatnonzero(curves.tiered == k)[0]): n})
            parts = parts[more]
        for v in range(everywhere.modes):
            assert curves.low[parts[v]] <= everywhere.low[v] <= everywhere.high[v] <= curves.high[parts[v]]
        for n in range(1, sold):
            v = everywhere.mode_of(int(np.flatnonzero(curves.tiered == k)[0]), n)
            assert everywhere.hull(v, n) == pytest.approx(exact[n], abs=1e-5)


def check_mode(curves: Curves, v: int, exact: Any) -> None:
    """Corners convex, from the least to the greatest need; the line between them never above the cost."""
    corners = np.flatnonzero(curves.corner_mode == v)
    units, cost = curves.corner_units[corners], curves.corner_cost[corners]
    assert (units[0], units[-1]) == (curves.low[v], curves.high[v])
    assert all(a < b for a, b in pairwise(units))
    assert all(a < b + 1e-6 for a, b in pairwise(np.diff(cost) / np.diff(units)))
    assert cost == pytest.approx(exact[units.astype(int)], abs=1e-6)
    between = np.arange(int(curves.low[v]), int(curves.high[v]) + 1)
    assert (np.interp(between, units, cost) <= exact[between] + 1e-6).all()


def two_modes() -> Curves:
    """A SKU at 10 each, and at 8 from 4 on."""
    return Curves(
        tiered=np.array([0]),
        unit_price=np.zeros(1),
        mode_sku=np.array([0, 0]),
        low=np.array([1.0, 4.0]),
        high=np.array([3.0, 6.0]),
        corner_mode=np.array([0, 0, 1, 1]),
        corner_units=np.array([1.0, 3.0, 4.0, 6.0]),
        corner_cost=np.array([10.0, 30.0, 32.0, 48.0]),
    )


def test_uses_take_the_cheapest_mode_that_holds_them() -> None:
    w = np.array([[99.0, 99.0], [0.0, 5.0]])  # of the second site: 10 n, 5 + 7 n
    phi = Multipliers(mu=np.array([10.0, 7.0]), w=w).phi(two_modes(), 1, 8)
    assert phi.shape == (1, 9)
    assert phi[0].tolist() == [0.0, 10.0, 19.0, 26.0, 33.0, 40.0, 47.0, np.inf, np.inf]


def test_a_use_is_not_labelled_with_a_mode_of_fewer_units() -> None:
    phi = Multipliers(mu=np.array([1.0, 50.0]), w=np.zeros((1, 2))).phi(two_modes(), 0, 5)
    assert phi[0].tolist() == [0.0, 1.0, 2.0, 3.0, 200.0, 250.0]  # four are not bought where three are most
