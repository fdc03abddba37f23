"""Kits worked by hand; the arithmetic stands in the comments. Class values are those of IEEE 802.3-2022."""

from dataclasses import replace

import pytest

from planner.demand import SupplyKit, UnitLimits, enumerate_kits
from planner.tables.catalogue import PseKind
from tests.demand import build


def only(kits: tuple[SupplyKit, ...], *skus: str) -> SupplyKit:
    """The kit of exactly these SKUs."""
    (kit,) = [kit for kit in kits if [sku for sku, _ in kit.units] == sorted(skus)]
    return kit


def test_camera_and_logger_on_12_v() -> None:
    """One class 4 camera over 80 m, 10 W mean, 20 W at most; a logger on the bus; boosted switch of 90 %.

    Loop 12.5 x 0.8 = 10 ohm, 50 V (Type 2): I = (50 - sqrt(2500 - 400)) / 20 = 0.20871 A, 10.4356 W mean;
    at most I = (50 - sqrt(2500 - 800)) / 20 = 0.43845 A, 21.9224 W.
    Bus: 10.4356 / 0.9 + 1 (logger) = 12.5951 W, own 2 W; at most 2 + 21.9224 / 0.9 + 2 = 28.3582 W, over
    11 V 2.5780 A. The logger's 9 to 16 V set the window.
    """
    tables = build.tables(
        [(build.poe("cam", 4, average_w=10, max_w=20), 1, 80.0), (build.direct("logger", (9, 16)), 1, 0.0)],
        switches=[build.switch()],
        ports=[build.poe_ports("SW", 2, 4)],
    )
    (kit,) = build.kits(tables).kits
    assert kit.units == (("SW", 1),)
    assert dict(kit.bus_w)["always"] == pytest.approx(12.5951, abs=5e-5)
    assert kit.own_w == pytest.approx(2.0)
    assert kit.max_w == pytest.approx(28.3582, abs=5e-5)
    assert kit.max_current_a == pytest.approx(2.5780, abs=5e-5)
    assert (kit.input_min_v, kit.input_max_v, kit.window_high_sku) == (9, 16, "logger")
    camera, logger = kit.ports
    assert (camera.port, camera.allocated_w, camera.via_sku) == ("poe class 4 #1", 30.0, "")
    assert camera.host_w == pytest.approx(10.4356, abs=5e-5)
    assert camera.host_max_w == pytest.approx(21.9224, abs=5e-5)
    assert (logger.port, logger.host_w) == ("bus", 1.0)


def test_four_pairs_lose_half() -> None:
    """60 W of class 7 (52 V, four pairs) over 100 m: R = 6.25, I = (52 - sqrt(2704 - 1500)) / 12.5.

    = 1.384104 A, 71.9734 W; on two pairs the same load would need more than the pairs carry.
    """
    tables = build.tables(
        [(build.poe("ptz", 7, average_w=60), 1, 100.0)],
        switches=[build.switch(budget_w=90, efficiency=1.0)],
        ports=[build.poe_ports("SW", 1, 8)],
    )
    (kit,) = build.kits(tables).kits
    assert dict(kit.bus_w)["always"] == pytest.approx(71.9734, abs=5e-5)


@pytest.mark.parametrize(
    ("by_device", "by_switch", "fits"), [(True, True, True), (True, False, False), (False, True, False)]
)
def test_measured_allocation_needs_both(by_device: bool, by_switch: bool, fits: bool) -> None:
    """Three class 4 cameras of 12 W over 0 m: 36 W measured fit 60 W; 90 W by class don't."""
    tables = build.tables(
        [(build.poe("cam", 4, average_w=5, max_w=12, measured=by_device), 3, 0.0)],
        switches=[build.switch(budget_w=60, measured=by_switch)],
        ports=[build.poe_ports("SW", 4, 4)],
    )
    kits = build.kits(tables, asked=build.settings(switches_max=1)).kits
    assert bool(kits) == fits
    if fits:
        assert [a.allocated_w for a in kits[0].ports] == [12.0, 12.0, 12.0]


