"""All feasible designs against plain loops over every part, and what must follow from more load or cold."""

from collections import defaultdict
from dataclasses import replace

import numpy as np
import pytest

from planner.designs import Choice, blocking_rule, design_balance, site_options
from planner.designs.columns import make_columns
from planner.designs.options import without_longer_strings
from planner.tables.rows import BusGrounding
from tests.designs.brute import Brute
from tests.designs.builders import battery, catalogue, controller, kit, lithium, module, pwm, settings, site

SEEDS = range(120)


def random_modules(pick):
    """A 36-cell module and a 60-cell one."""
    return [
        module(
            sku="M1",
            nameplate_w=pick(50.0, 100.0),
            i_sc_a=pick(3.0, 6.0),
            i_mp_a=pick(2.7, 5.5),
            system_voltage_max_v=pick(60.0, 600.0),
            temp_min_c=pick(-40.0, -20.0),
            temp_max_c=pick(85.0, 60.0),
            pressure_max_pa=pick(None, 1600.0),
        ),
        module(
            sku="M2",
            nameplate_w=330.0,
            v_oc_v=41.0,
            v_mp_v=34.3,
            i_sc_a=10.2,
            i_mp_a=9.62,
            gamma_pmp_per_k=-0.0035,
            length_m=1.69,
        ),
    ]


def random_batteries(pick):
    """AGM, gel, and lithium of 12 and 24 V."""
    return [
        battery(
            sku="B1",
            capacity_ah=pick(18.0, 100.0),
            charge_current_max_a=pick(4.5, 25.0),
            batteries_parallel_max=pick(2, 4, 12),
            batteries_series_max=pick(2, 4),
            equalise_v=pick(None, 15.0),
        ),
        battery(
            sku="B2",
            chemistry="gel",
            charge_v=14.2,
            temp_compensation_v_per_k=-0.03,
            disconnect_v=11.5,
            capacity_ah=pick(110.0, 250.0),
            round_trip_efficiency=0.84,
            depth_of_discharge_max=0.6,
        ),
        lithium(
            sku="L1",
            charge_temp_min_c=pick(0.0, -30.0),
            heater_w=pick(0.0, 4.0, 15.0),
            batteries_parallel_max=8,
            charge_current_max_a=pick(5.0, 25.0),
        ),
        lithium(
            sku="L2",
            nominal_v=25.6,
            cells=8,
            charge_v=28.4,
            charge_min_v=28.0,
            charge_max_v=29.2,
            disconnect_v=24.0,
            charge_temp_min_c=pick(-30.0, 2.0),
            heater_w=pick(0.0, 20.0),
            discharge_current_max_a=pick(1.5, 50.0),
        ),
    ]


def random_controllers(pick):
    """A PWM controller, a small tracker, and one that may ignore temperature or charge too low."""
    return [
        pwm(sku="P", output_max_a=pick(10.0, 20.0), charge_max_v=pick(15.0, 31.0, 62.0)),
        controller(
            sku="T1",
            output_max_a=pick(3.0, 8.0),
            pv_input_max_a=pick(14.0, 40.0, 90.0),
            own_draw_w=pick(0.2, 1.5),
            headroom_v=pick(0.5, 3.0),
            load_terminal_max_a=pick(None, 1.0, 20.0),
            common_terminal=pick("negative", "none"),
        ),
        controller(
            sku="T2",
            charge_max_v=pick(14.3, 28.2, 62.0),
            temp_compensated=pick(True, True, False),
            pv_input_max_v=pick(60.0, 150.0),
            temp_min_c=pick(-40.0, -10.0),
            common_terminal=pick("negative", "positive"),
        ),
    ]


def random_kits(pick, base):
    """A wide kit, one on load terminals, one with limits; `base` is the system voltage over 12."""
    return [
        kit(input_min_v=9.0 * base, input_max_v=60.0),
        kit(
            input_min_v=pick(10.0, 11.3) * base,
            input_max_v=pick(14.5, 15.0, 15.6) * base,
            load_terminal=True,
            max_current_a=pick(0.5, 2.0),
            groundings=pick(tuple(BusGrounding), (BusGrounding.NEGATIVE,)),
        ),
        kit(
            input_max_v=pick(15.2, 17.0) * base, temp_min_c=pick(-40.0, -15.0), max_current_a=pick(0.5, 30.0)
        ),
    ]


