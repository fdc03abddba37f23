"""Which groundings of the bus a box accepts: its case and shields are earthed with the rest of the site.

A box whose case is tied to the negative pole shorts a bus that is earthed at the positive one, unless its
input is apart from its case. A floating bus takes boxes of either pole, but not of both: their earthed cases
would join the poles.
"""

from functools import lru_cache

from planner.tables.catalogue import ConverterRow, SwitchRow
from planner.tables.rows import BusGrounding

#: Poles of the bus that boxes tie to earth; both together are a short.
Poles = frozenset[BusGrounding]
NONE: Poles = frozenset()
SHORT: Poles = frozenset({BusGrounding.NEGATIVE, BusGrounding.POSITIVE})


def tied(ground: BusGrounding | None) -> Poles:
    """The pole that a case is tied to, if any."""
    return NONE if ground in (None, BusGrounding.FLOATING) else frozenset({BusGrounding(ground)})


def box_poles(row: SwitchRow | ConverterRow) -> Poles:
    """What a box by itself ties to earth on its input's side."""
    return NONE if row.isolated else tied(row.case_ground)


def through(poles: Poles, *, isolated: bool) -> Poles:
    """What boxes behind a converter or a boosted port tie to earth on its input's side.

    Without isolation the negative pole runs through; the positive output is another pole than the input's,
    so to earth it shorts whatever the bus has earthed. A short behind a box stays one.
    """
    if len(poles) > 1:
        return SHORT
    if isolated or not poles:
        return NONE
    return SHORT if BusGrounding.POSITIVE in poles else poles


@lru_cache(maxsize=8)
def accepted(poles: Poles) -> tuple[BusGrounding, ...]:
    """Groundings of the bus that boxes tying these poles to earth accept, in the order of the enum."""
    if len(poles) > 1:
        return ()
    return tuple(g for g in BusGrounding if not poles or g in poles or g is BusGrounding.FLOATING)
