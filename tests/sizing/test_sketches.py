"""Sketches that were kept: as they were made, taken only where they are the site's own, never sketched twice.

What they must equal is a sketch made anew of the same site.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from planner.designs import Outline, Prepared, Sketch
from planner.fleet.buying import FloatArray
from planner.fleet.shortlist import price_table
from planner.sizing import Fleet, Known
from planner.sizing import site as sites_of
from planner.sizing.batches import SiteBatch, first_look
from planner.sizing.sketches import arrays_of, fits, pack_sketches, unpack_sketches
from planner.tables.arrays import pack_arrays, unpack_arrays

Change = Callable[[Sketch], Sketch]


@pytest.fixture(scope="module")
def fresh(fleet: Fleet) -> SiteBatch:
    """The sites looked at without anything known."""
    return SiteBatch(fleet, 0, Known())


def sketches_of(batch: SiteBatch) -> dict[int, list[Sketch]]:
    """Every sketch by site."""
    packed = batch.packed()
    assert packed is not None
    return unpack_sketches(packed)


def known_of(batch: SiteBatch, *packed: bytes) -> Known:
    """What is known of the sites of a batch."""
    most: dict[int, FloatArray] = {}
    for offer in batch.offers:
        assert offer.most is not None
        most[offer.site] = offer.most
    return Known(most=most, sketches=packed)


class Counted:
    """How many sketches were made."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.made, make = 0, sites_of.make_sketch

        def count(outline: Outline, prepared: Prepared) -> Sketch:
            self.made += 1
            return make(outline, prepared)

        monkeypatch.setattr(sites_of, "make_sketch", count)


def test_they_read_back_as_they_were_made(fleet: Fleet, fresh: SiteBatch) -> None:
    packed = fresh.packed()
    assert packed is not None
    found = unpack_sketches(packed)
    assert list(found) == [0, 1, 2]
    assert pack_sketches(found) == packed
    for i, some in found.items():
        drafts = list(sites_of.drafts(fleet, i, fleet.gear[i]))
        assert len(drafts) == len(some) > 0
        for draft, sketch in zip(drafts, some, strict=True):
            for name, values in arrays_of(draft.sketch).items():
                assert arrays_of(sketch)[name].dtype == values.dtype, name
                assert np.array_equal(arrays_of(sketch)[name], values), name


def test_with_them_no_site_but_the_one_that_is_checked_is_sketched(
    fleet: Fleet, fresh: SiteBatch, monkeypatch: pytest.MonkeyPatch
) -> None:
    packed = fresh.packed()
    assert packed is not None
    most = max(len(some) for some in unpack_sketches(packed).values())
    counted = Counted(monkeypatch)
    batch = SiteBatch(fleet, 0, known_of(fresh, packed))
    assert first_look(batch) == (3, {})
    assert 0 < counted.made <= most
    assert batch.packed() is None  # as they were given
    for s, offer in enumerate(batch.offers):
        table = price_table(fleet.pricer, offer, fleet.market.list_price)
        ours, theirs = batch.within(s, table, None, 50.0), fresh.within(s, table, None, 50.0)
        for mine, other in zip(ours.options, theirs.options, strict=True):
            assert np.array_equal(mine.designs.modules_parallel, other.designs.modules_parallel)
            assert np.array_equal(mine.designs.kit, other.designs.kit)


def test_without_some_these_are_made(fleet: Fleet, fresh: SiteBatch) -> None:
    every = sketches_of(fresh)
    del every[1]
    batch = SiteBatch(fleet, 0, known_of(fresh, pack_sketches(every)))
    first_look(batch)
    assert batch.packed() == fresh.packed()


def raised(name: str, by: float) -> Change:
    """A sketch with one array's numbers raised."""

    def change(sketch: Sketch) -> Sketch:
        values = arrays_of(sketch)[name]
        return replace(sketch, **{name: (values + by).astype(values.dtype)})

    return change


PAIRS = ("module", "controller", "draw")
ROWS, PAIRED = ("band", "battery", "series", "most", "level"), ("modules", "controllers", "charge")
TIMES = 500  # more than any site can have


def again(sketch: Sketch, flat: Sequence[str], deep: Sequence[str], axis: int) -> dict[str, Any]:
    """Some arrays many times over, which would fill the memory where they are laid out against each other."""
    arrays = arrays_of(sketch)
    tiled = {name: np.concatenate([arrays[name]] * TIMES, axis=axis) for name in deep}
    return {name: np.tile(arrays[name], TIMES) for name in flat} | tiled


