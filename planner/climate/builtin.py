"""The built-in world climate: daily clearness-index classes by month, long-term means, temperatures.

Derived by `data/climate/derive.py`; sources, licences and limits stand in `data/climate/PROVENANCE.md`.
"""

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from planner.units import shipped

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

FloatArray = NDArray[np.float64]

EARTH_RADIUS_KM = 6371.0
CELL_DEG = 3.0  # spacing of the clearness-index cells
POINT_DEG = 0.25  # spacing of the long-term means
CELL_DISTANCE_MAX_KM = 300.0  # a site further from every cell's middle is refused
POINT_DISTANCE_MAX_KM = 60.0  # a site further from every land point has no long-term mean to scale by


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """The stored fields: cells (C) of 3 degrees and land points (N) of 0.25 degrees."""

    cell_latitude_deg: FloatArray
    cell_longitude_deg: FloatArray
    cell_elevation_m: FloatArray  # mean of the cell's land points; NaN where it has none
    clearness: FloatArray  # (C, 12, 21), means of 21 equally likely classes of days, rising
    cell_place: NDArray[np.int64]  # (rows, columns) of the grid -> cell or -1
    cell_south_deg: float
    cell_tree: "cKDTree"
    point_tree: "cKDTree"
    ghi_wh_m2_day: FloatArray  # (N,)
    temp_mean_c: FloatArray
    temp_min_c: FloatArray
    temp_max_c: FloatArray
    elevation_m: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class BuiltIn:
    """The built-in climate at S sites; rows of sites that are not `valid` are NaN.

    Attributes
    ----------
    clearness : (S, 12, 21)
        Daily clearness index of 21 equally likely classes of days.
    annual_wh_m2_day : (S,)
        Long-term mean of daily GHI; NaN where no land point is near.
    temp_mean_c, temp_min_c, temp_max_c : (S,)
        Of the nearest land point; NaN where there is none within 300 km.
    elevation_m : (S,)
        Of the nearest land point, or the cell's land where no point is near.
    cell_distance_km, point_distance_km : (S,)
        To the middle of the nearest cell, and to the nearest land point.
    """

    clearness: FloatArray
    annual_wh_m2_day: FloatArray
    temp_mean_c: FloatArray
    temp_min_c: FloatArray
    temp_max_c: FloatArray
    elevation_m: FloatArray
    cell_distance_km: FloatArray
    point_distance_km: FloatArray

    @property
    def valid(self) -> NDArray[np.bool_]:
        """Sites near enough to a cell."""
        return self.cell_distance_km <= CELL_DISTANCE_MAX_KM


def unit_vectors(latitude_deg: FloatArray, longitude_deg: FloatArray) -> FloatArray:
    """Points on the unit sphere (N, 3)."""
    phi, lam = np.radians(latitude_deg), np.radians(longitude_deg)
    return np.stack([np.cos(phi) * np.cos(lam), np.cos(phi) * np.sin(lam), np.sin(phi)], axis=-1)


@cache
def world() -> World:
    """Load the stored fields, once."""
    from scipy.spatial import cKDTree  # only who looks up a place waits for it

    with np.load(shipped("data") / "climate" / "world.npz") as stored:
        grid = stored["ghi"]
        rows, columns = np.nonzero(grid)
        south, step = float(stored["point_south_deg"]), POINT_DEG
        latitude = np.asarray(south + rows * step, dtype=np.float64)
        longitude = np.asarray(-180.0 + step / 2 + columns * step, dtype=np.float64)

        def field(name: str) -> FloatArray:
            low, scale = stored[f"{name}_code"]
            return np.asarray(low + scale * (stored[name][rows, columns].astype(float) - 1.0))

        cell_rows, cell_columns = stored["cell_row"].astype(np.int64), stored["cell_column"].astype(np.int64)
        place = np.full((int(cell_rows.max()) + 1, 120), -1, dtype=np.int64)
        place[cell_rows, cell_columns] = np.arange(len(cell_rows))
        cell_south = float(stored["cell_south_deg"])
        cell_lat = np.asarray(cell_south + CELL_DEG * cell_rows, dtype=np.float64)
        cell_lon = np.asarray(-180.0 + CELL_DEG * cell_columns, dtype=np.float64)
        elevation = field("elevation")
        return World(
            cell_latitude_deg=cell_lat, cell_longitude_deg=cell_lon,
            cell_elevation_m=_cell_means(place, cell_south, latitude, longitude, elevation),
            clearness=stored["clearness"].astype(float) / float(stored["clearness_steps"]),
            cell_place=place, cell_south_deg=cell_south,
            cell_tree=cKDTree(unit_vectors(cell_lat, cell_lon)),
            point_tree=cKDTree(unit_vectors(latitude, longitude)),
            ghi_wh_m2_day=1000.0 * field("ghi"), temp_mean_c=field("temp_mean"), temp_min_c=field("temp_min"),
            temp_max_c=field("temp_max"), elevation_m=elevation,
        )


