"""Sharing devices among switches, against every way to plug them in one by one."""

from itertools import product

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from planner.demand.channel import CLASSES
from planner.demand.devices import expand_devices
from planner.demand.plans import PortPlan, plan_ports
from planner.demand.ports import make_switches
from planner.demand.profile import Way, make_profile
from planner.errors import Refusal
from tests.demand import build


def brute_force(
    classes: list[int], plain: int, switches: list[tuple[list[int], int, float]], uplinks: int
) -> bool:
    """Whether any map of devices to ports works: each port of each switch tried for each device.

    A switch is its PoE ports' classes, its data ports, its budget. Links: every switch keeps a copper
    port, and over all of them a tree takes 2 (n - 1).
    """
    spots = [(h, i) for h, (poe, _, _) in enumerate(switches) for i in range(len(poe))]
    copper = [len(poe) + data for poe, data, _ in switches]
    links = 2 * (len(switches) - 1)
    for chosen in product(spots, repeat=len(classes)):
        if len(set(chosen)) < len(chosen):
            continue
        if any(switches[h][0][i] < c for (h, i), c in zip(chosen, classes, strict=True)):
            continue
        used_w = [
            sum(CLASSES[c].pse_w for (h, _), c in zip(chosen, classes, strict=True) if h == n)
            for n in range(len(switches))
        ]
        if any(w > switches[n][2] + 1e-9 for n, w in enumerate(used_w)):
            continue
        left = [copper[n] - sum(h == n for h, _ in chosen) for n in range(len(switches))]
        if len(switches) > 1 and min(left) < 1:
            continue
        if sum(left) >= links + plain + uplinks:
            return True
    return False


switch_shapes = st.tuples(
    st.lists(st.sampled_from([1, 2, 3, 4, 5, 6]), max_size=3),
    st.integers(0, 3),
    st.sampled_from([0, 15.4, 30, 60, 90]),
)


@settings(max_examples=300, deadline=None)
@given(
    st.lists(st.sampled_from([1, 2, 3, 4, 5]), min_size=1, max_size=4),
    st.integers(0, 2),
    st.lists(switch_shapes, min_size=1, max_size=2),
    st.integers(0, 1),
)
def test_against_every_plugging(
    classes: list[int], plain: int, shapes: list[tuple[list[int], int, float]], uplinks: int
) -> None:
    assume(all(poe or data for poe, data, _ in shapes))
    devices = [(build.poe(f"d{c}", c, average_w=1.0), classes.count(c), 10.0) for c in sorted(set(classes))]
    if plain:
        devices.append((build.direct("plain", ports=1), plain, 5.0))
    rows, ports = [], []
    for n, (poe, data, budget) in enumerate(shapes):
        rows.append(build.switch(f"S{n}", budget_w=budget, efficiency=0.9 - n / 100))
        ports += [build.poe_ports(f"S{n}", 1, c) for c in poe]
        ports += [build.data_ports(f"S{n}", data)] if data else []
    tables = build.tables(devices, switches=rows, ports=ports)
    asked = build.settings(uplink_ports=uplinks)
    switches = make_switches(tables, None)
    profile = make_profile(expand_devices(tables, "p"), switches, asked)
    plan = plan_ports(Way(profile=profile), tuple(switches), [])
    assert isinstance(plan, PortPlan) == brute_force(classes, plain, shapes, uplinks)
    if isinstance(plan, PortPlan):
        check_wiring(plan, len(classes), uplinks)


def check_wiring(plan: PortPlan, devices: int, uplinks: int) -> None:
    """No port twice, every device once, links that join all switches, classes and budgets kept."""
    wiring = plan.wiring
    taken = [(a.host_sku, a.host_unit, a.port) for a in wiring.assignments]
    taken += [(end.host_sku, end.host_unit, end.port) for end in wiring.links]
    assert len(taken) == len(set(taken))
    assert len({(a.device, a.instance) for a in wiring.assignments}) == len(wiring.assignments) == devices
    assert sum(end.link == 0 for end in wiring.links) == uplinks
    joined = {plan.switches[0].row.sku}
    pairs = [{end.host_sku for end in wiring.links if end.link == n} for n in range(1, len(plan.switches))]
    for _ in pairs:
        for pair in pairs:
            if pair & joined:
                joined |= pair
    assert joined == {s.row.sku for s in plan.switches}
    for a in wiring.assignments:
        assert int(a.port.split("class ")[1].split(" ")[0]) >= int(a.device.removeprefix("d"))
    for s in plan.switches:
        used_w = sum(a.allocated_w for a in wiring.assignments if a.host_sku == s.row.sku)
        assert used_w <= s.row.poe_budget_w + 1e-9


