"""Sizing against common practice (no source): a 15.25 W and an 11.5 W load around the clock at 4.5 peak sun
hours are given 172 and 129 W of panel and, at 12 V, one day, not below half charge, 62 and 47 Ah.
"""

import pytest

from planner.designs import battery, pv_array
from planner.settings import ArraySettings, Policy

HOURS, PEAK_SUN_HOURS = 24.0, 4.5
PRACTICE = {15.25: (172.0, 62.0), 11.5: (129.0, 47.0)}


def panel_w(load_w: float) -> float:
    """Continuous watts behind a tracker of 96 %, half of the load by night through a battery of 85 %."""
    need = Policy().array_to_load_ratio * (1 + Policy().load_margin) * load_w * HOURS / 2 * (1 + 1 / 0.85)
    one = pv_array.mppt_wh(
        1.0, -0.004, 1000.0 * PEAK_SUN_HOURS, 25.0, pv_array.derating(ArraySettings()) * 0.96
    )
    return need / float(one)


def battery_ah(load_w: float) -> float:
    """Ampere-hours at 12 V for a day, to half charge, with temperature, ageing and margin off."""
    factor = battery.temperature_factor(25.0, True)
    return load_w * HOURS / float(battery.usable_wh(12.0, 0.5, 1.0, factor))


def test_panel_need_scales_as_practice_does() -> None:
    (more, (more_w, _)), (less, (less_w, _)) = PRACTICE.items()
    assert panel_w(more) / panel_w(less) == pytest.approx(more_w / less_w, rel=0.015)


@pytest.mark.parametrize(("load_w", "wanted"), list(PRACTICE.items()))
def test_battery_need_is_practice(load_w: float, wanted: tuple[float, float]) -> None:
    # 15.25 W x 24 h = 366 Wh; / 12 V = 30.5 Ah; / 0.5 = 61 Ah
    assert battery_ah(load_w) == pytest.approx(wanted[1], rel=0.03)


def test_panel_watts_lie_between_no_losses_and_practice() -> None:
    for load_w, (practice_w, _) in PRACTICE.items():
        assert load_w * HOURS / PEAK_SUN_HOURS < panel_w(load_w) < practice_w
