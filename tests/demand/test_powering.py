"""Inverters, adapters, injectors behind converters, SFP ports, derated budgets; worked by hand."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.demand import SupplyKit
from planner.demand.bus import BusLoad
from planner.demand.links import Network, plan_links
from planner.demand.sharing import share
from planner.tables.catalogue import PseKind
from tests.demand import build

ALONE = build.settings(switches_max=1)


def units(kits: tuple[SupplyKit, ...]) -> set[tuple[tuple[str, int], ...]]:
    return {kit.units for kit in kits}


def test_inverter_by_hand() -> None:
    """30 W always and 50 W by night behind 90 %, idle 4 W: 33.333 W and 55.556 W at the bus, 4 W standing.

    At most 4 + 80 / 0.9 = 92.889 W, over 11 V 8.4444 A.
    """
    tables = build.tables(
        [
            (build.ac("modem", average_w=30), 1, 3.0),
            (build.ac("lamp", average_w=50, schedule="night"), 1, 3.0),
        ],
        converters=[build.inverter("INV", (10, 16), 100, surge_w=200)],
    )
    (kit,) = build.kits(tables).kits
    assert kit.units == (("INV", 1),)
    assert dict(kit.bus_w) == {
        "always": pytest.approx(33.3333, abs=1e-4),
        "night": pytest.approx(55.5556, abs=1e-4),
    }
    assert kit.own_w == 4
    assert kit.max_w == pytest.approx(92.8889, abs=1e-4)
    assert kit.max_current_a == pytest.approx(8.4444, abs=1e-4)
    assert (kit.input_min_v, kit.input_max_v) == (10, 16)
    assert [(a.port, a.via_sku) for a in kit.ports] == [("inverter", "INV"), ("inverter", "INV")]


@pytest.mark.parametrize(
    ("surge_a", "carries"), [(None, True), (17.54, True), (17.53, False)], ids=["unsaid", "enough", "short"]
)
def test_inrush_passes_the_load_disconnect(surge_a: float | None, carries: bool) -> None:
    """30 and 50 W behind 90 %, idle 4 W: 92.889 W. The pump's start adds 90 W, 100 W at the bus: 192.889 W.

    The disconnect loses nothing: over 11 V 8.4444 A for hours, 17.5354 A for seconds.
    """
    tables = build.tables(
        [(build.ac("pump", average_w=30, surge_w=120), 1, 3.0), (build.ac("lamp", average_w=50), 1, 3.0)],
        converters=[
            build.inverter("INV", (10, 16), 100, surge_w=200), build.disconnect("D", 9.0, surge_a=surge_a),
        ],
    )  # fmt: skip
    kits = build.kits(tables).kits
    assert any(dict(kit.units) == {"INV": 1, "D": 1} for kit in kits) == carries
    for kit in kits:
        assert kit.surge_current_a == pytest.approx(17.5354, abs=1e-4)
        assert kit.max_current_a == pytest.approx(8.4444, abs=1e-4)


@pytest.mark.parametrize(
    ("output_w", "surge_w", "number"),
    [
        (100.0, 170.0, 1),  # 30 + 50 = 80 W; the pump's start adds 90 W: 170 W
        (100.0, 169.0, 2),
        (79.0, 200.0, 2),
        (50.0, 120.0, 2),  # the pump alone starts with 120 W
    ],
)
def test_inverter_surge_and_continuous(output_w: float, surge_w: float, number: int) -> None:
    tables = build.tables(
        [(build.ac("pump", average_w=30, surge_w=120), 1, 3.0), (build.ac("lamp", average_w=50), 1, 3.0)],
        converters=[build.inverter("INV", (10, 16), output_w, surge_w=surge_w)],
    )
    (kit,) = build.kits(tables).kits
    assert kit.units == (("INV", number),)
    assert kit.own_w == pytest.approx(4 * number)


@pytest.mark.parametrize(
    ("device", "inverter", "rule", "value", "limit"),
    [
        (build.ac(average_w=101), build.inverter("I", (10, 16), 100), "inverter-power", 100, 101),
        (build.ac(average_w=20, surge_w=250), build.inverter("I", (10, 16), 100), "inverter-surge", 100, 250),
        (build.ac(window=(100, 130)), build.inverter("I", (10, 16), 100), "inverter-voltage", 230, 130),
        (build.ac(hz=60), build.inverter("I", (10, 16), 100), "inverter-frequency", 50, 60),
        (build.ac(), build.inverter("I", (40, 60), 100), "no-inverter", None, None),
        (build.ac(), build.converter("DOWN", (10, 16), 230, 100), "no-inverter", None, None),
    ],
)
def test_inverter_refusals(device, inverter, rule, value, limit) -> None:
    result = build.kits(build.tables([(device, 1, 3.0)], converters=[inverter]))
    assert not result.kits
    assert [(r.rule, r.value, r.limit) for r in result.refusals] == [(rule, value, limit)]
    assert result.refusals[0].subject == "modem"


def test_an_ac_device_takes_its_data_port() -> None:
    """One copper port for the modem, one for the uplink; a switch of one is short by one."""
    for copper, served in ((2, True), (1, False)):
        tables = build.tables(
            [(build.ac(ports=1), 1, 3.0)],
            switches=[build.switch(pse=PseKind.NONE, budget_w=0, efficiency=1.0)],
            ports=[build.data_ports("SW", copper)],
            converters=[build.inverter("INV", (10, 16), 100)],
        )
        result = build.kits(tables, asked=build.settings(uplink_ports=1, switches_max=1))
        assert bool(result.kits) == served
        if not served:
            assert (result.refusals[0].rule, result.refusals[0].value, result.refusals[0].limit) == (
                "port-count",
                1,
                2,
            )


def test_alternatives_are_weighed() -> None:
    """A 12 V camera of 5 W whose adapter takes 8 W of AC. On a 12 V bus the bus alone serves it with less.

    On 48 V: 5 / 0.9 + 0.5 = 6.06 W behind a converter, 8 / 0.9 + 4 = 12.89 W behind an inverter; which is
    cheaper is for the prices to say. Where the siren brings the inverter along, the camera may share it.
    """
    camera = build.direct("camera", (10, 16), average_w=5, max_w=5)
    adapter = build.ac("camera-ac", average_w=8, alternative_to="camera")
    parts = [
        build.converter("DOWN", (36, 75), 12, 50),
        build.inverter("INV12", (10, 16), 100),
        build.inverter("INV48", (40, 62), 100),
    ]
    tables = build.tables([(camera, 1, 0.0)], converters=parts, alternatives=[adapter])
    assert units(build.kits(tables, 12).kits) == {()}
    kits = build.kits(tables, 48).kits
    drawn = {kit.units: kit.own_w + sum(w for _, w in kit.bus_w) for kit in kits}
    assert drawn == {
        (("DOWN", 1),): pytest.approx(6.0556, abs=1e-4),
        (("INV48", 1),): pytest.approx(12.8889, abs=1e-4),
    }
    assert {kit.ports[0].device for kit in kits} == {"camera", "camera-ac"}
    siren = build.tables(
        [(camera, 1, 0.0), (build.ac("siren", average_w=6), 1, 3.0)], converters=parts, alternatives=[adapter]
    )
    assert units(build.kits(siren, 48).kits) == {(("DOWN", 1), ("INV48", 1)), (("INV48", 1),)}


def lamp(window: tuple[float, float]) -> build.Tables:
    """A DC lamp of 12 W mean and 24 W at most, 20 m away."""
    return build.tables([(build.direct("lamp", window, average_w=12, max_w=24), 1, 20.0)])


def test_a_dc_cable_takes_its_share_on_the_bus() -> None:
    """20 m of 1.5 mm2: 2 x 0.0225 x 20 / 1.5 = 0.6 ohm; the bus at its lowest 11.6 x 0.97 = 11.252 V.

    Mean I = (11.252 - sqrt(126.6075 - 2.4 x 12)) / 1.2 = 1.135191 A, 12.77318 W; at most I = 2.454100 A,
    27.61354 W, over 11 V 2.5103 A. The lamp keeps 11.252 - 0.6 x 2.4541 = 9.7795 V.
    """
    (kit,) = build.kits(lamp((9.7, 16))).kits
    assert dict(kit.bus_w)["always"] == pytest.approx(12.77318, abs=5e-5)
    assert kit.max_w == pytest.approx(27.61354, abs=5e-5)
    assert kit.max_current_a == pytest.approx(2.5103, abs=5e-5)
    (port,) = kit.ports
    assert (port.port, port.device_w) == ("bus", 12)
    assert (port.host_w, port.host_max_w) == pytest.approx((12.77318, 27.61354), abs=5e-5)


def test_a_dc_cable_that_drops_too_far_is_refused_until_it_is_thicker() -> None:
    """9.8 V at the lamp and 24 W need 9.8 + 24 x 0.6 / 9.8 = 11.2694 V at the bus, which falls to 11.252 V.

    2.5 mm2 have 0.36 ohm: 10.6816 V.
    """
    refused = build.kits(lamp((9.8, 16)))
    assert refused.kits == ()
    (refusal,) = refused.refusals
    assert (refusal.rule, refusal.subject) == ("bus-window", "lamp")
    assert (refusal.value, refusal.limit) == pytest.approx((11.2694, 11.252), abs=5e-5)
    asked = build.settings()
    thick = asked.model_copy(update={"demand": asked.demand.model_copy(update={"dc_conductor_mm2": 2.5})})
    (kit,) = build.kits(lamp((9.8, 16)), asked=thick).kits
    assert kit.input_min_v == pytest.approx(10.6816, abs=5e-5)


@pytest.mark.parametrize(("output_w", "serves"), [(24.7, True), (24.6, False)])
def test_a_dc_cable_behind_a_converter(output_w: float, serves: bool) -> None:
    """24 V over 0.6 ohm: mean I = (24 - sqrt(576 - 28.8)) / 1.2 = 0.506412 A, 12.15388 W; 24.63202 W at most.

    At 90 % and 0.5 W of its own, 13.50431 W and 27.86891 W at the bus.
    """
    tables = replace(lamp((20, 30)), converters=[build.converter("UP", (10, 16), 24, output_w)])
    result = build.kits(tables)
    if not serves:
        assert result.kits == ()
        assert [(r.rule, r.value) for r in result.refusals] == [("converter-power", 24.6)]
        assert result.refusals[0].limit == pytest.approx(24.632, abs=1e-3)
        return
    (kit,) = result.kits
    assert dict(kit.bus_w)["always"] == pytest.approx(13.50431, abs=5e-5)
    assert kit.own_w == 0.5
    assert kit.max_w == pytest.approx(27.8689, abs=1e-3)


def test_adapter_by_hand() -> None:
    """A 24 V radio of 6 W mean, 61 m away; the adapter (85 %, 0.5 W, class 4) stands 1 m before it.

    Patch 0.0842 ohm: I = (24 - sqrt(576 - 4 x 0.0842 x 6)) / 0.1684 = 0.25022 A, 6.00527 W; at the adapter
    6.00527 / 0.85 + 0.5 = 7.56503 W. Over 60 m, 7.5 ohm, from 50 V: I = (50 - sqrt(2500 - 30 x 7.56503)) / 15
    = 0.15490 A, 7.74498 W; its idle 0.5 W alone 0.50075 W. Bus at 90 %: 7.24423 / 0.9 = 8.04914 W,
    standing 2 + 0.50075 / 0.9 = 2.55639 W.
    """
    tables = build.tables(
        [(build.passive("radio", 24, average_w=6, max_w=12), 1, 61.0)],
        switches=[build.switch()],
        ports=[build.poe_ports("SW", 1, 4)],
        converters=[build.adapter("ADP", 4, 24, 15)],
    )
    (kit,) = build.kits(tables).kits
    assert kit.units == (("ADP", 1), ("SW", 1))
    assert dict(kit.bus_w)["always"] == pytest.approx(8.04914, abs=5e-5)
    assert kit.own_w == pytest.approx(2.55639, abs=5e-5)
    (port,) = kit.ports
    assert (port.port, port.adapter_sku, port.via_sku, port.allocated_w) == (
        "poe class 4 #1",
        "ADP",
        "",
        30.0,
    )
    assert port.host_w + port.host_own_w == pytest.approx(7.74498, abs=5e-5)


@pytest.mark.parametrize(
    ("part", "port_class", "served"),
    [
        (build.adapter("ADP", 4, 24, 15), 4, True),
        (build.adapter("ADP", 4, 24, 15), 3, False),  # the port's class is too low
        (build.adapter("ADP", 4, 24, 11.9), 4, False),  # 12 W and the patch are more
        (build.adapter("ADP", 2, 24, 15), 4, False),  # 12 / 0.85 + 0.5 = 14.6 W: more than class 2 gives
        (build.adapter("ADP", 4, 48, 15), 4, False),  # not the radio's voltage
    ],
)
def test_what_an_adapter_must_give(part, port_class: int, served: bool) -> None:
    tables = build.tables(
        [(build.passive("radio", 24, average_w=6, max_w=12), 1, 5.0)],
        switches=[build.switch()],
        ports=[build.poe_ports("SW", 1, port_class)],
        converters=[part],
    )
    result = build.kits(tables, asked=ALONE)
    assert bool(result.kits) == served
    assert [(r.rule, r.value, r.limit) for r in result.refusals] == [("passive-port", 0, 1)]


def test_adapters_only_as_many_as_needed() -> None:
    """Three radios, two passive ports: one adapter. Budget: 2 x 6 W + 30 W by class; 41 W are too few."""
    for budget_w, served in ((43.0, True), (41.0, False)):
        tables = build.tables(
            [(build.passive("radio", 24, average_w=4, max_w=6), 3, 0.0)],
            switches=[build.switch(budget_w=budget_w)],
            ports=[build.passive_ports("SW", 2, 24), build.poe_ports("SW", 2, 4)],
            converters=[build.adapter("ADP", 4, 24, 15)],
        )
        kits = build.kits(tables, asked=ALONE).kits
        assert units(kits) == ({(("ADP", 1), ("SW", 1))} if served else set())
        if served:
            assert sorted(a.instance for a in kits[0].ports) == [1, 2, 3]
            assert [a.adapter_sku for a in kits[0].ports] == ["", "", "ADP"]


def test_injector_behind_a_converter() -> None:
    """An injector of 44 to 57 V on a 12 V bus behind 54 V: 3 / 0.8 / 0.9 = 4.1667 W while on.

    Standing: switch 2 W, converter 0.5 W, injector 0.5 / 0.9 = 0.5556 W.
    """
    tables = build.tables(
        [(build.poe("cam", 3), 1, 0.0)],
        switches=[build.switch(pse=PseKind.NONE, budget_w=0, efficiency=1.0)],
        ports=[build.data_ports("SW", 2)],
        converters=[build.injector("INJ", 4, window=(44, 57)), build.converter("UP", (9, 18), 54, 40)],
    )
    (kit,) = build.kits(tables, asked=ALONE).kits
    assert kit.units == (("INJ", 1), ("SW", 1), ("UP", 1))
    assert dict(kit.bus_w)["always"] == pytest.approx(4.1667, abs=1e-4)
    assert kit.own_w == pytest.approx(3.0556, abs=1e-4)
    assert kit.feeds == (("INJ", "UP"),)


def test_links_by_sfp_where_copper_is_short() -> None:
    """Four cameras take all four copper ports of two switches: the link goes by SFP, a module at each end.

    Standing: 2 x 2 W and 2 x 0.7 W. Without modules for sale there is no kit.
    """
    given_tables = build.tables(
        [(build.poe("cam", 1, average_w=2), 4, 10.0)],
        switches=[build.switch()],
        ports=[build.poe_ports("SW", 2, 3), build.sfp_ports("SW", 1)],
        converters=[build.sfp_module()],
    )
    (kit,) = build.kits(given_tables, asked=build.settings(switches_max=2)).kits
    assert kit.units == (("OPT", 2), ("SW", 2))
    assert kit.own_w == pytest.approx(5.4)
    assert [(end.link, end.host_unit, end.port, end.module_sku) for end in kit.links] == [
        (1, 1, "sfp #3", "OPT"),
        (1, 2, "sfp #3", "OPT"),
    ]
    assert not build.kits(replace(given_tables, converters=()), asked=build.settings(switches_max=2)).kits


@pytest.mark.parametrize(
    ("medium", "copper", "sfp", "modules"),
    [
        ("any", 2, 1, 0),  # a copper port is free
        ("any", 1, 1, 1),
        ("fibre", 2, 1, 1),
        ("fibre", 2, 0, None),
        ("copper", 1, 1, None),
        ("copper", 2, 1, 0),
    ],
)
def test_uplink_medium(medium, copper: int, sfp: int, modules: int | None) -> None:
    """A DC device takes one copper port, the uplink one by copper or SFP."""
    ports = [build.data_ports("SW", copper)] + ([build.sfp_ports("SW", sfp)] if sfp else [])
    tables = build.tables(
        [(build.direct("plc", ports=1), 1, 5.0)],
        switches=[build.switch(budget_w=0)],
        ports=ports,
        converters=[build.sfp_module()],
    )
    asked = build.settings(uplink_ports=1, switches_max=1, uplink_medium=medium)
    result = build.kits(tables, asked=asked)
    assert [dict(kit.units).get("OPT", 0) for kit in result.kits] == ([] if modules is None else [modules])
    if modules is None:
        rule = ("sfp-ports", 0, 1) if medium == "fibre" else ("port-count", 1, 2)
        assert [(r.rule, r.value, r.limit) for r in result.refusals] == [rule]


@given(
    st.lists(st.tuples(st.integers(0, 2), st.integers(0, 2)), min_size=1, max_size=4),
    st.integers(0, 2),
    st.integers(0, 2),
    st.sampled_from(["any", "copper", "fibre"]),
)
def test_links_against_every_tree(free: list[tuple[int, int]], data: int, uplinks: int, medium: str) -> None:
    """Every tree, by choosing edges, and every medium of its edges."""
    from itertools import combinations, product

    n = len(free)
    best: int | None = None
    for edges in combinations(list(combinations(range(n), 2)), n - 1):
        joined = {0}
        for _ in range(n):
            joined |= {end for edge in edges if set(edge) & joined for end in edge}
        if len(joined) < n:
            continue
        for by_sfp in product((False, True), repeat=n - 1):
            left = [list(pair) for pair in free]
            for edge, fibre in zip(edges, by_sfp, strict=True):
                for end in edge:
                    left[end][fibre] -= 1
            if min(min(pair) for pair in left) < 0:
                continue
            copper, sfp = sum(pair[0] for pair in left), sum(pair[1] for pair in left)
            for on_sfp in {"any": range(uplinks + 1), "copper": (0,), "fibre": (uplinks,)}[medium]:
                if copper >= data + uplinks - on_sfp and sfp >= on_sfp:
                    modules = on_sfp + 2 * sum(by_sfp)
                    best = modules if best is None else min(best, modules)
    network = Network(data_ports=data, uplinks=uplinks, medium=medium, linked=True, sfp=True)
    plan = plan_links(network, [c for c, _ in free], [s for _, s in free], behind=0, spare_sfp=True)
    assert (plan.modules if plan else None) == best


def test_budget_under_a_voltage_narrows_the_window() -> None:
    """60 W from 11.5 V, 30 W under it; a 12 V AGM bus falls to 11.6 x 0.97 = 11.25 V.

    One class 4 camera (30 W) leaves the window at 9 V. Two need 60 W, so 11.5 V, which the bus does not
    keep; two switches with one camera each do. A battery cut off at 11.9 V (11.54 V) keeps it.
    """
    parts = {
        "switches": [build.switch(poe_budget_low_w=30.0, poe_budget_low_below_v=11.5)],
        "ports": [build.poe_ports("SW", 2, 4), build.data_ports("SW", 1)],
    }
    camera = build.poe("cam", 4, average_w=5)
    (one,) = build.kits(build.tables([(camera, 1, 10.0)], **parts), asked=ALONE).kits
    assert one.input_min_v == 9
    both = build.tables([(camera, 2, 10.0)], **parts)
    refused = build.kits(both, asked=ALONE)
    assert [(r.rule, r.value, r.limit) for r in refused.refusals if r.rule == "bus-window"] == [
        ("bus-window", 11.5, pytest.approx(11.252))
    ]
    assert not refused.kits
    (pair,) = build.kits(both, asked=build.settings(switches_max=2)).kits
    assert (pair.units, pair.input_min_v) == ((("SW", 2),), 9)
    high = replace(both, batteries=[build.battery(disconnect_v=11.9)])
    found = {
        kit.units: kit.input_min_v for kit in build.kits(high, asked=build.settings(switches_max=2)).kits
    }
    assert found == {(("SW", 1),): 11.5}


def test_budget_in_heat_lowers_the_highest_temperature() -> None:
    """60 W to 40 C, 2 W less per K: two cameras by class (60 W) hold to 40 C, one (30 W) to 40 + 15 = 55 C.

    So the pair on one switch and on two are both kits: which one serves depends on the site's heat.
    """
    tables = build.tables(
        [(build.poe("cam", 4, average_w=5), 2, 10.0)],
        switches=[build.switch(poe_derate_above_c=40.0, poe_derate_w_per_k=2.0)],
        ports=[build.poe_ports("SW", 2, 4), build.data_ports("SW", 1)],
    )
    kits = build.kits(tables, asked=build.settings(switches_max=2)).kits
    assert {kit.units: kit.temp_max_c for kit in kits} == {(("SW", 1),): 40.0, (("SW", 2),): 55.0}


def load(watts: float) -> BusLoad:
    return BusLoad(
        sku="x",
        schedules=(),
        own_w=0,
        max_w=watts,
        input_min_v=9,
        input_max_v=60,
        volume_l=0,
        temp_min_c=-40,
        temp_max_c=60,
    )


def test_sharing_beats_first_fit() -> None:
    """First fit puts 40 + 40, 30 x 3 and 30 into units of 100 W; 40 + 30 + 30 twice needs two."""
    bins = share([load(w) for w in (40, 40, 30, 30, 30, 30)], build.converter("C", (9, 60), 12, 100))
    assert sorted(sum(one.max_w for one in b) for b in bins) == [100, 100]