def test_first_fit_would_miss_it() -> None:
    """30 + 15.4 W on 46 W and 30 + 15.4 W on 46 W exists; both class 4 first on one switch does not fit."""
    tables = build.tables(
        [(build.poe("d4", 4, average_w=5), 2, 10.0), (build.poe("d3", 3), 2, 10.0)],
        switches=[build.switch("A", budget_w=46), build.switch("B", budget_w=46)],
        ports=[build.poe_ports("A", 3, 4), build.poe_ports("B", 3, 4)],
    )
    found = build.kits(tables, asked=build.settings(switches_max=2)).kits
    assert ("A", 1) in found[0].units
    assert {kit.units for kit in found} >= {(("A", 1), ("B", 1)), (("A", 2),), (("B", 2),)}


@pytest.mark.parametrize(("cables", "refused"), [(99.9, False), (100.0, False), (100.1, True)])
def test_channel_length(cables: float, refused: bool) -> None:
    """ISO/IEC 11801: a channel is at most 100 m."""
    tables = build.tables(
        [(build.poe(), 1, cables)], switches=[build.switch()], ports=[build.poe_ports("SW", 1, 4)]
    )
    result = build.kits(tables)
    assert bool(result.kits) != refused
    assert [r.rule for r in result.refusals] == (["channel-length"] if refused else [])


def test_several_of_a_switch_for_more_ports() -> None:
    """5 cameras on 4-port switches with 1 data port: two units, a link takes a copper port at each end.

    Ports: 2 x 5 copper, 5 for cameras, 2 for the link: 3 left, so with 3 uplinks it works, with 4 not.
    """
    given_tables = build.tables(
        [(build.poe("cam", 1, average_w=2), 5, 10.0)],
        switches=[build.switch(budget_w=30)],
        ports=[build.poe_ports("SW", 4, 4), build.data_ports("SW", 1)],
    )
    for uplinks, units in ((3, (("SW", 2),)), (4, (("SW", 3),))):
        found = build.kits(given_tables, asked=build.settings(uplink_ports=uplinks)).kits
        assert {kit.units for kit in found} == {units}


def test_sfp_serves_the_uplink_alone() -> None:
    """An SFP port with its module carries the uplink, so one data port is free for a DC device.

    Without the port, or without a module for it, there is none.
    """
    device = build.direct("plc", ports=1)
    for fibre, modules, served in (
        (1, [build.sfp_module()], True),
        (0, [build.sfp_module()], False),
        (1, [], False),
    ):
        ports = [build.data_ports("SW", 1)] + ([build.sfp_ports("SW", 1)] if fibre else [])
        tables = build.tables(
            [(device, 1, 5.0)], switches=[build.switch(budget_w=0)], ports=ports, converters=modules
        )
        result = build.kits(tables, asked=build.settings(uplink_ports=1, switches_max=1))
        assert bool(result.kits) == served
        if not served:
            assert result.refusals[0].rule == "port-count"
            assert (result.refusals[0].value, result.refusals[0].limit) == (1, 2)


def test_nothing_that_talks_needs_no_switch() -> None:
    tables = build.tables(
        [(build.direct(), 2, 5.0)], switches=[build.switch()], ports=[build.data_ports("SW", 4)]
    )
    (kit,) = build.kits(tables, asked=build.settings(uplink_ports=1)).kits
    assert kit.units == ()
    assert kit.load_terminal
    assert [a.port for a in kit.ports] == ["bus", "bus"]


def test_class_0_device_needs_a_class_3_port() -> None:
    device = build.poe("old", 0)
    for port_class, served in ((2, False), (3, True)):
        tables = build.tables(
            [(device, 1, 5.0)], switches=[build.switch()], ports=[build.poe_ports("SW", 2, port_class)]
        )
        assert bool(build.kits(tables).kits) == served


def test_refusals_name_value_and_limit() -> None:
    """Four class 4 devices: 4 x 30 W (IEEE 802.3-2022) against a budget of 90 W."""
    tables = build.tables(
        [(build.poe("cam", 4, average_w=5, max_w=20), 4, 10.0)],
        switches=[build.switch(budget_w=90)],
        ports=[build.poe_ports("SW", 4, 4)],
    )
    result = build.kits(tables, asked=build.settings(switches_max=1))
    assert not result.kits
    (refusal,) = result.refusals
    assert isinstance(refusal, Refusal)
    assert (refusal.rule, refusal.value, refusal.limit, refusal.unit) == ("poe-budget", 90, 120, "W")
    assert "4 class 4 ports need 120.0 W" in refusal.message