CHANGES: dict[str, Change] = {
    "band beyond": raised("band", 5_000),
    "battery before": raised("battery", -500),
    "level beyond": raised("level", 60),
    "level before": raised("level", -60),
    "module beyond": raised("module", 1_000),
    "controller beyond": raised("controller", 1_000),
    "draw beyond": raised("draw", 1_000),
    "more charge": raised("charge", 1),
    "other series": raised("series", 1),
    "fewer at most": raised("most", -1),
    "more modules": raised("modules", 1),
    "fewer blocks": lambda sketch: replace(sketch, blocks=np.maximum(sketch.blocks - 1, 0)),
    "other volumes": raised("kit_l", 1.0),
    "fewer rows": lambda sketch: replace(sketch, band=sketch.band[:-1]),
    "fewer pairs": lambda sketch: replace(sketch, modules=sketch.modules[:, 1:]),
    "pairs again": lambda sketch: replace(sketch, **again(sketch, PAIRS, PAIRED, 1)),
    "rows again": lambda sketch: replace(sketch, **again(sketch, ROWS, ("blocks",), 0)),
    "fewer draws": lambda sketch: replace(sketch, blocks=sketch.blocks[:, 1:]),
}


@pytest.mark.parametrize("name", sorted(CHANGES))
def test_what_is_not_theirs_is_made_anew(fleet: Fleet, fresh: SiteBatch, name: str) -> None:
    every = {i: [CHANGES[name](one) for one in some] for i, some in sketches_of(fresh).items()}
    batch = SiteBatch(fleet, 0, known_of(fresh, pack_sketches(every)))
    assert first_look(batch) == (3, {})
    assert batch.packed() == fresh.packed()


#: What cannot be, whoever's it is, and is refused where nothing is sketched to compare with.
IMPOSSIBLE = (
    "band beyond", "battery before", "level beyond", "level before", "module beyond", "controller beyond",
    "draw beyond", "other volumes", "fewer rows", "fewer pairs", "pairs again", "rows again",
)  # fmt: skip


@pytest.mark.parametrize("name", IMPOSSIBLE)
def test_what_cannot_be_is_refused_by_itself(fleet: Fleet, name: str) -> None:
    for draft in sites_of.drafts(fleet, 0, fleet.gear[0]):
        assert fits(draft)
        changed = replace(draft, sketch=CHANGES[name](draft.sketch))
        try:
            assert not fits(changed)
        except ValueError:
            continue


@pytest.mark.parametrize("kind", [np.int64, np.float64, np.str_, np.bool_])
def test_other_kinds_of_numbers_are_made_anew(
    fleet: Fleet, fresh: SiteBatch, kind: type[np.generic]
) -> None:
    every = {
        i: [replace(one, modules=one.modules.astype(kind)) for one in some]
        for i, some in sketches_of(fresh).items()
    }
    batch = SiteBatch(fleet, 0, known_of(fresh, pack_sketches(every)))
    first_look(batch)
    assert batch.packed() == fresh.packed()


@pytest.mark.parametrize("name", ["site", "number", "kit_l_shape", "modules_shape"])
@pytest.mark.parametrize("change", [lambda one: one[None], lambda one: one.astype(str), lambda one: one[1:]])
def test_arrays_of_other_kinds_and_sizes_are_made_anew(
    fleet: Fleet, fresh: SiteBatch, name: str, change: Callable[[Any], Any]
) -> None:
    arrays = unpack_arrays(pack_sketches(sketches_of(fresh)))
    arrays[name] = change(arrays[name])
    batch = SiteBatch(fleet, 0, known_of(fresh, pack_arrays(arrays)))
    assert first_look(batch) == (3, {})
    assert batch.packed() == fresh.packed()


def test_those_of_other_sites_and_no_archive_at_all_are_made_anew(fleet: Fleet, fresh: SiteBatch) -> None:
    some = sketches_of(fresh)
    turned = pack_sketches({0: some[1], 1: some[2], 2: some[0]})
    for packed in (turned, b"", b"PK nothing", turned[: len(turned) // 2]):
        batch = SiteBatch(fleet, 0, known_of(fresh, packed))
        assert first_look(batch) == (3, {})
        assert batch.packed() == fresh.packed()