def test_injectors_where_the_switch_gives_none() -> None:
    """A plain switch with 3 data ports and two cameras behind injectors on the bus.

    Two class 3 of 3 W over 0 m: 2 x 3 / 0.8 = 7.5 W; own 2 + 2 x 0.5 = 3 W. Over three cameras with an
    uplink there are 4 copper ports to find and 3 to have.
    """
    switch = build.switch(pse=PseKind.NONE, budget_w=0, efficiency=1.0)
    for cameras, served in ((2, True), (3, False)):
        tables = build.tables(
            [(build.poe("cam", 3), cameras, 0.0)],
            switches=[switch],
            ports=[build.data_ports("SW", 3)],
            converters=[build.injector("INJ", 4)],
        )
        kits = build.kits(tables, asked=build.settings(uplink_ports=1, switches_max=1)).kits
        assert bool(kits) == served
        if served:
            assert kits[0].units == (("INJ", 2), ("SW", 1))
            assert kits[0].bus_w == (("always", pytest.approx(7.5)),)
            assert kits[0].own_w == pytest.approx(3.0)
            assert {a.via_sku for a in kits[0].ports} == {"INJ"}
            assert {a.allocated_w for a in kits[0].ports} == {0.0}


def test_injectors_only_as_many_as_needed() -> None:
    """Budget 60 W for three class 4 of 30 W: two on the switch, one behind an injector."""
    tables = build.tables(
        [(build.poe("cam", 4, average_w=5), 3, 10.0)],
        switches=[build.switch(budget_w=60)],
        ports=[build.poe_ports("SW", 4, 4)],
        converters=[build.injector("INJ", 4)],
    )
    kits = build.kits(tables, asked=build.settings(switches_max=1)).kits
    assert [kit.units for kit in kits] == [(("INJ", 1), ("SW", 1))]


def test_injector_of_too_low_a_class() -> None:
    tables = build.tables(
        [(build.poe("ptz", 6, average_w=20), 1, 10.0)],
        switches=[build.switch(pse=PseKind.NONE, budget_w=0)],
        ports=[build.data_ports("SW", 3)],
        converters=[build.injector("INJ", 4)],
    )
    result = build.kits(tables)
    assert not result.kits
    assert result.refusals[0].rule == "poe-class"


@pytest.mark.parametrize(("poe_class", "floor_v"), [(3, 44.0), (4, 50.0), (6, 50.0), (8, 52.0)])
def test_pass_through_keeps_the_standards_voltage(poe_class: int, floor_v: float) -> None:
    """Behind a 54 V converter it serves; the converter's own window is the kit's. On the bus its window is

    44 to 57 V (Type 1), which a 48 V lead-acid bus of 45.0 V and 56.4 V holds, but 50 or 52 V it doesn't.
    """
    tables = build.tables(
        [(build.poe("pd", poe_class, average_w=5), 1, 10.0)],
        switches=[build.switch(window=(40, 60), pse=PseKind.PASSTHROUGH, budget_w=100)],
        ports=[build.poe_ports("SW", 1, 8)],
        converters=[build.converter("UP", (36, 75), 54, 150)],
    )
    kits = build.kits(tables, 48).kits
    behind = only(kits, "SW", "UP")
    assert (behind.input_min_v, behind.input_max_v) == (36, 75)
    assert behind.feeds == (("SW", "UP"),)
    on_bus = [kit for kit in kits if kit.units == (("SW", 1),)]
    assert [(kit.input_min_v, kit.input_max_v) for kit in on_bus] == (
        [(floor_v, 57.0)] if floor_v == 44 else []
    )


def test_converter_is_in_the_way_twice() -> None:
    """A pass-through switch behind a 90 % converter: 5 W mean over 0 m, switch 2 W, converter 0.5 W.

    Bus: 5 / 0.9 = 5.5556 W while on; own 0.5 + 2 / 0.9 = 2.7222 W; at most 0.5 + 12 / 0.9 = 13.8333 W.
    """
    tables = build.tables(
        [(build.poe("pd", 4, average_w=5, max_w=10), 1, 0.0)],
        switches=[build.switch(window=(44, 57), pse=PseKind.PASSTHROUGH, efficiency=1.0)],
        ports=[build.poe_ports("SW", 1, 4)],
        converters=[build.converter("UP", (9, 36), 54, 12.0)],
    )
    (kit,) = build.kits(tables, 12).kits
    assert dict(kit.bus_w)["always"] == pytest.approx(5 / 0.9)
    assert kit.own_w == pytest.approx(0.5 + 2 / 0.9)
    assert kit.max_w == pytest.approx(0.5 + 12 / 0.9)
    weak = replace(tables, converters=[build.converter("UP", (9, 36), 54, 11.9)])
    (refusal,) = build.kits(weak, 12, build.settings(switches_max=1)).refusals
    assert (refusal.rule, refusal.value, refusal.limit) == ("converter-power", 11.9, pytest.approx(12.0))


