"""Plans that begin where an earlier one ended, against plans made from nothing."""

import hashlib
import io
import json
import shutil
from collections.abc import Callable
from dataclasses import fields, replace
from decimal import Decimal
from pathlib import Path
from random import Random
from typing import Any, NoReturn

import numpy as np
import pytest
from typer.testing import CliRunner

from planner import grounds, pipeline
from planner.cli import app
from planner.cli.app import ExitCode
from planner.designs import Outline, Prepared, Sketch
from planner.grounds import Ground
from planner.pipeline import Machines, plan_folder
from planner.plan import Plan
from planner.reliability import SiteCurve
from planner.rerun import plan_again
from planner.reuse import Kept, pack, unpacked
from planner.reuse.ground import ground_arrays, kit_arrays, kits_of
from planner.scenario import read_scenario
from planner.sizing import site
from planner.tables.arrays import pack_arrays, unpack_arrays
from planner.tables.plan_files import SEARCH, read_plan
from tests.plan.fleets import SCENARIO, Cut
from tests.plan.test_availability import ALONE, QUICK, halved
from tests.support import Rows, read_rows, write_rows

USED = "designs, curves and multipliers are used again"


@pytest.fixture(scope="module")
def earlier(tmp_path_factory: pytest.TempPathFactory) -> tuple[Cut, Path, Plan]:
    """A fleet of four sites with buses of 12 or 24 V, and a plan of it whose gap is closed."""
    folder = tmp_path_factory.mktemp("reuse")
    cut = Cut(folder / "fleet", first_sites(4)).thin(2, 0).buses(12, 24)
    plan, _ = plan_folder(cut.folder, folder / "plan")
    return cut, folder / "plan", plan


def first_sites(number: int) -> list[str]:
    """Sites of the bundled fleet."""
    return [row["site_id"] for row in read_rows(SCENARIO / "sites.csv")][:number]


@pytest.fixture
def unasked(monkeypatch: pytest.MonkeyPatch) -> None:
    """Why a site has no design, which is asked of plans without some rule, is not what is tested."""
    monkeypatch.setattr(pipeline, "blocked", lambda *_: [])


def changed(cut: Cut, folder: Path, name: str, edit: Callable[[Rows], Rows]) -> Path:
    """A copy of the fleet with one table changed."""
    shutil.copytree(cut.folder, folder)
    write_rows(folder / f"{name}.csv", edit(read_rows(folder / f"{name}.csv")))
    return folder


def other_prices(seed: int) -> Callable[[Rows], Rows]:
    """Every SKU's prices by a factor of its own, from 0.7 to 1.4."""
    rng = Random(seed)
    factors: dict[str, Decimal] = {}

    def edit(rows: Rows) -> Rows:
        for row in rows:
            factors.setdefault(row["sku"], Decimal(rng.randint(70, 140)) / 100)
            price = Decimal(row["unit_price"]) * factors[row["sku"]]
            row["unit_price"] = str(price.quantize(Decimal("0.01")))
        return rows

    return edit


@pytest.mark.parametrize("seed", range(3))
def test_the_optimum_is_that_of_a_plan_from_nothing(
    earlier: tuple[Cut, Path, Plan], tmp_path: Path, seed: int
) -> None:
    cut, before, first = earlier
    scenario = changed(cut, tmp_path / "fleet", "catalogue/prices", other_prices(seed))
    again, _, _ = plan_again(scenario, tmp_path / "again", earlier=before)
    fresh, _ = plan_folder(scenario, tmp_path / "fresh")
    assert again.reuse == USED
    assert again.total_cost == fresh.total_cost != first.total_cost
    assert again.manifest["outcome"] == fresh.manifest["outcome"] == "optimal"
    assert again.manifest["audit"]["passed"]
    assert "reused" in again.manifest["work"]
    assert "reused" not in fresh.manifest["work"]


def test_a_rule_of_the_purchase_may_change(earlier: tuple[Cut, Path, Plan], tmp_path: Path) -> None:
    """Taking a SKU on costs so much that fewer are taken; and stock of the battery in use runs out."""
    cut, before, first = earlier
    used = first.tables["site_designs"]["battery_sku"][0]
    scenario = changed(
        cut,
        tmp_path / "fleet",
        "catalogue/stock",
        lambda rows: [row | ({"stock_qty": "2"} if row["sku"] == used else {}) for row in rows],
    )
    overrides = {"purchase.budget": "1000000", "solver.threads": "1"}
    again, _, _ = plan_again(scenario, tmp_path / "again", earlier=before, overrides=overrides)
    fresh, _ = plan_folder(scenario, tmp_path / "fresh", overrides=overrides)
    assert again.reuse == USED
    assert again.total_cost == fresh.total_cost > first.total_cost