def random_case(seed):
    """A small catalogue and a site, drawn so that every rule bites now and then."""
    rng = np.random.default_rng(seed)

    def pick(*values):
        return values[int(rng.integers(len(values)))]

    volts = pick(12, 24, 48)
    cat = catalogue(*random_modules(pick), *random_batteries(pick), *random_controllers(pick))
    kits = random_kits(pick, volts / 12)
    hours = 12.0 - rng.uniform(0, 7) * np.cos(2 * np.pi * (np.arange(12) + 0.5) / 12)
    other = np.where(rng.random(12) < 0.2, rng.uniform(0, 500), 0.0)
    coldest = pick(8.0, -4.0, -12.0, -18.0, -38.0)
    inputs = site(
        *kits,
        load_w=rng.uniform(0.5, pick(4.0, 15.0, 40.0), 3),
        sun_hours=rng.uniform(pick(0.6, 1.5, 3.0), 6.0, 12),
        day_hours=hours,
        temp_air_min_c=coldest,
        temp_air_c=coldest + rng.uniform(4.0, 25.0, 12),
        temp_air_max_c=pick(20.0, 35.0),
        temp_cold_spell_c=rng.uniform(-25.0, 20.0),
        temp_cell_c=rng.uniform(-10.0, 45.0, 12),
        other_supply_wh_day=other if pick(True, False) else np.zeros(12),
        autonomy_days=pick(0.5, 2.0, 5.0),
        module_area_max_m2=pick(None, None, 1.5, 6.0),
        bus_grounding=pick(*[BusGrounding.NEGATIVE] * 4, *BusGrounding),
        enclosure_damping_k=pick(None, None, 8.0),
        enclosure_rise_k=pick(None, None, 12.0),
        recovery_days_max=pick(None, None, 10.0, 30.0),
        wind_design_m_s=pick(None, None, None, 30.0, 50.0),
    )
    policy, stores = {"controllers_max": pick(1, 2, 4)}, {"equalise_required": pick(False, False, True)}
    limits = {"units_least": random_units(pick), "units_most": random_units(pick)}
    return replace(inputs, **limits), cat, volts, settings(policy=policy, battery=stores)


def random_units(pick):
    """Units of some parts that must be kept, or that there are of those not for sale; often of none."""
    modules, batteries, controllers = pick(0, 0, 1, 4, 7), pick(0, 0, 2, 3, 5), pick(0, 0, 0, 1, 2)
    units = {pick("M1", "M2"): modules, pick("B1", "B2", "L1", "L2"): batteries, pick("P", "T1"): controllers}
    return {sku: number for sku, number in units.items() if number}


def front(rows):
    """Least (modules, controllers, blocks): rows that no other one equals or undercuts in all three."""
    return {
        row
        for row in rows
        if not any(other != row and all(a <= b for a, b in zip(other, row, strict=True)) for other in rows)
    }


def listed(options):
    """Designs as (kit, battery, module, controller) to rows like those of the plain loops."""
    found = defaultdict(list)
    for p, a in np.argwhere(options.modules_parallel > 0):
        key = options.kit[p], options.battery[p], options.module[a], options.controller[a]
        found[tuple(int(i) for i in key)].append(
            (
                int(options.modules_series[a]),
                int(options.modules_parallel[p, a]),
                int(options.controllers[a]),
                int(options.batteries_parallel[p, a]),
                float(options.charge_setpoint_v[p]),
            )
        )
    return dict(found)


@pytest.mark.parametrize("seed", SEEDS)
def test_designs_are_those_of_plain_loops(seed):
    inputs, cat, volts, chosen = random_case(seed)
    expected = Brute(inputs, cat, volts, chosen).designs()
    found = listed(site_options(inputs, catalogue=cat, system_voltage_v=volts, settings=chosen))
    assert set(found) == set(expected)
    for key, rows in expected.items():
        assert {row[:4] for row in found[key]} <= {row[:4] for row in rows}
        assert {round(row[4], 9) for row in found[key]} == {round(row[4], 9) for row in rows}
        least = front([(row[0] * row[1], row[2], row[3]) for row in rows])
        assert front([(row[0] * row[1], row[2], row[3]) for row in found[key]]) == least


def test_random_cases_try_every_rule():
    """The cases hold many designs and none, clipping, several controllers, lowered setpoints, refusals.

    And each of the rules that a site or a part may leave out changes the designs of some of them.
    """
    sizes, several, clipped, setpoints, rules = [], 0, 0, set(), set()
    changed = dict.fromkeys(("recovery", "wind", "ground", "heater", "equalise", "constant"), 0)
    for seed in SEEDS:
        inputs, cat, volts, chosen = random_case(seed)
        options = site_options(inputs, catalogue=cat, system_voltage_v=volts, settings=chosen)
        sizes.append(int((options.modules_parallel > 0).sum()))
        several += int((options.controllers > 1).sum())
        setpoints |= set(np.round(options.charge_setpoint_v, 3))
        strong = tuple(part.model_copy(update={"output_max_a": 200.0}) for part in cat.controllers)
        free = site_options(
            inputs, catalogue=replace(cat, controllers=strong), system_voltage_v=volts, settings=chosen
        )
        clipped += int(options.modules_parallel.sum() != free.modules_parallel.sum())
        for name, other in without_a_rule(inputs, cat, chosen).items():
            without = site_options(other[0], catalogue=other[1], system_voltage_v=volts, settings=other[2])
            changed[name] += int(listed(without) != listed(options))
        if not sizes[-1]:
            reason = blocking_rule("S1", [(volts, inputs)], kit_refusals=(), catalogue=cat, settings=chosen)
            rules.add(reason.rule)
    assert sizes.count(0) > 5
    assert max(sizes) > 40
    assert several > 40
    assert clipped > 20
    assert len(setpoints) > 8
    assert len(rules) > 1
    assert min(changed.values()) > 2, changed


