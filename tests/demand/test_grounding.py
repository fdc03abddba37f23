"""Which pole of the bus is earthed, and which boxes take it: a case tied to the other pole shorts it."""

import pytest

from planner.tables.catalogue import ConverterRow
from planner.tables.rows import BusGrounding, DeviceRow
from tests.demand import build

NEGATIVE, POSITIVE, FLOATING = BusGrounding
EVERY = (NEGATIVE, POSITIVE, FLOATING)


def changed(row: ConverterRow, **values: object) -> ConverterRow:
    return ConverterRow.model_validate(row.model_dump() | values)


ISOLATED = changed(build.converter("ISO", (9, 36), 24, 100), isolated=True)


def camera_tables(groundings, *, converters=(), **switch):
    return build.tables(
        [(build.poe("cam", 3), 1, 5.0)],
        switches=[build.switch(**switch)],
        ports=[build.poe_ports("SW", 2, 4)],
        converters=converters,
        groundings=groundings,
    )


@pytest.mark.parametrize(
    ("switch", "takes"),
    [
        ({}, (NEGATIVE, FLOATING)),
        ({"case_ground": "positive"}, (POSITIVE, FLOATING)),
        ({"case_ground": "floating"}, EVERY),
        ({"isolated": True}, EVERY),
    ],
)
@pytest.mark.parametrize("asked", EVERY)
def test_case_of_a_switch(
    switch: dict[str, object], takes: tuple[BusGrounding, ...], asked: BusGrounding
) -> None:
    result = build.kits(camera_tables([asked], **switch), asked=build.settings(switches_max=1))
    assert [kit.groundings for kit in result.kits] == ([takes] if asked in takes else [])
    if asked not in takes:
        assert {(r.rule, r.subject) for r in result.refusals} >= {("bus-grounding", "SW")}
        assert asked.value in next(r.message for r in result.refusals if r.rule == "bus-grounding")


def test_behind_an_isolated_converter_everything_is_allowed() -> None:
    """A positive-earthed bus takes the negative-cased switch behind isolation, not behind a plain box."""
    (kit,) = build.kits(camera_tables([POSITIVE], converters=[ISOLATED])).kits
    assert kit.units == (("ISO", 1), ("SW", 1))
    assert kit.groundings == EVERY
    plain = build.converter("PLAIN", (9, 36), 24, 100)
    assert not build.kits(camera_tables([POSITIVE], converters=[plain])).kits


def test_a_fleet_of_both_keeps_both_kits() -> None:
    """The cheaper kit for the negative sites does not push out the one that positive sites need."""
    result = build.kits(camera_tables([NEGATIVE, POSITIVE], converters=[ISOLATED]))
    assert {kit.units: kit.groundings for kit in result.kits} == {
        (("SW", 1),): (NEGATIVE, FLOATING),
        (("ISO", 1), ("SW", 1)): EVERY,
    }


def earthed(device: DeviceRow, ground: BusGrounding) -> DeviceRow:
    return device.model_copy(update={"case_ground": ground})


def test_cases_of_both_poles_short_a_floating_bus() -> None:
    """Each alone takes a floating bus; together their earthed cases join the poles. Isolation parts them."""
    devices = [
        (earthed(build.direct("a"), NEGATIVE), 1, 1.0),
        (earthed(build.direct("b"), POSITIVE), 1, 1.0),
    ]
    for some, served in ((devices[:1], True), (devices[1:], True), (devices, False)):
        result = build.kits(build.tables(some, groundings=[FLOATING]))
        assert bool(result.kits) == served
    assert [(r.rule, r.subject) for r in result.refusals] == [("bus-grounding", "a with b")]
    (apart,) = build.kits(build.tables(devices, converters=[ISOLATED], groundings=[FLOATING])).kits
    assert len(apart.feeds) == 1  # one of the two, it does not matter which
    assert apart.units == (("ISO", 1),)


def test_a_passive_device_brings_its_pole_through_the_port() -> None:
    """A radio tied to its positive pole shorts a boosted port of a switch that is not isolated.

    An isolated switch, or an adapter on an 802.3 port (apart by standard), keeps them apart.
    """
    radio = earthed(build.passive("radio", 24), POSITIVE)
    ports = [build.passive_ports("SW", 1, 24), build.poe_ports("SW", 1, 4)]
    for isolated, converters, served in (
        (False, [], False),
        (True, [], True),
        (False, [build.adapter("ADP", 4, 24, 15)], True),
    ):
        tables = build.tables(
            [(radio, 1, 5.0)],
            switches=[build.switch(isolated=isolated)],
            ports=ports,
            converters=converters,
            groundings=[NEGATIVE],
        )
        assert bool(build.kits(tables, asked=build.settings(switches_max=1)).kits) == served


def test_a_disconnect_counts_too() -> None:
    metal = build.disconnect("METAL", 30.0)
    plastic = changed(build.disconnect("PLASTIC", 30.0), case_ground="floating")
    tables = camera_tables([POSITIVE], converters=[metal, plastic], isolated=True)
    assert {kit.units for kit in build.kits(tables, asked=build.settings(switches_max=1)).kits} == {
        (("SW", 1),),
        (("PLASTIC", 1), ("SW", 1)),
    }
