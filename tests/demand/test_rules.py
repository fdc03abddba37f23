"""Every rule of a kit rechecked from drawn tables with plain arithmetic; dominance pair by pair."""

from collections import Counter
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.demand import PortAssignment, SupplyKit, enumerate_kits
from planner.demand.dominance import Merits, undominated
from planner.scenario import Tables, read_scenario
from planner.tables.catalogue import ConverterKind, ConverterRow, PseKind
from planner.tables.rows import DeviceRow
from planner.units import shipped
from tests.demand import build

# IEEE 802.3-2022, clauses 33 and 145: port power, least voltage, loop of a 100 m channel at 12.5 ohm.
PORT_W = {0: 15.4, 1: 4.0, 2: 7.0, 3: 15.4, 4: 30.0, 5: 45.0, 6: 60.0, 7: 75.0, 8: 90.0}
LEAST_V = {0: 44, 1: 44, 2: 44, 3: 44, 4: 50, 5: 50, 6: 50, 7: 52, 8: 52}
PAIRS_OHM = {number: 6.25 if number > 4 else 12.5 for number in range(9)}


#: Switches of one budget, of a lower one under 45 V, of one that falls over 40 C.
DERATING: list[dict[str, float]] = [
    {},
    {"poe_budget_low_w": 15.0, "poe_budget_low_below_v": 45.0},
    {"poe_derate_above_c": 40.0, "poe_derate_w_per_k": 2.0},
]
MANY_KITS = 100


@st.composite
def drawn(draw: st.DrawFn) -> tuple[Tables, int]:
    """A profile of a few devices, two switches, and converters, at a voltage."""
    classes = draw(st.lists(st.sampled_from([1, 2, 3, 4, 6]), min_size=1, max_size=3, unique=True))
    loads = []
    for c in classes:
        most = draw(st.floats(0.5, PORT_W[c] * 0.6))
        measured = draw(st.booleans())
        row = build.poe(
            f"pd{c}", c, average_w=most / 2, max_w=most, measured=measured, ports=draw(st.integers(0, 2))
        )
        loads.append((row, draw(st.integers(1, 2)), draw(st.floats(0, 60))))
    if draw(st.booleans()):
        loads.append(
            (build.passive(window=draw(st.sampled_from([None, (18, 32)]))), 1, draw(st.floats(0, 30)))
        )
    if draw(st.booleans()):
        loads.append(
            (build.direct("dc", draw(st.sampled_from([(9, 16), (18, 32), (9, 60)])), max_w=8), 2, 2.0)
        )
    if draw(st.booleans()):
        most = draw(st.floats(5, 90))
        surge = draw(st.sampled_from([None, most * 2]))
        loads.append(
            (build.ac(average_w=most / 3, max_w=most, surge_w=surge, ports=draw(st.integers(0, 1))), 2, 3.0)
        )
    kinds = st.sampled_from([PseKind.REGULATED, PseKind.PASSTHROUGH])
    rows, ports = [], []
    for n in "AB":
        rows.append(
            build.switch(
                n,
                window=draw(st.sampled_from([(9, 60), (36, 57), (18, 60)])),
                pse=draw(kinds),
                efficiency=draw(st.floats(0.8, 1.0)),
                budget_w=draw(st.sampled_from([15.4, 60, 120])),
                measured=draw(st.booleans()),
                own_w=draw(st.floats(0.5, 5)),
                **draw(st.sampled_from(DERATING)),
            )
        )
        ports.append(build.poe_ports(n, draw(st.integers(1, 4)), draw(st.sampled_from([3, 4, 6]))))
        ports.append(build.data_ports(n, draw(st.integers(1, 3))))
        if draw(st.booleans()):
            ports.append(build.sfp_ports(n, draw(st.integers(1, 2))))
        if draw(st.booleans()):
            ports.append(build.passive_ports(n, 1, 24, draw(st.sampled_from([None, 8.0]))))
    converters = [
        build.converter("DOWN12", (18, 75), 12, 40),
        build.converter("DOWN24", (36, 75), 24, 60, efficiency=0.93),
        build.converter("UP54", (9, 36), 54, 100),
        build.converter("ISO54", (36, 75), 54, 150),
        build.injector("INJ4", 4),
        build.adapter("ADP", 3, 24, 10),
        build.sfp_module(),
        build.inverter("INV100", (10, 32), 100, surge_w=200),
        build.inverter("INV150", (20, 62), 150),
        build.disconnect("D5", 5.0),
        build.disconnect("D30", 30.0, own_w=0.1),
    ]
    batteries = [build.battery()]
    return build.tables(loads, switches=rows, ports=ports, converters=converters, batteries=batteries), draw(
        st.sampled_from([12, 24, 48])
    )