def _cell_means(
    place: NDArray[np.int64], south_deg: float, latitude_deg: FloatArray, longitude_deg: FloatArray,
    values: FloatArray,
) -> FloatArray:
    """Mean of points' values over each cell (C,), NaN in cells without points."""
    row = np.round((latitude_deg - south_deg) / CELL_DEG).astype(np.int64)
    column = np.round((longitude_deg + 180.0) / CELL_DEG).astype(np.int64) % place.shape[1]
    inside = (row >= 0) & (row < place.shape[0])
    cell = np.where(inside, place[np.clip(row, 0, place.shape[0] - 1), column], -1)
    cells, known = int(place.max()) + 1, cell >= 0
    count = np.bincount(cell[known], minlength=cells)
    total = np.bincount(cell[known], values[known], minlength=cells)
    return np.asarray(np.divide(total, count, out=np.full(cells, np.nan), where=count > 0))


def _nearest(tree: "cKDTree", vectors: FloatArray) -> tuple[NDArray[np.int64], FloatArray]:
    chord, index = tree.query(vectors)
    return np.asarray(index), 2.0 * EARTH_RADIUS_KM * np.arcsin(np.clip(np.asarray(chord) / 2.0, 0.0, 1.0))


def lookup(latitude_deg: FloatArray, longitude_deg: FloatArray) -> BuiltIn:
    """The built-in climate at sites (S,): bilinear in clearness index, the rest from the nearest land point.

    Cells without data (open sea) drop out of the interpolation and the other weights are scaled up.
    """
    w = world()
    latitude, longitude = np.asarray(latitude_deg, dtype=float), np.asarray(longitude_deg, dtype=float)
    vectors = unit_vectors(latitude, longitude)
    nearest_cell, cell_km = _nearest(w.cell_tree, vectors)
    point, point_km = _nearest(w.point_tree, vectors)
    clearness = _bilinear(w, latitude, longitude, nearest_cell)
    clearness[cell_km > CELL_DISTANCE_MAX_KM] = np.nan
    near = point_km <= POINT_DISTANCE_MAX_KM
    point = np.where(point_km <= CELL_DISTANCE_MAX_KM, point, -1)

    def of_point(field: FloatArray) -> FloatArray:
        return np.where(point >= 0, field[point], np.nan)

    return BuiltIn(
        clearness=clearness, annual_wh_m2_day=np.where(near, of_point(w.ghi_wh_m2_day), np.nan),
        temp_mean_c=of_point(w.temp_mean_c), temp_min_c=of_point(w.temp_min_c),
        temp_max_c=of_point(w.temp_max_c),
        elevation_m=np.where(near, of_point(w.elevation_m), w.cell_elevation_m[nearest_cell]),
        cell_distance_km=cell_km, point_distance_km=point_km,
    )


def _bilinear(
    w: World, latitude: FloatArray, longitude: FloatArray, nearest: NDArray[np.int64]
) -> FloatArray:
    row, column = (latitude - w.cell_south_deg) / CELL_DEG, (longitude + 180.0) / CELL_DEG
    south, west = np.floor(row).astype(np.int64), np.floor(column).astype(np.int64)
    total = np.zeros((len(latitude), *w.clearness.shape[1:]))
    weights = np.zeros(len(latitude))
    last = w.cell_place.shape[0] - 1
    for i in (0, 1):
        for j in (0, 1):
            weight = np.abs(1 - i - (row - south)) * np.abs(1 - j - (column - west))
            inside = (south + i >= 0) & (south + i <= last)
            cell = np.where(inside, w.cell_place[np.clip(south + i, 0, last), (west + j) % 120], -1)
            weight = np.where(cell >= 0, weight, 0.0)
            total += weight[:, None, None] * w.clearness[np.maximum(cell, 0)]
            weights += weight
    bare = weights < 1e-6
    total[bare] = w.clearness[nearest[bare]]
    return np.asarray(total / np.where(bare, 1.0, weights)[:, None, None])
