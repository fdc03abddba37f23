"""How long batteries live, and what replacing them is worth today."""

import numpy as np
import pytest

from planner.designs.battery import calendar_life_years, replacement_factor


@pytest.mark.parametrize(
    ("temp_c", "share"),
    # Life halves per 10 K above 25 C (rule of Arrhenius, from memory): 0.5 at 35 C, 0.25 at 45 C.
    [(25.0, 1.0), (35.0, 0.5), (45.0, 0.25), (30.0, 2**-0.5), (10.0, 1.0)],
)
def test_life_halves_every_ten_kelvin(temp_c: float, share: float) -> None:
    assert calendar_life_years(8.0, np.full(12, temp_c)) == pytest.approx(8.0 * share)


def test_hot_months_age_more_than_cool_ones_save() -> None:
    # half a year at 45 C ages by 4 years a year, the rest by 1: 2.5, so 10 years last 4; at 35 C all year, 5
    months = np.repeat([25.0, 45.0], 6)
    assert calendar_life_years(10.0, months) == pytest.approx(4.0)
    assert calendar_life_years([10.0, 5.0], months) == pytest.approx([4.0, 2.0])


@pytest.mark.parametrize(
    ("life", "rate", "worth"),
    [
        (5.0, 0.05, 1.05**-5 + 1.05**-10),  # at 5 and 10 years; at the end of 15 nobody buys
        (4.0, 0.05, 1.05**-4 + 1.05**-8 + 1.05**-12),
        (4.0, 0.0, 3.0),
        (15.0, 0.05, 0.0),
        (40.0, 0.0, 0.0),
        (7.6, 0.08, 1.08**-7.6),
    ],
)
def test_replacements_are_discounted_to_when_they_are_bought(
    life: float, rate: float, worth: float
) -> None:
    assert replacement_factor(life, horizon_years=15.0, discount_rate=rate) == pytest.approx(worth, abs=1e-12)


def test_a_longer_life_never_costs_more() -> None:
    worth = replacement_factor(np.linspace(0.5, 20.0, 400), horizon_years=15.0, discount_rate=0.06)
    assert (np.diff(worth) <= 1e-12).all()