@settings(max_examples=60, deadline=None)
@given(drawn())
def test_kits_keep_every_rule(given_tables: tuple[Tables, int]) -> None:
    tables, voltage = given_tables
    asked = build.settings(uplink_ports=1, switches_max=2)
    for kit in build.kits(tables, voltage, asked).kits:
        check_kit(kit, tables, asked.demand.dc_conductor_mm2)
        assert kit.groundings


@pytest.mark.parametrize("folder", sorted(shipped("scenarios").iterdir()), ids=lambda folder: folder.name)
def test_example_scenarios(folder: Path) -> None:
    """Every profile of the shipped scenarios has kits at some voltage, and they keep the rules. Of hundreds
    every fifth is checked; of the larger fleets kits of 12 V and of the voltages that sites ask for.
    """
    scenario = read_scenario(folder)
    asked = {(site.load_profile, site.system_voltage_v or 12) for site in scenario.tables.sites}
    for profile in sorted({profile for profile, _ in asked}):
        kits = [
            kit
            for voltage in (12, 24, 48)
            if folder.name == "tundrakall" or (profile, voltage) in asked
            for kit in enumerate_kits(
                scenario.tables, load_profile=profile, system_voltage_v=voltage, settings=scenario.settings
            ).kits
        ]
        assert kits, profile
        mine = replace(scenario.tables, loads=[x for x in scenario.tables.loads if x.load_profile == profile])
        for kit in kits[:: 5 if len(kits) > MANY_KITS else 1]:
            check_kit(kit, mine, scenario.settings.demand.dc_conductor_mm2)


def check_kit(kit: SupplyKit, tables: Tables, dc_mm2: float) -> None:
    """Every rule of a kit whose DC cables have a cross-section, mm2."""
    check_units(kit, tables)
    check_ports(kit, tables)
    check_window(kit, tables)
    check_power(kit, tables, dc_mm2)
    check_sharing(kit, tables)


def disconnect_of(kit: SupplyKit, tables: Tables) -> ConverterRow | None:
    boxes = [row for row in tables.converters if row.sku in dict(kit.units)]
    return next((row for row in boxes if row.kind is ConverterKind.LOAD_DISCONNECT), None)


def check_units(kit: SupplyKit, tables: Tables) -> None:
    """Boxes named by ports, links and feeds are in the kit; injectors as many as devices behind them."""
    units = dict(kit.units)
    injectors = {row.sku for row in tables.converters if row.kind is ConverterKind.POE_INJECTOR}
    adapters = {row.sku for row in tables.converters if row.kind is ConverterKind.POE_ADAPTER}
    modules = {row.sku for row in tables.converters if row.kind is ConverterKind.SFP_MODULE}
    for a in kit.ports:
        if a.via_sku:
            assert a.via_sku in units
        if a.host_sku:
            assert units[a.host_sku] >= a.host_unit
    for sku in injectors:
        assert units.get(sku, 0) == sum(a.via_sku == sku for a in kit.ports)
    for sku in adapters:
        assert units.get(sku, 0) == sum(a.adapter_sku == sku for a in kit.ports)
    for sku in modules:
        assert units.get(sku, 0) == sum(end.module_sku == sku for end in kit.links)
    for _, sku in kit.feeds:
        assert sku in units
    assert kit.load_terminal == (disconnect_of(kit, tables) is None)