def without_a_rule(inputs, cat, chosen):
    """The case without each rule: what would be asked then."""
    cold = tuple(part.model_copy(update={"heater_w": 0.0}) for part in cat.batteries)
    blind = tuple(part.model_copy(update={"temp_compensated": True}) for part in cat.controllers)
    plain = chosen.battery.model_copy(update={"equalise_required": False})
    return {
        "recovery": (replace(inputs, recovery_days_max=None), cat, chosen),
        "wind": (replace(inputs, wind_design_m_s=None), cat, chosen),
        "ground": (replace(inputs, bus_grounding=BusGrounding.FLOATING), cat, chosen),
        "heater": (inputs, replace(cat, batteries=cold), chosen),
        "equalise": (inputs, cat, chosen.model_copy(update={"battery": plain})),
        "constant": (inputs, replace(cat, controllers=blind), chosen),
    }


@pytest.mark.parametrize("seed", SEEDS)
def test_balance_repeats_what_admitted_the_design(seed):
    inputs, cat, volts, chosen = random_case(seed)
    o = site_options(inputs, catalogue=cat, system_voltage_v=volts, settings=chosen)
    for p, a in np.argwhere(o.modules_parallel > 0)[::7]:
        choice = Choice(
            kit=o.kit[p],
            battery=o.battery[p],
            batteries_series=o.batteries_series[p],
            batteries_parallel=int(o.batteries_parallel[p, a]),
            charge_setpoint_v=float(o.charge_setpoint_v[p]),
            module=o.module[a],
            modules_series=o.modules_series[a],
            modules_parallel=int(o.modules_parallel[p, a]),
            controller=o.controller[a],
            controllers=o.controllers[a],
        )
        balance = design_balance(inputs, choice, catalogue=cat, settings=chosen)
        one_kit, store, box = (
            inputs.kits[o.kit[p]],
            cat.batteries[o.battery[p]],
            cat.controllers[o.controller[a]],
        )
        assert balance.array_to_load_ratio.min() >= inputs.array_to_load_ratio - 1e-6
        assert balance.autonomy_days >= inputs.autonomy_days - 1e-6
        assert balance.recovery_days <= (inputs.recovery_days_max or np.inf) + 1e-6
        assert (
            one_kit.input_min_v - 1e-9 <= balance.bus_low_v < balance.bus_high_v <= one_kit.input_max_v + 1e-9
        )
        assert balance.string_cold_v_oc_v <= box.pv_input_max_v
        assert (
            balance.string_hot_v_mp_v
            >= o.charge_setpoint_v[p] * o.batteries_series[p] + box.headroom_v - 1e-9
        )
        assert balance.charge_current_a <= store.charge_current_max_a * choice.batteries_parallel + 1e-9
        if choice.modules_parallel > 1:  # and one string less does not carry the load, or keep the modules
            less = design_balance(
                inputs,
                replace(choice, modules_parallel=choice.modules_parallel - 1),
                catalogue=cat,
                settings=chosen,
            )
            slow = less.recovery_days > (inputs.recovery_days_max or np.inf)
            short = (choice.modules_parallel - 1) * choice.modules_series < inputs.units_least.get(
                cat.modules[choice.module].sku, 0
            )
            assert slow or short or less.array_to_load_ratio.min() < inputs.array_to_load_ratio


@pytest.mark.parametrize("seed", SEEDS)
def test_a_site_has_designs_or_a_reason(seed):
    inputs, cat, volts, chosen = random_case(seed)
    options = site_options(inputs, catalogue=cat, system_voltage_v=volts, settings=chosen)
    reason = blocking_rule("S1", [(volts, inputs)], kit_refusals=(), catalogue=cat, settings=chosen)
    if not options.modules_parallel.size:
        assert reason.message
    else:  # no rule claims to block a site that has designs
        assert reason.rule == "parts-together"


