"""Heated batteries: energy by degree-hours, against integration and hourly years, and designs by hand."""

from dataclasses import fields
from pathlib import Path

import numpy as np
import pvlib
import pytest

from planner.designs import (
    Choice,
    Prepared,
    Sketch,
    blocking_rule,
    ceilings,
    design_balance,
    make_outline,
    make_sketch,
    prepare,
    site_options,
)
from planner.designs.battery import degrees_under, heater_wh, temp_sd_k
from planner.designs.floors import least_blocks
from planner.designs.strings import need_wh
from tests.designs.builders import battery, catalogue, controller, kit, lithium, module, settings, site

YEARS = Path(pvlib.__file__).parent / "data"


def test_degrees_under_a_base():
    assert degrees_under(10.0, -30.0, 5.0) == pytest.approx(40.0)  # all hours lie under it
    assert degrees_under(-40.0, 20.0, 5.0) == pytest.approx(0.0, abs=1e-9)  # none does
    assert degrees_under(3.0, 3.0, 5.0) == pytest.approx(5.0 / np.sqrt(2 * np.pi))  # half of a normal


@pytest.mark.parametrize("mean_c", [-35.0, -20.0, -6.0, 0.0, 4.0, 15.0])
def test_heater_energy_is_that_of_integration(mean_c):
    """Against the mean over a million normal hours of the share of power that each asks for."""
    hours = mean_c + 7.0 * np.random.default_rng(1).standard_normal(1_000_000)
    share = np.clip((2.0 - hours) / 27.0, 0.0, 1.0).mean()  # keeps 2 C, full power at -25 C
    assert heater_wh(30.0, 2.0, -25.0, mean_c, 7.0) == pytest.approx(30.0 * 24 * share, abs=1.0)


def test_heater_works_between_nothing_and_full_power():
    assert heater_wh(30.0, 0.0, -20.0, -60.0, 5.0) == pytest.approx(720.0)
    assert heater_wh(30.0, 0.0, -20.0, 30.0, 5.0) == pytest.approx(0.0, abs=1e-6)
    assert heater_wh(30.0, 0.0, -20.0, -10.0, 0.01) == pytest.approx(360.0, abs=0.1)  # half way down
    assert heater_wh(30.0, -20.0, -20.0, -30.0, 5.0) == 0.0  # may be charged as cold as it may stand
    energy = heater_wh(30.0, 0.0, -20.0, np.linspace(-50, 30, 100), 6.0)
    assert (np.diff(energy) <= 1e-9).all()  # never more in a milder month


def hourly_years():
    """Air temperature by month of the typical years that pvlib ships, colder than 0 C at some hour."""
    sand_point, _ = pvlib.iotools.read_tmy3(YEARS / "703165TY.csv", coerce_year=2001, map_variables=True)
    greensboro, _ = pvlib.iotools.read_tmy3(YEARS / "723170TYA.CSV", coerce_year=2001, map_variables=True)
    return {"Sand Point": sand_point.temp_air, "Greensboro": greensboro.temp_air}


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("place", ["Sand Point", "Greensboro"])
def test_heater_energy_is_that_of_hourly_years(place):
    """From months and the coldest hour alone: at most a tenth under hour by hour, and half above."""
    air = hourly_years()[place]
    month = air.groupby(air.index.month)
    mean = month.mean().to_numpy()
    sd = temp_sd_k(mean, float(air.min()))
    ours = heater_wh(30.0, 0.0, -25.0, mean, sd)
    hourly = (np.clip(-air / 25.0, 0.0, 1.0) * 30.0 * 24).groupby(air.index.month).mean().to_numpy()
    winter = hourly > 5.0
    assert winter.sum() >= 3
    assert 0.9 <= ours[winter].sum() / hourly[winter].sum() < 1.5


COLD = {"temp_air_min_c": -25.0, "temp_air_c": np.full(12, -20.0), "load_w": 10.0, "sun_hours": 2.0}


def designs(*, store, inputs=None, **changed):
    cat = catalogue(module(), store, controller(own_draw_w=0.0, pv_input_max_a=60.0))
    inputs = inputs or site(**(COLD | changed))
    return site_options(inputs, catalogue=cat, system_voltage_v=12, settings=settings())


def least(options):
    """Modules and battery strings of the design with fewest modules."""
    modules = options.modules_parallel * options.modules_series
    p, a = np.unravel_index(np.argmin(np.where(modules > 0, modules, 999)), modules.shape)
    return int(modules[p, a]), int(options.batteries_parallel[p, a])


def test_heaters_are_load_of_the_array_by_day_and_not_of_the_reserve():
    # three days of 240 Wh are 720 Wh; a string gives 640 x 0.9 x 0.8 = 460.8 Wh: two, heated or not.
    # -20 C is half way from 0 C to the block's -40 C: 10 W x 24 h / 2 = 120 Wh a block.
    # heated: 1.1 x (120 + 240 + 120 / 0.95) = 534.9 Wh; a module gives 100 x 2 x 0.97 x 0.885 = 171.7: four;
    # where charging in the cold is allowed: 1.1 x 246.3 = 270.9 Wh: two
    assert least(designs(store=lithium(heater_w=10.0))) == (4, 2)
    assert least(designs(store=lithium(charge_temp_min_c=-40.0))) == (2, 2)
    assert least(designs(store=lithium(heater_w=10.0, charge_temp_min_c=-40.0))) == (2, 2)