def test_dc_devices_share_converters() -> None:
    """Five 12 V devices of 20 W on a 48 V bus behind 50 W converters: two on each, so three converters.

    Mean 5 x 4 / 0.9 = 22.2222 W, own 3 x 0.5 = 1.5 W.
    """
    tables = build.tables(
        [(build.direct("lamp", (10, 15), average_w=4, max_w=20), 5, 0.0)],
        converters=[build.converter("DOWN", (36, 75), 12, 50)],
    )
    (kit,) = build.kits(tables, 48).kits
    assert kit.units == (("DOWN", 3),)
    assert dict(kit.bus_w)["always"] == pytest.approx(20 / 0.9)
    assert kit.own_w == pytest.approx(1.5)
    assert {(a.port, a.via_sku) for a in kit.ports} == {("dc_dc", "DOWN")}


def test_dc_window_against_the_bus() -> None:
    """A 24 V lead-acid bus falls to 2 x 11.6 x 0.97 = 22.50 V and charges at 2 x 14.1 = 28.2 V at least."""
    for window, held in (((22.5, 28.3), True), ((22.6, 28.3), False), ((22.5, 28.1), False)):
        tables = build.tables([(build.direct("plc", window), 1, 0.0)])
        result = build.kits(tables, 24)
        assert bool(result.kits) == held
        assert [r.rule for r in result.refusals] == ([] if held else ["bus-window"])


def test_windows_that_exclude_each_other() -> None:
    """Each device suits one battery of the two, never the same: no kit, and the pair is named."""
    batteries = [build.battery("LOW", disconnect_v=10.0), build.battery("HIGH", 12.0, disconnect_v=11.9)]
    high = batteries[1].model_copy(update={"charge_min_v": 14.6})
    tables = build.tables(
        [(build.direct("a", (11.0, 20)), 1, 1.0), (build.direct("b", (9, 14.3)), 1, 1.0)],
        batteries=[batteries[0], high],
    )
    result = build.kits(tables)
    assert not result.kits
    assert [(r.rule, r.subject) for r in result.refusals] == [("bus-window", "a with b")]


def test_pass_through_passive_ports_follow_the_bus() -> None:
    """A 48 V radio that states 40 to 57 V, 12 W over 50 m: loop 4.21 ohm.

    At 40 V it draws 0.3 A, a drop of 1.263 V: the port needs 41.263 V; 0.9 x 48 = 43.2 V asks more.
    Feed at 43.2 V: I = (43.2 - sqrt(43.2^2 - 4 x 4.21 x 12)) / 8.42 = 0.28562 A, 12.3434 W.
    """
    tables = build.tables(
        [(build.passive("radio", 48, average_w=12, max_w=12, window=(40, 57)), 1, 50.0)],
        switches=[build.switch(window=(36, 72), pse=PseKind.PASSTHROUGH, efficiency=1.0)],
        ports=[build.passive_ports("SW", 2, 48), build.data_ports("SW", 1)],
    )
    (kit,) = build.kits(tables, 48).kits
    assert (kit.input_min_v, kit.input_max_v) == (pytest.approx(43.2), 57)
    assert dict(kit.bus_w)["always"] == pytest.approx(12.3434, abs=5e-4)


def test_passive_feed_refuses_what_the_cable_cannot_carry() -> None:
    """24 V over 100 m (8.42 ohm) carries 24^2 / (4 x 8.42) = 17.1 W; the port may limit it before.

    12 W take 15.52 W at the port; 17.2 W need 2 sqrt(17.2 x 8.42) = 24.07 V there.
    """
    for watts, port_w, rule in (
        (12.0, 15.6, None),
        (12.0, 15.4, ("passive-power", 15.4, pytest.approx(15.52, abs=0.01))),
        (17.0, None, None),
        (17.2, None, ("passive-drop", 24.0, pytest.approx(24.07, abs=0.01))),
    ):
        tables = build.tables(
            [(build.passive(average_w=1, max_w=watts), 1, 100.0)],
            switches=[build.switch(budget_w=200)],
            ports=[build.passive_ports("SW", 1, 24, port_w)],
        )
        result = build.kits(tables, asked=build.settings(switches_max=1))
        assert bool(result.kits) == (rule is None)
        assert [(r.rule, r.value, r.limit) for r in result.refusals] == ([rule] if rule else [])


def test_passive_voltage_must_match() -> None:
    tables = build.tables(
        [(build.passive("radio", 24), 1, 5.0)],
        switches=[build.switch()],
        ports=[build.passive_ports("SW", 2, 48)],
    )
    assert not build.kits(tables).kits