def check_ports(kit: SupplyKit, tables: Tables) -> None:
    """Every device once, one way or another; no port twice; ports exist; class and budget by the standard's
    numbers.
    """
    rows = {row.device: row for row in tables.devices}
    switches = {row.sku: row for row in tables.switches}
    wanted: Counter[str] = Counter()
    for load in tables.loads:
        wanted[load.device] += load.quantity
    assert Counter(rows[a.device].alternative_to or a.device for a in kit.ports) == wanted
    kinds = {row.sku: [] for row in tables.switches}
    for group in tables.switch_ports:
        kinds[group.sku] += [group] * group.quantity
    taken: list[str] = []
    for a in kit.ports:
        row = rows[a.device]
        taken += [f"{end.host_sku} #{end.host_unit} {end.port}" for end in a.data_on]
        power_port = int(a.supply in ("poe", "passive_poe") and a.port != "injector")
        assert len(a.data_on) + min(power_port, row.data_ports) == row.data_ports
        if a.host_sku in switches:
            name = a.port.removesuffix(" + injector")
            taken.append(f"{a.host_sku} #{a.host_unit} {name}")
    taken += [f"{end.host_sku} #{end.host_unit} {end.port}" for end in kit.links]
    assert len(taken) == len(set(taken))
    for name in taken:
        sku, _, port = name.partition(" #")
        group = kinds[sku][int(port.rsplit("#", 1)[1]) - 1]
        assert group.port_kind.value.startswith(port.split()[1])
    for a in kit.ports:
        if a.adapter_sku:
            group = kinds[a.host_sku][int(a.port.rsplit("#", 1)[1]) - 1]
            row = {one.sku: one for one in tables.converters}[a.adapter_sku]
            assert group.poe_class >= row.poe_class
            assert a.allocated_w == PORT_W[row.poe_class]
            assert row.output_v == rows[a.device].passive_v
        elif a.supply == "poe" and not a.via_sku:
            group = kinds[a.host_sku][int(a.port.rsplit("#", 1)[1]) - 1]
            assert group.poe_class >= rows[a.device].poe_class
            measured = (
                rows[a.device].power_allocation == "measured" and switches[a.host_sku].measured_allocation
            )
            assert a.allocated_w == pytest.approx(
                a.host_max_w if measured else PORT_W[rows[a.device].poe_class]
            )
        elif a.supply == "passive_poe":
            group = kinds[a.host_sku][int(a.port.rsplit("#", 1)[1]) - 1]
            assert a.host_max_w <= (group.port_max_w or 1e9)
    for sku, unit in {(a.host_sku, a.host_unit) for a in kit.ports if a.host_sku in switches}:
        used = sum(a.allocated_w for a in kit.ports if (a.host_sku, a.host_unit) == (sku, unit))
        assert used <= switches[sku].poe_budget_w + 1e-9
    boxes = sum(count for sku, count in kit.units if sku in switches)
    talking = any(rows[load.device].data_ports for load in tables.loads)
    assert len(kit.links) == ((1 + 2 * (boxes - 1)) if talking else 0)


def check_window(kit: SupplyKit, tables: Tables) -> None:
    """Whatever stands on the bus accepts the kit's window; whatever is behind a converter, its output."""
    boxes = {row.sku: row for row in (*tables.switches, *tables.converters)}
    devices = {row.device: row for row in tables.devices}
    behind = dict(kit.feeds)
    plugged = {row.sku for row in tables.converters if row.kind in ("poe_adapter", "sfp_module")}
    direct = [devices[a.device] for a in kit.ports if a.supply == "dc" and a.device not in behind]
    direct += [boxes[sku] for sku, _ in kit.units if sku not in behind and sku not in plugged]
    for row in direct:
        assert row.input_min_v <= kit.input_min_v
        assert kit.input_max_v <= row.input_max_v
    for name, sku in kit.feeds:
        row = boxes.get(name) or devices[name]
        assert row.input_min_v <= boxes[sku].output_v <= row.input_max_v
    for row in tables.switches:
        hung = [a for a in kit.ports if a.host_sku == row.sku and not a.via_sku]
        on_poe = [a for a in hung if a.supply == "poe" or a.adapter_sku]
        low, high = kit.input_min_v, kit.input_max_v
        if row.sku in behind:
            low = high = boxes[behind[row.sku]].output_v
        if row.pse_kind is PseKind.PASSTHROUGH and on_poe:
            classes = [
                boxes[a.adapter_sku].poe_class if a.adapter_sku else devices[a.device].poe_class
                for a in on_poe
            ]
            assert max(LEAST_V[c] for c in classes) <= low
            assert high <= 57
        for unit in {a.host_unit for a in hung}:
            used = sum(a.allocated_w for a in hung if a.host_unit == unit)
            budget = row.poe_budget_w
            if row.poe_budget_low_w is not None and low < row.poe_budget_low_below_v:
                budget = row.poe_budget_low_w
            if row.poe_derate_above_c is not None:
                budget -= max(0.0, kit.temp_max_c - row.poe_derate_above_c) * row.poe_derate_w_per_k
            assert used <= budget + 1e-9


