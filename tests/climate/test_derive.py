"""The stored climate is what its script makes of its sources."""

import importlib.util
import sys

import numpy as np
import pytest

from planner.units import shipped

FOLDER = shipped("data") / "climate"
SIZE_MAX_BYTES = 2_000_000


@pytest.fixture(scope="module")
def derive():
    pytest.importorskip("gsee_climate_data")
    pytest.importorskip("pvcz")
    spec = importlib.util.spec_from_file_location("climate_derive", FOLDER / "derive.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules[spec.name]


@pytest.fixture(scope="module")
def arrays(derive):
    return derive.clearness_classes() | derive.land_fields()


def test_rebuild_equals_the_stored_arrays(arrays):
    with np.load(FOLDER / "world.npz") as stored:
        assert sorted(stored.files) == sorted(arrays)
        for name in stored.files:
            assert stored[name].dtype == arrays[name].dtype
            np.testing.assert_array_equal(stored[name], arrays[name], err_msg=name)


def test_writing_is_deterministic_and_small(derive, arrays, tmp_path):
    for name in ("one.npz", "two.npz"):
        derive.write(tmp_path / name, dict(reversed(arrays.items())) if name == "two.npz" else arrays)
    assert (tmp_path / "one.npz").read_bytes() == (tmp_path / "two.npz").read_bytes()
    assert sum(file.stat().st_size for file in FOLDER.iterdir() if file.is_file()) < SIZE_MAX_BYTES


def test_classes_keep_the_mean_of_the_source_histogram(derive):
    # the mean straight from the source's bins, without any classes
    from importlib import resources

    name = "merra2_rad3x3_2011-2015_pdfs_land_prox.npz"
    with np.load(resources.files("gsee_climate_data") / "data" / name) as source:
        row, column, month = 30, 60, 6  # 33 N, 0 E, July
        x, p = source["xk"][row, column, month].astype(float), source["pk"][row, column, month].astype(float)
        latitude = source["lat"][row]
    assert latitude == 33.0
    made = derive.clearness_classes()
    cell = np.flatnonzero((made["cell_row"] == row) & (made["cell_column"] == column))[0]
    from planner.climate.sun import monthly_extra_wh_m2_day

    mean = made["clearness"][cell, month].mean() / float(made["clearness_steps"])
    expected = 24 * (x * p).sum() / p.sum() / monthly_extra_wh_m2_day(np.array([latitude]))[0, month]
    assert mean == pytest.approx(expected, abs=1e-4)


def test_stored_bytes_resolve_the_source(derive):
    from pathlib import Path

    import pandas as pd
    import pvcz

    frame = pd.read_pickle(
        Path(pvcz.__file__).parent / "PVCZ-2019_ver0p2_world_PV_climate_stressors_and_zones.pkl"
    )
    for field, column in derive.SOURCES.items():
        low, step = derive.CODES[field]
        values = frame[column].to_numpy(float)
        inside = (values >= low - step / 2) & (values <= low + 254.5 * step)
        assert inside.mean() > 0.999, field  # all but a few extremes fit the code