def test_passive_voltage_at_the_far_end() -> None:
    """12 W at 18 V are 0.6667 A; over 100 m (8.42 ohm) they drop 5.613 V: 23.61 V at the port keep the radio.

    So a boosted 24 V port serves a radio of 18 V at least, not one of 19 V: 19 + 12 / 19 x 8.42 = 24.32 V.
    """
    for window, served in (((18, 30), True), ((19, 30), False), ((18, 23.9), False)):
        tables = build.tables(
            [(build.passive(average_w=1, max_w=12, window=window), 1, 100.0)],
            switches=[build.switch()],
            ports=[build.passive_ports("SW", 1, 24)],
        )
        assert bool(build.kits(tables).kits) == served


@pytest.mark.parametrize(("loop_ohm", "refused"), [(20.0, False), (21.0, True)])
def test_more_than_the_class_at_the_port(loop_ohm: float, refused: bool) -> None:
    """12.95 W of class 3 over 100 m: 15.4 W at the port behind 20 ohm (Type 1), 15.58 W behind 21 ohm.

    21 ohm: I = (44 - sqrt(1936 - 4 x 21 x 12.95)) / 42 = 0.35419 A, 15.5845 W (IEEE 802.3-2022 clause 33).
    """
    tables = build.tables(
        [(build.poe("cam", 3, average_w=1, max_w=12.95), 1, 100.0)],
        switches=[build.switch()],
        ports=[build.poe_ports("SW", 1, 4)],
    )
    result = build.kits(tables, asked=build.settings(loop_ohm=loop_ohm))
    assert bool(result.kits) != refused
    if refused:
        (refusal,) = result.refusals
        assert (refusal.rule, refusal.limit) == ("class-power", 15.4)
        assert refusal.value == pytest.approx(15.5845, abs=5e-4)


def test_a_passive_port_carries_no_other_device() -> None:
    """Its voltage is always on: the data device and the uplink find one data port, not the passive ones."""
    tables = build.tables(
        [(build.passive(), 1, 5.0), (build.direct("plc", ports=1), 1, 5.0)],
        switches=[build.switch()],
        ports=[build.passive_ports("SW", 4, 24), build.data_ports("SW", 1)],
    )
    assert build.kits(tables, asked=build.settings(uplink_ports=0)).kits
    assert not build.kits(tables, asked=build.settings(uplink_ports=1, switches_max=1)).kits


def test_load_disconnects() -> None:
    """28.3582 W over 11 V are 2.578 A: 2.5 A are too few, 3 A do; the loss of 2 % weighs on everything.

    With it, at most 28.3582 / 0.98 + 0.1 = 29.0369 W, 2.6397 A; mean 12.5951 / 0.98 = 12.8522 W.
    """
    tables = build.tables(
        [(build.poe("cam", 4, average_w=10, max_w=20), 1, 80.0), (build.direct("logger", (9, 16)), 1, 0.0)],
        switches=[build.switch()],
        ports=[build.poe_ports("SW", 2, 4)],
        converters=[
            build.disconnect("D2.5", 2.5),
            build.disconnect("D3", 3.0, efficiency=0.98, own_w=0.1),
            build.disconnect("D3 low", 3.0, window=(8, 13)),
        ],
    )
    kits = build.kits(tables).kits
    assert [(kit.units, kit.load_terminal) for kit in kits] == [
        ((("D3", 1), ("SW", 1)), False),
        ((("SW", 1),), True),
    ]
    kit = only(kits, "D3", "SW")
    assert kit.max_w == pytest.approx(29.0369, abs=5e-4)
    assert kit.max_current_a == pytest.approx(2.6397, abs=5e-5)
    assert dict(kit.bus_w)["always"] == pytest.approx(12.8522, abs=5e-4)
    assert kit.own_w == pytest.approx(2 / 0.98 + 0.1)


def test_currents_are_those_at_the_lowest_battery() -> None:
    """30 W from a battery that disconnects at 10.5 V, less 3 % of drop 10.185 V: 2.9455 A, not 2.727."""
    tables = build.tables(
        [(build.direct("pump", (9, 16), max_w=30.0), 1, 0.0)],
        converters=[build.disconnect("D2.9", 2.9), build.disconnect("D3", 3.0)],
        batteries=[build.battery(disconnect_v=10.5)],
    )
    kits = build.kits(tables).kits
    assert [dict(kit.units) for kit in kits] == [{}, {"D3": 1}]
    assert kits[0].max_current_a == pytest.approx(2.9455, abs=5e-5)