def check_power(kit: SupplyKit, tables: Tables, dc_mm2: float) -> None:
    """Mean and greatest bus power added up box by box; cable loss by the balance P = load + I^2 R."""
    boxes = {row.sku: row for row in (*tables.switches, *tables.converters)}
    devices = {row.device: row for row in tables.devices}
    behind, breaker = dict(kit.feeds), disconnect_of(kit, tables)
    whole = breaker.efficiency if breaker else 1.0

    def path(name: str) -> float:
        return whole * (boxes[behind[name]].efficiency if name in behind else 1.0)

    mean = own = most = 0.0
    for a in kit.ports:
        if a.supply in ("dc", "ac"):
            if a.supply == "dc":
                sku = behind.get(a.device)
                volts = boxes[sku].output_v if sku else lowest_bus_v(kit, tables)
                check_dc_cable(a, devices[a.device], volts, dc_mm2)
            mean += a.host_w / path(a.device)
            most += a.host_max_w / path(a.device)
            continue
        if a.supply == "poe":
            c = devices[a.device].poe_class
            current = a.host_w / LEAST_V[c]
            assert a.host_w == pytest.approx(a.device_w + current**2 * PAIRS_OHM[c] * a.cable_m / 100)
        box = boxes[a.via_sku or a.host_sku]
        efficiency = box.efficiency * path(a.via_sku) if a.via_sku else box.pse_efficiency * path(a.host_sku)
        if a.adapter_sku:
            check_adapter(a, devices[a.device], boxes[a.adapter_sku])
        mean += a.host_w / efficiency
        most += a.host_max_w / efficiency
        own += a.host_own_w / efficiency
    hosts = {end.module_sku: end.host_sku for end in kit.links if end.module_sku}
    for end in (end for end in kit.links if end.module_sku):
        own += boxes[end.module_sku].own_draw_w / path(end.host_sku)
    adapters = {a.adapter_sku for a in kit.ports if a.adapter_sku}
    for sku, count in kit.units:
        if sku not in hosts and sku not in adapters:
            own += count * boxes[sku].own_draw_w / (1.0 if boxes[sku] is breaker else path(sku))
    assert sum(w for _, w in kit.bus_w) == pytest.approx(mean)
    assert kit.own_w == pytest.approx(own)
    # An adapter's greatest power holds its own draw already.
    standing = sum(
        a.host_own_w / (boxes[a.host_sku].pse_efficiency * path(a.host_sku))
        for a in kit.ports
        if a.adapter_sku
    )
    assert kit.max_w == pytest.approx(most + own - standing)
    assert kit.max_current_a == pytest.approx(kit.max_w / (11 * kit.system_voltage_v / 12))
    if breaker:
        assert breaker.current_max_a is not None
        assert kit.max_current_a <= breaker.current_max_a


def lowest_bus_v(kit: SupplyKit, tables: Tables) -> float:
    """Lowest disconnect of any battery that makes the bus, less 3 % of drop."""
    blocks = [(round(kit.system_voltage_v / row.nominal_v), row) for row in tables.batteries]
    makes = [(n, row) for n, row in blocks if n and abs(n * row.nominal_v / kit.system_voltage_v - 1) < 0.1]
    return min(n * row.disconnect_v * 0.97 for n, row in makes if n <= row.batteries_series_max)


def check_dc_cable(a: PortAssignment, row: DeviceRow, volts: float, mm2: float) -> None:
    """Copper at 0.0225 ohm mm2/m, out and back; the device keeps its lowest voltage."""
    ohm = 2 * 0.0225 * a.cable_m / mm2
    volts = max(volts, row.input_min_v + row.max_w * ohm / row.input_min_v)
    for sent, watts in ((a.host_w, row.average_w), (a.host_max_w, row.max_w)):
        assert sent == pytest.approx(watts + (sent / volts) ** 2 * ohm)
    assert volts - a.host_max_w / volts * ohm >= row.input_min_v - 1e-9


