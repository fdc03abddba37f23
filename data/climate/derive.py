"""Derive the built-in world climate from its sources.

    python data/climate/derive.py

Needs the packages `gsee-climate-data` and `pvcz` (both in the `test` extra) and pvlib's altitude table.
Writes `world.npz` beside this file, the same bytes each time; see PROVENANCE.md.
"""

import io
import zipfile
from importlib import resources
from pathlib import Path

import h5py
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from planner.climate.sun import monthly_extra_wh_m2_day

CLASSES = 21  # classes of days, equally likely
CLEARNESS_STEPS = 10_000  # resolution of the stored clearness index
DARK_WH_M2_DAY = 20.0  # months with less extraterrestrial light than this have no clearness index
SOUTH_DEG, ROWS, COLUMNS = -59.875, 600, 1440  # grid of the long-term means
#: Stored as 1 + round((value - low) / step) in a byte; 0 is no data.
CODES = {
    "ghi": (1.30, 0.024),
    "temp_mean": (-27.0, 0.25),
    "temp_min": (-67.0, 0.4),
    "temp_max": (-3.0, 0.25),
    "elevation": (-450.0, 28.0),
}
SOURCES = {
    "ghi": "GHI_mean",
    "temp_mean": "T_ambient_mean",
    "temp_min": "T_ambient_min",
    "temp_max": "T_ambient_max",
}


def clearness_classes() -> dict[str, NDArray[np.generic]]:
    """Mean clearness index of each class of days, by month and cell.

    The source gives, per 3-degree cell and month, a histogram of daily mean GHI (W/m2) in 128 bins. The
    classes are slices of equal probability; a slice's mean is a difference of the integral of the
    quantile function, so the classes keep the month's mean exactly.
    """
    path = resources.files("gsee_climate_data") / "data" / "merra2_rad3x3_2011-2015_pdfs_land_prox.npz"
    with resources.as_file(path) as file, np.load(file) as source:
        x, p = np.maximum(source["xk"], 0.0).astype(float), source["pk"].astype(float)
        latitude = source["lat"]
    valid = np.isfinite(p).all(axis=-1).all(axis=-1) & (np.nan_to_num(p).sum(axis=-1) > 0).all(axis=-1)
    row, column = np.nonzero(valid)
    x, p = x[row, column], p[row, column]
    p /= p.sum(axis=-1, keepdims=True)
    edge = np.linspace(0.0, 1.0, CLASSES + 1)
    sums = np.zeros((*p.shape[:2], CLASSES + 1))
    cumulative = np.concatenate([np.zeros((*p.shape[:2], 1)), np.cumsum(p, axis=-1)], axis=-1)
    energy = np.concatenate([np.zeros((*p.shape[:2], 1)), np.cumsum(p * x, axis=-1)], axis=-1)
    for c in range(p.shape[0]):
        for m in range(p.shape[1]):
            sums[c, m] = np.interp(edge, cumulative[c, m], energy[c, m])
    daily_wh = 24.0 * CLASSES * np.diff(sums, axis=-1)
    extra = monthly_extra_wh_m2_day(latitude[row])[:, :, None]
    clearness = np.where(extra > DARK_WH_M2_DAY, daily_wh / np.maximum(extra, 1.0), 0.0)
    return {
        "clearness": np.round(CLEARNESS_STEPS * np.clip(clearness, 0.0, 1.0)).astype(np.uint16),
        "clearness_steps": np.array(CLEARNESS_STEPS),
        "cell_row": row.astype(np.uint8),
        "cell_column": column.astype(np.uint8),
        "cell_south_deg": np.array(latitude[0]),
    }


def land_fields() -> dict[str, NDArray[np.generic]]:
    """Long-term GHI, temperatures and elevation of land points, as bytes on the grid."""
    import pvcz

    path = Path(pvcz.__file__).parent / "PVCZ-2019_ver0p2_world_PV_climate_stressors_and_zones.pkl"
    frame = pd.read_pickle(path)
    row = np.round((frame["lat"].to_numpy(float) - SOUTH_DEG) / 0.25).astype(int)
    column = np.round((frame["lon"].to_numpy(float) + 179.875) / 0.25).astype(int)
    values = {name: frame[source].to_numpy(float) for name, source in SOURCES.items()}
    values["elevation"] = elevation()[row, column]
    fields: dict[str, NDArray[np.generic]] = {"point_south_deg": np.array(SOUTH_DEG)}
    for name, value in values.items():
        low, step = CODES[name]
        grid = np.zeros((ROWS, COLUMNS), dtype=np.uint8)
        grid[row, column] = np.clip(1 + np.round((value - low) / step), 1, 255).astype(np.uint8)
        fields[name], fields[f"{name}_code"] = grid, np.array(CODES[name])
    return fields


def elevation() -> NDArray[np.float64]:
    """Mean elevation of each 0.25-degree cell from pvlib's table of 5 arc minutes.

    The table counts in steps of 28 m from -450 m.
    """
    table = resources.files("pvlib") / "data" / "Altitude.h5"
    with resources.as_file(table) as path, h5py.File(path) as file:
        fine = file["Altitude"][:].astype(float) * 28.0 - 450.0  # rows from the north pole
    coarse = fine[::-1].reshape(720, 3, 1440, 3).mean(axis=(1, 3))  # now from the south pole
    return coarse[round((SOUTH_DEG + 89.875) / 0.25) :]


def write(path: Path, arrays: dict[str, NDArray[np.generic]]) -> None:
    """A compressed .npz whose bytes depend on nothing but the arrays."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for name in sorted(arrays):
            buffer = io.BytesIO()
            np.lib.format.write_array(buffer, np.asarray(arrays[name], order="C"), allow_pickle=False)
            archive.writestr(
                zipfile.ZipInfo(f"{name}.npy", (1980, 1, 1, 0, 0, 0)),
                buffer.getvalue(),
                compress_type=zipfile.ZIP_DEFLATED,
                compresslevel=9,
            )


def main(folder: Path) -> Path:
    """Write `world.npz` into a folder."""
    target = folder / "world.npz"
    write(target, clearness_classes() | land_fields())
    return target


if __name__ == "__main__":
    print(main(Path(__file__).parent))
