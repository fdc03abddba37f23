"""The built-in world: interpolation, coverage and what it says of known places."""

import numpy as np
import pytest

from planner.climate.builtin import CELL_DISTANCE_MAX_KM, lookup, world

A_DEGREE_KM = 111.19  # of latitude on a sphere of 6371 km


def at(latitude, longitude):
    return lookup(np.atleast_1d(np.asarray(latitude, float)), np.atleast_1d(np.asarray(longitude, float)))


def test_middle_of_a_cell_gives_the_cell():
    w = world()
    some = np.arange(0, len(w.cell_latitude_deg), 97)
    found = lookup(w.cell_latitude_deg[some], w.cell_longitude_deg[some])
    assert found.clearness == pytest.approx(w.clearness[some])
    assert found.cell_distance_km == pytest.approx(np.zeros(len(some)), abs=1e-6)


def test_between_cells_is_bilinear():
    w = world()
    place = w.cell_place
    full = (place[:-1, :-1] >= 0) & (place[1:, :-1] >= 0) & (place[:-1, 1:] >= 0) & (place[1:, 1:] >= 0)
    row, column = np.argwhere(full)[40]
    corners = [place[row + i, column + j] for i in (0, 1) for j in (0, 1)]
    found = at(w.cell_south_deg + 3 * (row + 0.5), -180 + 3 * (column + 0.5))
    assert found.clearness[0] == pytest.approx(w.clearness[corners].mean(axis=0))


def test_a_cell_without_data_drops_out():
    w = world()
    row, column = next(
        (r, c) for r, c in np.argwhere(w.cell_place[:, :-1] >= 0) if w.cell_place[r, c + 1] < 0
    )
    found = at(w.cell_south_deg + 3 * row, -180 + 3 * (column + 0.4))
    assert found.clearness[0] == pytest.approx(w.clearness[w.cell_place[row, column]])


def test_classes_rise_and_stay_physical():
    clearness = world().clearness
    assert (np.diff(clearness, axis=2) >= 0).all()
    assert clearness.min() >= 0
    assert clearness.max() <= 1


def test_dateline_has_no_seam():
    west, east = at([66.0, 68.2], [179.999, 179.999]), at([66.0, 68.2], [-179.999, -179.999])
    assert np.isfinite(west.clearness).all()
    assert west.clearness == pytest.approx(east.clearness, abs=1e-3)


@pytest.mark.parametrize(
    ("latitude", "longitude"), [(0.0, -30.0), (85.0, 0.0), (-75.0, 60.0), (-40.0, -110.0)]
)
def test_far_from_land_is_refused(latitude, longitude):
    found = at(latitude, longitude)
    assert not found.valid[0]
    assert np.isnan(found.clearness).all()
    assert found.cell_distance_km[0] > CELL_DISTANCE_MAX_KM


def test_distance_to_a_cell_is_the_great_circle():
    w = world()
    top = int(np.argmax(w.cell_latitude_deg))
    found = at(w.cell_latitude_deg[top] + 2.0, w.cell_longitude_deg[top])
    assert found.cell_distance_km[0] == pytest.approx(2 * A_DEGREE_KM, rel=1e-3)


def test_known_places():
    # Elevations of the plateau of Mexico City (about 2240 m) and the Netherlands (about sea level), and the
    # order of their annual means and extremes (from memory): wide bands, they catch a flipped or shifted grid
    mexico, utrecht, alice = (at(*where) for where in ((19.4, -99.1), (52.1, 5.1), (-23.7, 133.9)))
    assert 1900 < mexico.elevation_m[0] < 2800
    assert -30 < utrecht.elevation_m[0] < 100
    assert 8 < utrecht.temp_mean_c[0] < 13
    assert 19 < alice.temp_mean_c[0] < 25
    assert alice.temp_max_c[0] > 38
    assert 2500 < utrecht.annual_wh_m2_day[0] < 3300  # 1000 to 1100 kWh/m2 a year, KNMI (from memory)
    assert 5700 < alice.annual_wh_m2_day[0] < 6900  # about 2250 kWh/m2 a year (from memory)


def test_seasons_follow_the_hemisphere():
    clearness = at([52.1], [5.1]).clearness.mean(axis=2)[0]
    assert clearness[5] > clearness[11]  # the Dutch winter is the dull season


def test_order_and_batching_do_not_matter():
    latitude, longitude = np.array([52.1, -23.7, 0.5, 85.0]), np.array([5.1, 133.9, 32.6, 0.0])
    whole = lookup(latitude, longitude)
    for i in range(4):
        one = at(latitude[i], longitude[i])
        np.testing.assert_allclose(one.clearness[0], whole.clearness[i], rtol=0, atol=1e-15)
        np.testing.assert_equal(one.temp_min_c[0], whole.temp_min_c[i])


def test_cells_join_across_180_degrees():
    """In Chukotka cells stand on both sides: 177 E, 180 and 177 W; weights by the distance in longitude."""
    w = world()
    cell = {(a, b): c for c, (a, b) in enumerate(zip(w.cell_latitude_deg, w.cell_longitude_deg, strict=True))}
    west, middle, east = (w.clearness[cell[66.0, longitude]] for longitude in (177.0, -180.0, -177.0))
    before, after = 0.1 * west + 0.9 * middle, 0.9 * middle + 0.1 * east
    for longitude, expected in ((179.7, before), (180.0, middle), (-180.0, middle), (-179.7, after)):
        assert at(66.0, longitude).clearness[0] == pytest.approx(expected)


def test_fiji_reads_the_same_neighbours_on_both_sides_of_180_degrees():
    """Taveuni lies across the line; the only cells near are those of 177 E, at 18 S the nearest."""
    found = at([-16.85, -16.85], [179.9, -179.9])
    a, b = np.radians(-16.85), np.radians(-18.0)
    for distance, apart_deg in zip(found.cell_distance_km, (2.9, 3.1), strict=True):
        chord = np.sin((a - b) / 2) ** 2 + np.cos(a) * np.cos(b) * np.sin(np.radians(apart_deg) / 2) ** 2
        assert distance == pytest.approx(2 * 6371 * np.arcsin(np.sqrt(chord)))  # the haversine formula
    nearer, farther = found.point_distance_km  # of one point: it grows by no more than what lies between
    assert 0 < farther - nearer < 0.2 * A_DEGREE_KM * np.cos(a)
    assert not found.valid.any()  # both are over 300 km away, and are told so
    seam = at([-16.85] * 2, [180.0, -180.0])
    assert seam.cell_distance_km[0] == pytest.approx(seam.cell_distance_km[1])
    assert seam.elevation_m[0] == seam.elevation_m[1]
