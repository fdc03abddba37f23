"""Designs on the steps of a curve, against every design of a small catalogue, one after the other."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from planner.designs import Choice, blocking_rule, design_balance, site_options
from planner.designs.inputs import SiteInputs
from planner.reliability import SiteCurve, Step
from tests.designs.builders import battery, catalogue, controller, module, settings, site

PARTS = catalogue(
    module(), battery(batteries_parallel_max=40), controller(output_max_a=200.0, pv_input_max_a=200.0)
)
RATIO = np.array([1.0, 1.1, 1.3, 1.6, 2.0, 3.0])


def curve(*days: float) -> SiteCurve:
    return SiteCurve(availability=0.99, ratio=RATIO, days=np.array(days))


CURVES = [
    curve(12.0, 9.0, 5.5, 4.0, 3.4, 2.0),
    curve(np.inf, np.inf, 20.0, 6.0, 6.0, 5.9),
    curve(1.0, 1.0, 1.0, 1.0, 1.0, 1.0),
]


def on_steps(inputs: SiteInputs, one: SiteCurve) -> set[tuple[int, int]]:
    """Modules and blocks of all designs with one controller on the curve's steps."""
    steps = one.steps(ratio_least=inputs.array_to_load_ratio, days_least=inputs.autonomy_days)
    found = set()
    for step in steps:
        options = site_options(
            replace(inputs, step=step), catalogue=PARTS, system_voltage_v=12, settings=settings()
        )
        row, column = np.nonzero(options.modules_parallel * (options.controllers == 1))
        modules = (options.modules_parallel * options.modules_series)[row, column]
        blocks = options.batteries_parallel[row, column]
        found |= set(zip(modules.tolist(), blocks.tolist(), strict=True))
    return found


def one_by_one(inputs: SiteInputs, one: SiteCurve) -> set[tuple[int, int]]:
    """The same by trying every number of strings, with the rule as it is said: days >= need(ratio)."""
    found = set()
    for strings in range(1, 36):
        for blocks in range(1, 41):
            choice = Choice(
                kit=0, battery=0, batteries_series=1, batteries_parallel=blocks, charge_setpoint_v=14.4,
                module=0, modules_series=1, modules_parallel=strings, controller=0, controllers=1,
            )  # fmt: skip
            balance = design_balance(inputs, choice, catalogue=PARTS, settings=settings())
            ratio, days = balance.array_to_load_ratio.min(), balance.autonomy_days
            below = [d for r, d in zip(RATIO.tolist(), one.days.tolist(), strict=True) if r <= ratio]
            if (
                ratio >= inputs.array_to_load_ratio
                and days >= inputs.autonomy_days
                and below
                and days >= below[-1]
                and balance.daily_depth <= 0.20  # lead-acid, as set
                and balance.charge_current_a <= 25.0 * blocks
            ):
                found.add((strings, blocks))
    return found


@pytest.mark.parametrize("one", CURVES, ids=["falling", "open", "flat"])
@pytest.mark.parametrize(("days", "ratio"), [(0.0, 0.0), (3.0, 1.1), (5.0, 1.5), (8.0, 0.0)])
def test_cheapest_at_any_prices_is_the_cheapest_of_all(one: SiteCurve, days: float, ratio: float) -> None:
    inputs = site(load_w=20.0, autonomy_days=days, array_to_load_ratio=ratio)
    ours, all_of_them = on_steps(inputs, one), one_by_one(inputs, one)
    assert ours <= all_of_them  # none that does not hold
    for price in np.random.default_rng(3).lognormal(0.0, 1.5, (50, 2)):
        best = [min(float(np.dot(design, price)) for design in some) for some in (ours, all_of_them)]
        assert best[0] == pytest.approx(best[1], rel=1e-12)


def test_more_is_never_asked_of_a_larger_array() -> None:
    for one in CURVES:
        steps = one.steps(ratio_least=0.0, days_least=0.0)
        assert all(a.ratio < b.ratio and a.days > b.days for a, b in pairwise(steps))
        assert all(np.isfinite(step.days) for step in steps)


def test_a_raised_curve_takes_the_step_from_under_the_design() -> None:
    one = CURVES[0]
    raised = one.raised(ratio=1.35, days=7.0, share=0.1)  # had 7.0 days where 5.5 were asked
    assert raised.need(1.35) == pytest.approx(1.1 * 7.0)
    assert raised.days == pytest.approx(one.days * 1.1 * 7.0 / 5.5)
    assert (one.raises, raised.raises) == (0, 1)
    just_under = one.raised(ratio=1.3 - 1e-9, days=5.6, share=0.1)  # rounding: it stands on 1.3
    assert just_under.need(1.3) > 5.6


def test_a_battery_too_small_for_the_curve_names_the_availability() -> None:
    parts = catalogue(module(), battery(), controller(output_max_a=200.0, pv_input_max_a=200.0))
    step = Step(availability=0.999, ratio=1.2, days=20.0)
    inputs = site(load_w=10.0, autonomy_days=5.0, temp_cold_spell_c=25.0, step=step)
    refusal = blocking_rule("S1", [(12, inputs)], kit_refusals=(), catalogue=parts, settings=settings())
    assert (refusal.rule, refusal.limit, refusal.unit) == ("battery-availability", 20.0, "days")
    assert refusal.value == pytest.approx(4 * 1200 * 0.5 * 0.8 / 240)  # as for the days of autonomy
    assert "weather-only energy availability of 99.9 %" in refusal.message
    asked = replace(inputs, autonomy_days=21.0)
    refusal = blocking_rule("S1", [(12, asked)], kit_refusals=(), catalogue=parts, settings=settings())
    assert (refusal.rule, refusal.limit) == ("battery-size", 21.0)


def test_an_availability_that_no_battery_holds_is_refused() -> None:
    one = curve(*[np.inf] * 6)
    (step,) = one.steps(ratio_least=1.1, days_least=5.0)
    inputs = site(load_w=10.0, step=step)
    options = site_options(inputs, catalogue=PARTS, system_voltage_v=12, settings=settings())
    assert not options.modules_parallel.size
    refusal = blocking_rule("S1", [(12, inputs)], kit_refusals=(), catalogue=PARTS, settings=settings())
    assert refusal.rule == "battery-availability"
    assert "inf " not in refusal.message