def check_adapter(a: PortAssignment, device: DeviceRow, row: ConverterRow) -> None:
    """1 m of 24 AWG (0.0842 ohm) behind it, the rest before it, each by the balance P = load + I^2 R."""
    behind_m = min(1.0, a.cable_m)
    port = {"mean": a.host_w + a.host_own_w, "most": a.host_max_w}
    for name, watts in (("mean", device.average_w), ("most", device.max_w)):
        volts, ohm, out = row.output_v, 0.0842 * behind_m, watts
        for _ in range(50):  # the balance by repeated substitution
            out = watts + (out / volts) ** 2 * ohm
        taken = row.own_draw_w + out / row.efficiency
        current = port[name] / LEAST_V[row.poe_class]
        lost = current**2 * PAIRS_OHM[row.poe_class] * (a.cable_m - behind_m) / 100
        assert port[name] == pytest.approx(taken + lost, rel=1e-6)
        assert out <= row.output_max_w


def check_sharing(kit: SupplyKit, tables: Tables) -> None:
    """What stands behind a converter SKU fits its units: summed power, and for inverters one inrush."""
    boxes = {row.sku: row for row in tables.converters}
    devices = {row.device: row for row in tables.devices}
    units = dict(kit.units)
    for sku in {sku for _, sku in kit.feeds}:
        row = boxes[sku]
        behind = [devices[a.device] for a in kit.ports if a.via_sku == sku and a.device in devices]
        assert sum(one.max_w for one in behind) <= units[sku] * row.output_max_w + 1e-9
        for one in behind:
            assert (one.supply == "ac") == (row.kind is ConverterKind.INVERTER)
            if row.kind is ConverterKind.INVERTER:
                assert one.input_hz in (None, row.output_hz)
                assert max(one.max_w, one.surge_w or 0.0) <= max(row.output_max_w, row.surge_w or 0.0)
        if row.kind is ConverterKind.INVERTER and units[sku] == 1:
            inrush = max(max(0.0, (one.surge_w or 0.0) - one.max_w) for one in behind)
            assert sum(one.max_w for one in behind) + inrush <= max(row.output_max_w, row.surge_w or 0.0)


@settings(max_examples=40, deadline=None)
@given(drawn())
def test_no_kit_beats_another(given_tables: tuple[Tables, int]) -> None:
    """No kit has a part of another's boxes with less load, less room, wider window and temperatures."""
    tables, voltage = given_tables
    for one, other in combinations(build.kits(tables, voltage).kits, 2):
        for a, b in ((one, other), (other, one)):
            less = Counter(dict(a.units)) <= Counter(dict(b.units)) and a.load_terminal == b.load_terminal
            mean = [k.own_w + sum(w for _, w in k.bus_w) for k in (a, b)]
            wider = a.input_min_v <= b.input_min_v and a.input_max_v >= b.input_max_v
            wider &= a.temp_max_c >= b.temp_max_c
            better = mean[0] < mean[1] - 1e-6 and a.max_w < b.max_w - 1e-6 and a.volume_l <= b.volume_l
            assert not (less and wider and better)


@settings(max_examples=200, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 2), st.integers(0, 2), st.integers(0, 2), st.integers(0, 2)),
        min_size=1,
        max_size=8,
    )
)
def test_dominance_by_pairs(rows: list[tuple[int, int, int, int]]) -> None:
    """Kept are the first of each kind that no other row is at most, column by column."""
    merits = [
        Merits(units=Counter({"x": x, "y": y}), watts={"always": float(w)}, costs=(float(c),))
        for x, y, w, c in rows
    ]
    expected = [
        not any(
            all(p <= q for p, q in zip(other, row, strict=True)) and (other != row or j < i)
            for j, other in enumerate(rows)
        )
        for i, row in enumerate(rows)
    ]
    assert np.array_equal(undominated(merits), expected)


@settings(max_examples=30, deadline=None)
@given(st.floats(0, 99), st.floats(0, 99), st.integers(1, 4))
def test_longer_cable_never_less(one_m: float, other_m: float, poe_class: int) -> None:
    totals = []
    for metres in sorted((one_m, other_m)):
        device = build.poe("pd", poe_class, average_w=PORT_W[poe_class] * 0.5)
        tables = build.tables(
            [(device, 1, metres)], switches=[build.switch()], ports=[build.poe_ports("SW", 1, 4)]
        )
        (kit,) = build.kits(tables).kits
        totals.append(sum(w for _, w in kit.bus_w))
    assert totals[0] <= totals[1] + 1e-12