def test_same_bytes_on_any_number_of_workers(earlier: tuple[Cut, Path, Plan], tmp_path: Path) -> None:
    cut, before, _ = earlier
    for workers in (1, 2):
        plan_again(
            cut.folder, tmp_path / str(workers), earlier=before, machines=Machines(workers=workers)
        )
    names = sorted(path.name for path in (tmp_path / "1").iterdir() if path.name != "timings.json")
    for name in names:
        assert (tmp_path / "1" / name).read_bytes() == (tmp_path / "2" / name).read_bytes(), name


def test_what_is_kept_reads_back_as_it_was(earlier: tuple[Cut, Path, Plan]) -> None:
    _, before, plan = earlier
    data = (before / SEARCH).read_bytes()
    kept = unpacked(data)
    assert pack(kept) == data
    assert plan.kept is not None
    mine, theirs = kept.start, plan.kept.start
    assert (mine.pool.designs.usage != theirs.pool.designs.usage).nnz == 0
    assert np.array_equal(mine.w, theirs.w)
    assert mine.gap == theirs.gap
    assert mine.pool.greatest is not None
    assert theirs.pool.greatest is not None
    assert np.array_equal(mine.pool.greatest, theirs.pool.greatest)


def repacked(plan: Path, target: Path, change: Callable[[Kept], Kept]) -> Path:
    """A copy of a plan whose search is another, and whose manifest agrees to it."""
    shutil.copytree(plan, target)
    data = pack(change(unpacked((target / SEARCH).read_bytes())))
    with_search(target, data)
    return target