def test_a_second_switch_that_pays_for_itself_stays() -> None:
    """80 W at 70 % draw 114.3 W; at 99 % 80.8 W: the second switch's 2 W repay, so both sets are kept.

    At an efficiency of 71 % it would save 1.6 W and cost 2 W: the second one alone is as good, the pair idle.
    """
    for efficiency, kept in ((0.99, True), (0.71, False)):
        tables = build.tables(
            [(build.poe("pd", 4, average_w=20), 3, 0.0), (build.poe("ptz", 6, average_w=20), 1, 0.0)],
            switches=[
                build.switch("A", efficiency=0.70, budget_w=200),
                build.switch("B", efficiency=efficiency, budget_w=200),
            ],
            ports=[build.poe_ports("A", 5, 6), build.poe_ports("B", 5, 4)],
        )
        found = {kit.units for kit in build.kits(tables, asked=build.settings(switches_max=2)).kits}
        assert (("A", 1),) in found
        assert ((("A", 1), ("B", 1)) in found) == kept


def test_a_profile_without_devices_is_refused() -> None:
    result = build.kits(build.tables([]))
    assert (result.kits, [r.rule for r in result.refusals]) == ((), ["no-devices"])


def test_order_and_result_do_not_depend_on_the_run() -> None:
    tables = build.tables(
        [(build.poe("cam", 4, average_w=5), 2, 10.0), (build.direct(), 1, 5.0)],
        switches=[build.switch("A"), build.switch("B", own_w=1.0, efficiency=0.8)],
        ports=[build.poe_ports("A", 4, 4), build.poe_ports("B", 4, 4)],
        converters=[build.disconnect("D", 30.0), build.converter("C", (9, 36), 24, 100)],
    )
    backwards = replace(
        tables, switches=list(reversed(tables.switches)), converters=list(reversed(tables.converters))
    )
    assert build.kits(tables) == build.kits(tables)
    assert [k.units for k in build.kits(tables).kits] == [k.units for k in build.kits(backwards).kits]


def test_only_what_is_sold() -> None:
    from planner.demand import enumerate_kits

    tables = build.tables(
        [(build.poe(), 1, 5.0)],
        switches=[build.switch("A"), build.switch("B")],
        ports=[build.poe_ports("A", 1, 4), build.poe_ports("B", 1, 4)],
    )
    result = enumerate_kits(
        tables, load_profile="p", system_voltage_v=12, settings=build.settings(), sold=frozenset({"B", "AGM"})
    )
    assert [kit.units for kit in result.kits] == [(("B", 1),)]


SWITCHES = {
    "switches": [
        build.switch("A"),
        build.switch("B", own_w=1.0),
        build.switch("C", budget_w=0, pse=PseKind.NONE),
    ],
    "ports": [build.poe_ports("A", 4, 4), build.poe_ports("B", 4, 4), build.data_ports("C", 4)],
}


def limited(
    *, least: tuple[tuple[str, int], ...] = (), most: tuple[tuple[str, int], ...] = ()
) -> set[tuple[tuple[str, int], ...]]:
    """Boxes of the kits of two class-3 cameras, with at least or at most so many of some boxes."""
    tables = build.tables([(build.poe("cam", 3), 2, 5.0)], **SWITCHES)
    result = enumerate_kits(
        tables,
        load_profile="p",
        system_voltage_v=12,
        settings=build.settings(switches_max=2),
        limits=UnitLimits(least=least, most=most),
    )
    return {kit.units for kit in result.kits}


def test_kits_hold_the_switches_that_must_be_kept() -> None:
    """A switch that alone does not serve stands beside one that does; a pair leaves no room for that."""
    assert limited() == {(("A", 1),), (("B", 1),)}
    assert limited(least=(("A", 1),)) == {(("A", 1),)}
    assert limited(least=(("C", 1),)) == {(("A", 1), ("C", 1)), (("B", 1), ("C", 1))}
    assert limited(least=(("A", 1), ("B", 1))) == {(("A", 1), ("B", 1))}
    assert limited(least=(("A", 2),)) == {(("A", 2),)}
    assert limited(least=(("C", 2),)) == set()
    assert limited(least=(("C", 3),)) == set()


def test_kits_hold_no_more_than_there_is() -> None:
    assert limited(most=(("A", 1),)) == {(("A", 1),), (("B", 1),)}
    assert limited(most=(("A", 0),)) == {(("B", 1),)}