def least_units(inputs, cat, volts, chosen):
    """Least modules and least blocks for each (kit, battery, module, controller)."""
    options = site_options(inputs, catalogue=cat, system_voltage_v=volts, settings=chosen)
    return {
        key: (min(s * n for s, n, *_ in rows), min(row[3] for row in rows))
        for key, rows in listed(options).items()
    }


@pytest.mark.parametrize("seed", range(25))
@pytest.mark.parametrize("change", ["load", "autonomy", "ratio", "cold", "less sun"])
def test_more_asked_never_needs_less(seed, change):
    inputs, cat, volts, chosen = random_case(seed)
    inputs = replace(inputs, module_area_max_m2=None)
    harder = {
        "load": {"day_wh": inputs.day_wh * 1.25, "night_wh": inputs.night_wh * 1.25},
        "autonomy": {"autonomy_days": inputs.autonomy_days * 1.4},
        "ratio": {"array_to_load_ratio": inputs.array_to_load_ratio * 1.2},
        "cold": {"temp_cold_spell_c": inputs.temp_cold_spell_c - 12.0},
        "less sun": {
            "poa_wh_m2_day": inputs.poa_wh_m2_day * 0.8,
            "poa_clipped_wh_m2_day": inputs.poa_clipped_wh_m2_day * 0.8,
        },
    }[change]
    before = least_units(inputs, cat, volts, chosen)
    after = least_units(replace(inputs, **harder), cat, volts, chosen)
    assert set(after) <= set(before)
    for key, (modules, blocks) in after.items():
        assert modules >= before[key][0]
        assert blocks >= before[key][1]


@pytest.mark.parametrize("seed", range(25))
def test_colder_extremes_never_add_batteries_to_choose_from(seed):
    """At fixed irradiation, a colder minimum needs no fewer rated Wh of a battery, and admits no new one."""
    inputs, cat, volts, chosen = random_case(seed)
    before = least_units(inputs, cat, volts, chosen)
    after = least_units(replace(inputs, temp_air_min_c=inputs.temp_air_min_c - 15.0), cat, volts, chosen)
    assert {key[:2] for key in after} <= {key[:2] for key in before}
    for key, (_, blocks) in after.items():
        if key in before:
            assert blocks >= before[key][1]


@pytest.mark.parametrize("seed", SEEDS)
def test_matrices_hold_no_negative_and_no_empty_rows(seed):
    inputs, cat, volts, chosen = random_case(seed)
    o = site_options(inputs, catalogue=cat, system_voltage_v=volts, settings=chosen)
    used = o.modules_parallel > 0
    assert (o.modules_parallel >= 0).all()
    assert ((o.batteries_parallel > 0) == used).all()
    assert used.any(axis=0).all()
    assert used.any(axis=1).all()
    for name in (
        "charge_setpoint_v",
        "kit_volume_l",
        "string_volume_l",
        "module_area_m2",
        "controller_volume_l",
    ):
        assert (getattr(o, name) > 0).all()


def test_string_lengths_give_way_to_fewer_modules_and_no_more_current():
    cat = catalogue(module(), battery(), controller())
    columns = make_columns(site(), cat, np.ones(1, dtype=bool), settings(policy={"controllers_max": 1}))
    assert columns.series.tolist() == [1, 2, 3, 4]

    def kept(strings, current):
        return without_longer_strings(columns, np.array([strings], dtype=float), np.array([current])).tolist()

    assert kept([10, 0, 0, 3], [50.0, 0.0, 0.0, 50.0]) == [[10, 0, 0, 0]]  # 10 modules beat 12
    assert kept([10, 0, 0, 3], [50.0, 0.0, 0.0, 45.0]) == [[10, 0, 0, 3]]  # which charge with less, though
    assert kept([4, 2, 0, 1], [9.0, 9.0, 0.0, 9.0]) == [[0, 0, 0, 1]]  # of equals the longest


def test_polar_night_is_no_design_without_other_supply():
    dark = site(sun_hours=np.r_[0.0, np.full(11, 4.0)])
    cat = catalogue(module(), battery(batteries_parallel_max=8), controller())
    options = site_options(dark, catalogue=cat, system_voltage_v=12, settings=settings())
    assert options.modules_parallel.size == 0
    carried = replace(dark, other_supply_wh_day=np.r_[300.0, np.zeros(11)])
    options = site_options(carried, catalogue=cat, system_voltage_v=12, settings=settings())
    assert options.modules_parallel.size > 0


def test_a_catalogue_without_parts_has_no_designs():
    for parts in ((module(), battery()), (battery(), controller()), (module(), controller())):
        options = site_options(site(), catalogue=catalogue(*parts), system_voltage_v=12, settings=settings())
        assert options.modules_parallel.size == 0