def with_search(plan: Path, data: bytes) -> None:
    """Give a plan another search that it vouches for."""
    (plan / SEARCH).write_bytes(data)
    manifest = json.loads((plan / "manifest.json").read_text(encoding="utf-8"))
    manifest["files"][SEARCH] = hashlib.sha256(data).hexdigest()
    (plan / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")


@pytest.fixture(scope="module")
def bare(earlier: tuple[Cut, Path, Plan], tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The fleet at other prices, planned from a plan that kept neither sketches nor climate nor kits."""
    cut, before, _ = earlier
    folder = tmp_path_factory.mktemp("bare")
    scenario = changed(cut, folder / "fleet", "catalogue/prices", other_prices(7))
    without = repacked(before, folder / "plan", lambda kept: replace(kept, sketches=(), ground=None))
    again, _, _ = plan_again(scenario, folder / "again", earlier=without)
    assert again.reuse == USED
    return scenario, folder / "again"


@pytest.mark.parametrize("workers", [1, 2])
def test_sketches_climate_and_kits_that_are_kept_change_nothing(
    earlier: tuple[Cut, Path, Plan], bare: tuple[Path, Path], tmp_path: Path, workers: int
) -> None:
    _, before, _ = earlier
    scenario, expected = bare
    again, _, _ = plan_again(
        scenario, tmp_path / "again", earlier=before, machines=Machines(workers=workers)
    )
    assert again.reuse == USED
    same_but_timings(tmp_path / "again", expected)


def same_but_timings(one: Path, other: Path) -> None:
    """The same files of the same bytes."""
    names = {path.name for path in one.iterdir()}
    assert names == {path.name for path in other.iterdir()}
    for name in names - {"timings.json"}:
        assert (one / name).read_bytes() == (other / name).read_bytes(), name


def test_a_plan_from_what_is_kept_keeps_the_same(earlier: tuple[Cut, Path, Plan], tmp_path: Path) -> None:
    cut, before, _ = earlier
    plan_again(cut.folder, tmp_path / "again", earlier=before)
    first, again = (unpacked((folder / SEARCH).read_bytes()) for folder in (before, tmp_path / "again"))
    assert len(first.sketches) == 1
    assert again.sketches == first.sketches
    assert first.ground is not None
    assert again.ground is not None
    mine, theirs = ground_arrays(again.ground), ground_arrays(first.ground)
    for name in mine:
        assert mine[name].tobytes() == theirs[name].tobytes(), name


def test_a_ground_reads_back_as_it_was(earlier: tuple[Cut, Path, Plan]) -> None:
    """Against the climate, planes and kits of the fleet made anew."""
    cut, before, _ = earlier
    fleet = grounds.prepare(read_scenario(cut.folder))
    grounds.fleet_kits(fleet)
    tilts = grounds.choose_tilts(fleet)
    found = unpacked((before / SEARCH).read_bytes()).ground
    assert found is not None
    assert found.kits == fleet.kits
    assert list(found.tilts) == tilts
    for one in fields(fleet.climate):
        mine, theirs = getattr(found.climate, one.name), getattr(fleet.climate, one.name)
        assert np.array_equal(mine, theirs) or np.array_equal(mine, theirs, equal_nan=True), one.name
    for name in ("poa_wh_m2_day", "temp_cell_c", "poa_clipped_wh_m2_day"):
        mine, theirs = getattr(found.plane, name), getattr(fleet.plane, name)
        for i, some in enumerate(tilts):
            assert np.array_equal(mine[i][:, list(some)], theirs[i][:, list(some)]), name
    for name in ("surface_tilt_deg", "surface_azimuth_deg", "clip_irradiance_w_m2"):
        assert np.array_equal(getattr(found.plane, name), getattr(fleet.plane, name)), name


@pytest.mark.usefixtures("simulated_once")
def test_sketches_are_kept_at_the_curves_that_are_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not at those that fresh years raised: a plan that begins there begins with the curves of before."""
    monkeypatch.setattr(pipeline, "fleet_curves", halved)
    cut = Cut(tmp_path / "fleet", ("ustaoset",)).thin(2, 1)
    asked = {"policy__availability": "0.98", "reliability__raise_share": "0.9", **QUICK, **ALONE}
    overrides = {name.replace("__", "."): value for name, value in asked.items()}
    first, _ = plan_folder(cut.folder, tmp_path / "plan", overrides=overrides)
    again, _, _ = plan_again(
        cut.folder, tmp_path / "again", earlier=tmp_path / "plan", overrides=overrides
    )
    assert first.manifest["availability"]["curves_raised"]
    assert again.reuse == USED
    assert first.kept is not None
    assert again.kept is not None
    assert again.kept.sketches == first.kept.sketches
    assert again.total_cost == first.total_cost


@pytest.mark.usefixtures("unasked")
def test_neither_kits_nor_climate_nor_sketches_are_made_again(
    earlier: tuple[Cut, Path, Plan], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """But for the sketches of the one site that is checked, and of the one that has no design."""
    cut, before, _ = earlier
    scenario = changed(cut, tmp_path / "fleet", "catalogue/prices", other_prices(3))
    made, make = [], site.make_sketch

    def refuse(*_: object, **__: object) -> NoReturn:
        raise AssertionError("made again")

    def count(outline: Outline, prepared: Prepared) -> Sketch:
        made.append(prepared.inputs.site_id)
        return make(outline, prepared)

    monkeypatch.setattr(grounds, "kits_of", refuse)
    monkeypatch.setattr(grounds, "site_conditions", refuse)
    monkeypatch.setattr(grounds, "site_planes", refuse)
    monkeypatch.setattr(site, "make_sketch", count)
    again, _, _ = plan_again(scenario, tmp_path / "again", earlier=before, machines=Machines(workers=1))
    assert again.reuse == USED
    unserved = again.unserved.keys()
    assert len(set(made) - unserved) == 1


def other_ground(**changes: Callable[[Ground], Any]) -> Callable[[Kept], Kept]:
    """What is kept with another ground."""

    def change(kept: Kept) -> Kept:
        assert kept.ground is not None
        some = {name: make(kept.ground) for name, make in changes.items()}
        return replace(kept, ground=replace(kept.ground, **some))

    return change


def fewer_sites(ground: Ground) -> Any:
    """A climate without its last site's January."""
    return replace(ground.climate, temp_air_c=ground.climate.temp_air_c[:-1])


UNREADABLE: dict[str, tuple[Callable[[Kept], Kept], str]] = {
    "climate": (other_ground(climate=fewer_sites), "climate_temp_air_c is of another size"),
    "words": (
        other_ground(climate=lambda g: replace(g.climate, albedo=g.climate.albedo.astype(str))),
        "climate_albedo is of another kind",
    ),
    "tilts": (
        other_ground(tilts=lambda g: [(), *g.tilts[1:]]),
        "it has sites without a tilt",
    ),
    "curves": (lambda kept: replace(kept, curves=kept.curves[:-1]), "it is of other sites"),
    "schedules": (
        other_ground(
            kits=lambda g: {
                key: replace(some, kits=tuple(replace(kit, bus_w=(("dusk", 1.0),)) for kit in some.kits))
                for key, some in g.kits.items()
            }
        ),
        "it has kits of other schedules",
    ),
}


@pytest.mark.usefixtures("unasked")
@pytest.mark.parametrize("name", sorted(UNREADABLE))
def test_what_a_stranger_keeps_is_checked(
    earlier: tuple[Cut, Path, Plan], tmp_path: Path, name: str
) -> None:
    cut, before, first = earlier
    change, why = UNREADABLE[name]
    plan = repacked(before, tmp_path / "plan", change)
    again, _, _ = plan_again(cut.folder, tmp_path / "again", earlier=plan)
    assert again.reuse == f"nothing is used again: its search cannot be read ({why})"
    assert again.total_cost == first.total_cost
    assert "reused" not in again.manifest["work"]


@pytest.mark.parametrize(
    ("name", "change", "why"),
    [
        ("column_kit", lambda values: values[1:], "column_kit is of another size"),
        ("column_mounts", lambda values: values.astype(str), "column_mounts is of another kind"),
        ("mu", lambda values: values[:, None], "mu is of another kind"),
        ("gap", lambda values: values[None], "gap is of another kind"),
        ("sketch_end", lambda values: values / 2, "sketch_end is of another kind"),
        ("site", lambda values: values[::-1], "its designs are of other sites"),
        ("site", lambda values: np.maximum(values, 1), "its designs are of other sites"),
        ("choice", lambda values: values[::-1], "its designs are of other sites"),
        ("choice", lambda values: values + 100_000, "its designs are of other sites"),
        ("curves", lambda values: np.array(-1), "its curves are of no site"),
        ("most", lambda values: values + np.inf, "its designs have no number of units"),
        ("greatest", lambda values: -1 - values, "its designs have no number of units"),
    ],
)
def test_a_start_of_other_sites_is_refused(
    curved: bytes, name: str, change: Callable[[Any], Any], why: str
) -> None:
    arrays = unpack_arrays(curved)
    arrays[name] = change(arrays[name])
    with pytest.raises(ValueError, match=why):
        unpacked(pack_arrays(arrays))


@pytest.fixture(scope="module")
def curved(earlier: tuple[Cut, Path, Plan]) -> bytes:
    """A search with a curve of its first site."""
    kept = unpacked((earlier[1] / SEARCH).read_bytes())
    one = SiteCurve(availability=0.9, ratio=np.ones(2), days=np.ones(2), own_years=1)
    return pack(replace(kept, curves=[one, *kept.curves[1:]]))


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("port", lambda values: values + 100_000),
        ("port", lambda values: values - 100_000),
        ("port", lambda values: values[1:]),
        ("kit_ports", lambda values: values + 1),
        ("kit_ports", lambda values: np.append(values, 0)),
        ("kit_ports", lambda values: np.append(values[:-2], values[-2:].sum())),
        ("ports", lambda _: np.frombuffer(b"[{}]", dtype=np.uint8)),
        ("kits", lambda _: np.frombuffer(b"[[1, 2]]", dtype=np.uint8)),
        ("kits", lambda values: values[:-1]),
    ],
)
def test_kits_that_are_none_are_refused(
    earlier: tuple[Cut, Path, Plan], name: str, change: Callable[[Any], Any]
) -> None:
    _, before, _ = earlier
    ground = unpacked((before / SEARCH).read_bytes()).ground
    assert ground is not None
    arrays = kit_arrays(ground.kits)
    assert kits_of(arrays) == ground.kits
    with pytest.raises(ValueError, match=r"kits|valid"):
        kits_of(arrays | {name: change(arrays[name])})


@pytest.mark.usefixtures("unasked")
def test_kits_of_parts_that_nobody_sells_are_not_used(
    earlier: tuple[Cut, Path, Plan], tmp_path: Path
) -> None:
    cut, before, first = earlier
    change = other_ground(
        kits=lambda g: {
            key: replace(some, kits=tuple(replace(kit, units=(("none such", 1),)) for kit in some.kits))
            for key, some in g.kits.items()
        }
    )
    plan = repacked(before, tmp_path / "plan", change)
    again, _, _ = plan_again(cut.folder, tmp_path / "again", earlier=plan)
    assert again.reuse == "nothing is used again, as other SKUs are for sale"
    assert again.total_cost == first.total_cost


@pytest.mark.usefixtures("unasked")
def test_kept_objects_are_never_opened(earlier: tuple[Cut, Path, Plan], tmp_path: Path) -> None:
    """NumPy would unpickle an array of objects, and with that run whatever code is in it."""
    cut, before, _ = earlier
    shutil.copytree(before, tmp_path / "plan")
    with np.load(before / SEARCH) as arrays:
        names = dict(arrays)
    names["kits"] = np.array([Opened()], dtype=object)
    stream = io.BytesIO()
    np.savez(stream, **names)
    Opened.times = 0
    with_search(tmp_path / "plan", stream.getvalue())
    again, _, _ = plan_again(cut.folder, tmp_path / "again", earlier=tmp_path / "plan")
    assert again.reuse.startswith("nothing is used again: its search cannot be read (")
    assert Opened.times == 0


class Opened:
    """Counts how often one of it is unpickled."""

    times = 0

    def __setstate__(self, state: object) -> None:
        Opened.times += 1

    def __getstate__(self) -> dict[str, int]:
        return {"some": 1}


def test_sketches_of_a_stranger_lead_to_the_same_plan(
    earlier: tuple[Cut, Path, Plan], bare: tuple[Path, Path], tmp_path: Path
) -> None:
    """Nothing in these can be read; what could be, but is another site's, `tests/sizing` tells."""
    _, before, _ = earlier
    scenario, expected = bare
    plan = repacked(before, tmp_path / "plan", lambda kept: replace(kept, sketches=(b"nothing",)))
    plan_again(scenario, tmp_path / "again", earlier=plan)
    same_but_timings(tmp_path / "again", expected)


@pytest.mark.usefixtures("unasked")
@pytest.mark.parametrize(
    ("table", "column", "value"),
    [("loads", "quantity", "2"), ("catalogue/batteries", "weight_kg", "99"), ("sites", "access_cost", "7")],
)
def test_what_decides_designs_starts_from_nothing(
    earlier: tuple[Cut, Path, Plan], tmp_path: Path, table: str, column: str, value: str
) -> None:
    cut, before, _ = earlier

    def edit(rows: Rows) -> Rows:
        rows[0][column] = value
        return rows

    scenario = changed(cut, tmp_path / "fleet", table, edit)
    again, _, _ = plan_again(scenario, tmp_path / "again", earlier=before)
    assert again.reuse == f"nothing is used again, as these differ too: {table}"
    assert "reused" not in again.manifest["work"]


@pytest.mark.usefixtures("unasked")
def test_settings_and_skus_on_sale_that_differ(earlier: tuple[Cut, Path, Plan], tmp_path: Path) -> None:
    cut, before, first = earlier
    used = first.tables["site_designs"]["module_sku"][0]
    overrides = {"policy.load_margin": "0.2"}
    again, _, _ = plan_again(cut.folder, tmp_path / "again", earlier=before, overrides=overrides)
    assert again.reuse == "nothing is used again, as these differ too: policy.load_margin"
    gone = changed(
        cut, tmp_path / "fleet", "catalogue/prices", lambda rows: [row for row in rows if row["sku"] != used]
    )
    again, _, _ = plan_again(gone, tmp_path / "gone", earlier=before)
    assert again.reuse == "nothing is used again, as other SKUs are for sale"
    fresh, _ = plan_folder(gone, tmp_path / "fresh")
    assert again.total_cost == fresh.total_cost


@pytest.mark.usefixtures("unasked")
def test_a_search_that_was_changed_is_not_used(earlier: tuple[Cut, Path, Plan], tmp_path: Path) -> None:
    cut, before, _ = earlier
    shutil.copytree(before, tmp_path / "plan")
    (tmp_path / "plan" / SEARCH).write_bytes(b"PK nothing")
    assert read_plan(tmp_path / "plan")  # its tables are whole
    again, _, _ = plan_again(cut.folder, tmp_path / "again", earlier=tmp_path / "plan")
    assert again.reuse == "nothing is used again: it has not kept its search"


def test_command_says_what_was_used(earlier: tuple[Cut, Path, Plan], tmp_path: Path) -> None:
    cut, before, _ = earlier
    arguments = ["plan", str(cut.folder), "--out", str(tmp_path / "again"), "--from", str(before), "--json"]
    done = CliRunner().invoke(app, arguments)
    assert done.exit_code == ExitCode.SITES_UNSERVED, done.stderr  # one site stays without a design
    assert f"of {before}, {USED}" in done.stderr
    assert json.loads(done.stdout)["changes"]["changed_sites"] == []
