"""Spares: published counts, the Poisson sum term by term, shares."""

import numpy as np
import pytest

from planner.fleet.spares import SparesRule, failures, poisson_spares
from tests.fleet.brute import spares_count


def test_mean_of_three_failures() -> None:
    # Poisson, mean 3: P(X <= 3) = 0.647, P(X <= 5) = 0.916, P(X <= 6) = 0.966 (tables of the distribution)
    mean = np.array([3.0])
    assert poisson_spares(mean, 0.95).tolist() == [6]
    assert poisson_spares(mean, 0.647).tolist() == [3]
    assert poisson_spares(mean, 0.648).tolist() == [4]


def test_a_hundred_units_of_twenty_years() -> None:
    # 100 units x 90 days / (20 x 365 days) = 1.233 (recomputed; 1.232 in years of 365.25 days): 3 at 95 %
    each = failures(20.0, 90 / 7)
    assert 100 * each == pytest.approx(1.233, abs=0.001)
    assert SparesRule(failures_per_unit=each, protection=0.95).count(np.array([100])).tolist() == [3]


@pytest.mark.parametrize("protection", [0.5, 0.9, 0.95, 0.999])
@pytest.mark.parametrize("each", [1e-4, 0.02, 0.7])
@pytest.mark.parametrize("share", [0.0, 0.05, 1.0])
def test_counts_equal_the_sum_term_by_term(share: float, each: float, protection: float) -> None:
    rule = SparesRule(share=share, failures_per_unit=each, protection=protection)
    units = np.arange(200)
    assert rule.count(units).tolist() == [spares_count(rule, int(n)) for n in units]


def test_a_share_is_rounded_up_and_none_is_none() -> None:
    assert SparesRule(share=0.05).count(np.array([0, 1, 20, 21, 60, 100])).tolist() == [0, 1, 1, 2, 3, 5]
    assert SparesRule(share=0.1).count(np.array([30])).tolist() == [3]  # 0.1 x 30 is no more than 3
    assert SparesRule().count(np.array([0, 7])).tolist() == [0, 0]
    assert SparesRule(failures_per_unit=1.0, protection=0.99).count(np.array([0])).tolist() == [0]


def test_more_units_or_protection_never_take_fewer_spares() -> None:
    units = np.arange(500)
    counts = [SparesRule(failures_per_unit=0.03, protection=p).count(units) for p in (0.8, 0.95, 0.99)]
    assert all((np.diff(count) >= 0).all() for count in counts)
    assert (counts[0] <= counts[1]).all()
    assert (counts[1] <= counts[2]).all()