def test_charge_current_adds_heated_strings_and_those_add_modules():
    # 400 W at 13.5 V are held at the tracker's 20 A: four strings of 6 A. Their heaters draw 480 Wh:
    # 1.1 x (120 + 480 + 126.3) = 799 Wh are five modules, which charge with no more than those 20 A
    assert least(designs(store=lithium(heater_w=10.0, charge_current_max_a=6.0))) == (5, 4)
    few = lithium(heater_w=10.0, charge_current_max_a=6.0, batteries_parallel_max=3)
    assert not designs(store=few).modules_parallel.size


def test_heater_only_draws_in_months_that_need_it():
    months = np.r_[np.full(3, -20.0), np.full(9, 12.0)]
    cat = catalogue(module(), lithium(heater_w=10.0), controller(own_draw_w=0.0))
    inputs = site(**(COLD | {"temp_air_c": months, "temp_air_min_c": -25.0}))
    choice = Choice(
        kit=0, battery=0, batteries_series=1, batteries_parallel=2, charge_setpoint_v=14.2, module=0,
        modules_series=1, modules_parallel=4, controller=0, controllers=1,
    )  # fmt: skip
    balance = design_balance(inputs, choice, catalogue=cat, settings=settings())
    assert balance.heater_wh_day[:3] == pytest.approx(np.full(3, 240.0), rel=0.01)
    assert balance.heater_wh_day[3:] == pytest.approx(np.zeros(9), abs=1e-6)
    assert balance.load_wh_day[0] - balance.load_wh_day[6] == pytest.approx(balance.heater_wh_day[0])
    assert balance.autonomy_days == pytest.approx(2 * 460.8 / 240)  # heaters rest while it is used
    assert balance.array_to_load_ratio[0] == pytest.approx(
        4 * 100 * 2 * 0.97 * 0.97 * 0.98 * 0.98 * 0.95 / (120 + 240 + 120 / 0.95), rel=0.01
    )


def test_heated_battery_stands_no_more_cold_than_its_maker_allows():
    store = lithium(heater_w=10.0, temp_min_c=-18.0)
    assert not designs(store=store).modules_parallel.size
    cat = catalogue(module(), store, controller())
    refusal = blocking_rule("S1", [(12, site(**COLD))], kit_refusals=(), catalogue=cat, settings=settings())
    assert (refusal.rule, refusal.value, refusal.limit) == ("battery-cold", -20.0, -18.0)


def test_array_that_heaters_outdo_is_named():
    # two strings of four modules in 0.7 h of sun: 480.7 Wh; 240 of load through the night and 240 of heat
    inputs = site(**(COLD | {"sun_hours": 0.7, "module_area_max_m2": 5.6}))
    cat, chosen = catalogue(module(), lithium(heater_w=10.0), controller(own_draw_w=0.0)), settings()
    refusal = blocking_rule("S1", [(12, inputs)], kit_refusals=(), catalogue=cat, settings=chosen)
    assert refusal.rule == "array-area"
    assert refusal.value == pytest.approx(800 * 0.7 * 0.97 * 0.885 / (120 + 240 + 120 / 0.95), rel=1e-3)


def test_lead_acid_needs_no_heater_and_pays_for_none():
    assert designs(store=battery(capacity_ah=250.0)).modules_parallel.size > 0


def sketch(p: Prepared) -> Sketch:
    return make_sketch(make_outline(p), p)


def test_fewest_and_most_strings_bound_all_others():
    """A sketch and ceilings are those of rows of every number of strings, for one kit and for two."""
    store = lithium(heater_w=10.0, batteries_parallel_max=40)
    cat = catalogue(module(), store, battery(), controller(own_draw_w=0.0, pv_input_max_a=60.0))
    for load_w in (10.0, 35.0):
        inputs = site(kit(), kit(max_current_a=90.0), **(COLD | {"load_w": load_w}))
        made = [
            prepare(inputs, catalogue=cat, system_voltage_v=12, settings=settings(), ends=ends)
            for ends in (False, True)
        ]
        every, ends = (len(one.stores.kit) for one in made)
        assert ends < every
        for of in (sketch, ceilings):
            one, other = (of(p) for p in made)
            for field in fields(one):
                assert np.array_equal(getattr(one, field.name), getattr(other, field.name)), field.name


def test_more_strings_cost_no_less_and_ask_for_no_less():
    """So the fewest stand for all in a sketch: more strings take no fewer blocks and no less array."""
    cat = catalogue(module(), lithium(heater_w=10.0, batteries_parallel_max=40), controller())
    inputs = site(**(COLD | {"other_supply_wh_day": np.full(12, 100.0)}))
    p = prepare(inputs, catalogue=cat, system_voltage_v=12, settings=settings())
    assert len(p.stores.kit) > 30
    blocks = least_blocks(p, np.zeros(1))[:, 0]
    d = p.demands
    need = need_wh(inputs, inputs.day_wh[d.kit], inputs.night_wh[d.kit], d.heat_wh, d.efficiency, np.zeros(1))
    assert (np.diff(blocks) >= 0).all()
    assert (np.diff(need[d.row, 0], axis=0) >= 0).all()
