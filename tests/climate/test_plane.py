"""Plane of array: pvlib and the handbook, and the limits it must keep."""

import dataclasses

import numpy as np
import pytest
from pvlib import atmosphere, clearsky, irradiance

from planner.climate import PlaneOfArray, best_tilt, default_azimuth_deg, plane_of_array
from planner.climate.plane import (
    CLIP_W_M2,
    Sky,
    _sun,
    beam_max_share,
    diffuse_fraction,
    hour_shapes,
    make_sky,
    tilted_w_m2,
)
from planner.climate.sun import monthly_extra_wh_m2_day

TILTS = np.array([0.0, 10.0, 30.0, 45.0, 60.0, 90.0])


def planes(climate, *, tilts=TILTS, azimuth=None, horizon=None):
    sites = len(climate.latitude_deg)
    azimuth = default_azimuth_deg(climate.latitude_deg) if azimuth is None else np.full(sites, float(azimuth))
    return plane_of_array(
        climate,
        surface_tilt_deg=np.broadcast_to(tilts, (sites, len(tilts))).copy(),
        surface_azimuth_deg=azimuth,
        horizon_deg=horizon,
    )


def half_clear(latitude):
    """Own GHI at half of the extraterrestrial."""
    return 0.5 * monthly_extra_wh_m2_day(np.atleast_1d(np.asarray(latitude, float)))


# --- geometry and correlations ------------------------------------------------


def beam_only(zenith, azimuth):
    one = np.ones((1, 1, 1, 1))
    return Sky(
        hours=one,
        zenith_cos=np.cos(zenith),
        zenith_sin=np.sin(zenith),
        azimuth_deg=azimuth,
        ghi=0 * one,
        dhi=0 * one,
        dni=one,
        circumsolar=0 * one,
        horizon=0 * one,
    )


def textbook_sun(latitude, declination, hour):
    return _sun(np.array([latitude]), np.radians([[declination]]), np.radians([[[hour]]]))


def test_incidence_matches_example_1_6_1():
    # Duffie and Beckman 4th ed.: latitude 43, declination -14, slope 45, 15 west of south, hour angle -22.5:
    # 35 degrees
    sky = beam_only(*textbook_sun(43.0, -14.0, -22.5))
    share = tilted_w_m2(sky, np.array([45.0]), np.array([195.0]), np.zeros((1, 1, 1, 1)), None)
    assert np.degrees(np.arccos(share.item())) == pytest.approx(35.0, abs=0.5)


@pytest.mark.parametrize(
    ("declination", "hour", "zenith", "from_south"),
    [
        (-14.0, -37.5, 66.5, -40.0),  # example 1.6.2: 13 February, 9:30 solar
        (-2.4, 60.0, 70.3, 66.8),  # example 1.6.3: 16 March, 16:00
    ],
)
def test_sun_matches_examples_1_6_2_and_1_6_3(declination, hour, zenith, from_south):
    found_zenith, found_azimuth = textbook_sun(43.0, declination, hour)
    assert np.degrees(found_zenith).item() == pytest.approx(zenith, abs=0.1)
    assert found_azimuth.item() - 180.0 == pytest.approx(from_south, abs=0.1)


def test_diffuse_correlation_is_continuous_and_falls():
    # Erbs, Klein and Duffie (1982): 1 at kt 0; 0.143 and 0.175 for the clearest days; branches meet at 0.715,
    # 0.722
    clearness = np.linspace(0, 1, 401)
    for sunset, floor in ((np.radians(80.0), 0.143), (np.radians(90.0), 0.175)):
        share = diffuse_fraction(clearness, np.full(401, sunset))
        assert share[0] == pytest.approx(1.0)
        assert share[-1] == pytest.approx(floor)
        assert np.abs(np.diff(share)).max() < 0.02
        assert (np.diff(share) < 1e-2).all()


def test_the_greatest_beam_lies_little_above_the_clearest_skies():
    # pvlib's Ineichen and Perez (2002) at Linke turbidity 2, and Solis (2008) with hardly any aerosol or
    # water, are cold, clean skies; turbidity 1.5 is about the clearest that is found anywhere (from memory)
    height = np.array([1.0, 2.0, 3.5, 5.0, 10.0, 20.0, 45.0, 90.0])
    airmass, extra = atmosphere.get_relative_airmass(90.0 - height), 1400.0
    most = beam_max_share(airmass)
    clean = clearsky.ineichen(90.0 - height, airmass, 2.0, 0.0, dni_extra=extra)["dni"] / extra
    solis = clearsky.simplified_solis(height, 0.02, 0.2, 101325.0, extra)["dni"] / extra
    clearest = clearsky.ineichen(90.0 - height, airmass, 1.5, 0.0, dni_extra=extra)["dni"] / extra
    assert (most > np.maximum(clean, solis)).all()
    assert (most < clearest + 0.085).all()
    assert most[-1] == pytest.approx(0.85, abs=1e-3)
    assert (np.diff(most) > 0).all()


def test_a_low_sun_has_no_more_beam_than_air_lets_through():
    """At 65.8 N in January the sun stands 3.5 degrees high: pvlib's Ineichen has 340 W/m2 at a turbidity of 2
    and 520 at 1.5. What a bright class of days has beyond is sky, and the day's light is kept.
    """
    sky = make_sky(np.array([65.8]), np.full((1, 12, 1), 0.87), afternoon_only=True)
    assert 90.0 - np.degrees(np.arccos(sky.zenith_cos[0, 0].max())) == pytest.approx(3.5, abs=0.1)
    assert 340.0 < sky.dni[0, 0].max() < 560.0
    whole = sky.dni * sky.zenith_cos[:, :, None, :] + sky.dhi
    assert whole[0, 0] == pytest.approx(sky.ghi[0, 0])


@pytest.mark.parametrize("sunset_deg", [60.0, 90.0, 110.0])
def test_hour_shapes_integrate_to_a_day(sunset_deg):
    # Collares-Pereira and Rabl (1979) and Liu and Jordan (1960): hourly ratio pi/24 (a + b cos w) ..., which
    # adds up to 1 over the day: the formula with its own constant against our normalised shares
    sunset = np.radians(sunset_deg)
    points = 2000
    hour = (np.arange(points) + 0.5) / points * 2 * sunset - sunset
    step_h = 24 / np.pi * sunset / points
    a, b = 0.409 + 0.5016 * np.sin(sunset - np.pi / 3), 0.6609 - 0.4767 * np.sin(sunset - np.pi / 3)
    diffuse = np.pi / 24 * (np.cos(hour) - np.cos(sunset)) / (np.sin(sunset) - sunset * np.cos(sunset))
    full_share, diffuse_share = hour_shapes(hour[None, None, :], np.array([[[sunset]]]))
    assert diffuse_share[0, 0] == pytest.approx(diffuse * step_h, rel=1e-4)
    assert full_share[0, 0] == pytest.approx(diffuse * (a + b * np.cos(hour)) * step_h, rel=0.01, abs=1e-9)


@pytest.mark.parametrize("latitude", [-40.0, 0.0, 25.0, 55.0, 71.0])
def test_perez_equals_pvlib_at_every_tilt(latitude):
    clearness = np.linspace(0.03, 0.8, 13)[None, None, :].repeat(12, axis=1)
    sky = make_sky(np.array([latitude]), clearness, afternoon_only=False)
    shape = sky.ghi.shape
    zenith = np.broadcast_to(np.degrees(np.arctan2(sky.zenith_sin, sky.zenith_cos))[:, :, None, :], shape)
    azimuth = np.broadcast_to(sky.azimuth_deg[:, :, None, :], shape)
    from planner.climate.sun import extra_w_m2, typical_days

    extra = np.broadcast_to(extra_w_m2(typical_days(np.array([latitude])))[:, :, None, None], shape)
    albedo, facing = 0.3, 150.0
    for tilt in (0.0, 1.0, 20.0, 45.0, 75.0, 90.0):
        ours = tilted_w_m2(sky, np.array([tilt]), np.array([facing]), np.full((1, 1, 1, 1), albedo), None)
        diffuse = irradiance.perez(
            tilt,
            facing,
            sky.dhi,
            sky.dni,
            extra,
            zenith,
            azimuth,
            atmosphere.get_relative_airmass(np.minimum(zenith, 89.9)),
        )
        beam = sky.dni * np.maximum(irradiance.aoi_projection(tilt, facing, zenith, azimuth), 0.0)
        ground = irradiance.get_ground_diffuse(tilt, sky.ghi, albedo)
        lit = sky.dhi > 1e-3
        assert ours[lit] == pytest.approx((beam + diffuse + ground)[lit], rel=1e-9, abs=1e-6)


def test_madison_matches_example_2_19_1(make_climate):
    # Duffie and Beckman 4th ed., example 2.19.1: Madison, 43 N, slope 60 to the south, MJ/m2 a day. The
    # book's monthly isotropic sky; Perez lies within about 8 % of it.
    horizontal = (
        np.array([6.44, 9.89, 12.86, 16.05, 21.36, 23.04, 22.58, 20.33, 14.59, 10.48, 6.37, 5.74])
        / 3.6
        * 1000
    )
    tilted = np.array([13.7, 17.2, 15.8, 14.7, 16.6, 16.5, 16.8, 17.5, 15.6, 15.2, 11.4, 12.7]) / 3.6 * 1000
    albedo = np.array([0.7, 0.7, 0.4] + [0.2] * 8 + [0.4])
    climate = make_climate(43.0, -89.4, ghi=horizontal, albedo=albedo)
    ours = planes(climate, tilts=np.array([60.0])).poa_wh_m2_day[0, :, 0]
    assert ours == pytest.approx(tilted, rel=0.09)
    assert ours.sum() == pytest.approx(tilted.sum(), rel=0.05)


# --- limits -------------------------------------------------------------------


def test_flat_plane_receives_ghi(make_climate):
    latitude = np.array([-50.0, -10.0, 0.0, 30.0, 55.0])
    climate = make_climate(
        latitude, np.full(5, 30.0), ghi=half_clear(latitude), temp=10.0, lowest=0.0, highest=30.0
    )
    flat = planes(climate, tilts=np.array([0.0])).poa_wh_m2_day[:, :, 0]
    # Perez's bound of cos(85 degrees) costs a little where the sun stays low
    assert flat == pytest.approx(climate.ghi_wh_m2_day, rel=0.01)


def test_hemispheres_mirror_but_for_the_orbit(make_climate):
    latitude = np.array([40.0, -40.0])
    climate = make_climate(
        latitude, [15.0, 145.0], ghi=half_clear(latitude), temp=10.0, lowest=0.0, highest=30.0
    )
    # the classes of days differ, the geometry does not: compare with one shape for both
    same = dataclasses.replace(
        climate, clearness=np.broadcast_to(climate.clearness[:1, 5:6], climate.clearness.shape)
    )
    found = planes(same).poa_wh_m2_day / climate.ghi_wh_m2_day[:, :, None]
    # half a year apart the mean days' declinations differ by up to a degree (Feb -13.3, Aug 13.7), 5 % at
    # most
    assert found[0] == pytest.approx(np.roll(found[1], 6, axis=0), rel=0.05)


def test_equator_does_not_tell_north_from_south(make_climate):
    climate = make_climate(0.0, 30.0, ghi=half_clear(0.0), temp=25.0, lowest=15.0, highest=35.0)
    flat = dataclasses.replace(climate, clearness=np.full_like(climate.clearness, 0.5))
    north, south = planes(flat, azimuth=0).poa_wh_m2_day[0], planes(flat, azimuth=180).poa_wh_m2_day[0]
    assert north.sum(axis=0) == pytest.approx(south.sum(axis=0), rel=0.02)


def test_east_equals_west(make_climate):
    climate = make_climate([48.0, -30.0], [10.0, 22.0])
    assert planes(climate, azimuth=90).poa_wh_m2_day == pytest.approx(
        planes(climate, azimuth=270).poa_wh_m2_day
    )


def test_one_half_day_stands_for_two(make_climate):
    climate = make_climate([48.0, -30.0], [10.0, 22.0])
    quick = planes(climate)
    both = planes(climate, horizon=np.full((2, 72), -90.0))  # a horizon below ground forces whole days
    assert quick.poa_wh_m2_day == pytest.approx(both.poa_wh_m2_day)
    assert quick.poa_clipped_wh_m2_day == pytest.approx(both.poa_clipped_wh_m2_day)


def test_polar_night_is_exactly_zero(make_climate):
    climate = make_climate(
        78.2, 15.6, ghi=np.minimum(half_clear(78.2), 3000.0), temp=-10.0, lowest=-40.0, highest=15.0
    )
    found = planes(climate)
    assert (found.poa_wh_m2_day[0, [0, 10, 11]] == 0.0).all()
    assert (found.poa_clipped_wh_m2_day[0, [0, 10, 11]] == 0.0).all()
    assert np.isfinite(found.poa_wh_m2_day).all()
    assert np.isfinite(found.temp_cell_c).all()
    assert found.temp_cell_c[0, 11] == pytest.approx(np.full(len(TILTS), -10.0))  # dark: as cold as the air
    assert (found.poa_wh_m2_day[0, 3:9] > 0).all()


def test_more_ghi_is_more_on_every_plane(make_climate):
    steps = np.linspace(0.25, 0.7, 10)
    latitude = np.full(10, 46.0)
    climate = make_climate(latitude, np.full(10, 8.0), ghi=monthly_extra_wh_m2_day(latitude) * steps[:, None])
    assert (np.diff(planes(climate).poa_wh_m2_day, axis=0) > 0).all()


def test_one_site_equals_many(make_climate):
    latitude, longitude = np.linspace(-45, 65, 70), np.full(70, 25.0)
    ghi = half_clear(latitude)
    stated = {"temp": 10.0, "lowest": -10.0, "highest": 30.0}
    many = planes(make_climate(latitude, longitude, ghi=ghi, **stated))
    for i in (0, 35, 63, 64, 69):  # on both sides of the batches' edge
        one = planes(make_climate(latitude[i], 25.0, ghi=ghi[i], **stated))
        for name in ("poa_wh_m2_day", "temp_cell_c", "poa_clipped_wh_m2_day"):
            assert getattr(one, name)[0] == pytest.approx(getattr(many, name)[i], rel=1e-12)


def test_shading_and_snow_multiply(make_climate):
    place = (60.0, 25.0)
    clear = planes(make_climate(*place)).poa_wh_m2_day
    lost = planes(make_climate(*place, shading=0.2, snow=0.5)).poa_wh_m2_day
    assert lost == pytest.approx(0.4 * clear)
    assert (planes(make_climate(*place, snow=1.0)).poa_wh_m2_day == 0).all()


def test_horizon_only_lowers(make_climate):
    climate = make_climate([47.0, -38.0], [11.0, 145.0])
    open_sky = planes(climate)
    previous = open_sky.poa_wh_m2_day
    for height in (0.0, 5.0, 15.0, 30.0, 90.0):
        now = planes(climate, horizon=np.full((2, 72), height)).poa_wh_m2_day
        assert (now <= previous + 1e-9).all()
        previous = now
    assert (previous[:, :, 1:] < open_sky.poa_wh_m2_day[:, :, 1:]).all()
    assert (previous > 0).all()  # diffuse light is left


def test_horizon_counts_where_the_sun_is(make_climate):
    climate = make_climate(47.0, 11.0)
    north, south = np.zeros((1, 72)), np.zeros((1, 72))
    north[0, [70, 71, 0, 1, 2]] = 40.0
    south[0, 33:40] = 40.0
    bare = planes(climate, horizon=np.zeros((1, 72))).poa_wh_m2_day
    assert planes(climate, horizon=north).poa_wh_m2_day == pytest.approx(bare)
    assert (planes(climate, horizon=south).poa_wh_m2_day[0, [0, 11]] < 0.9 * bare[0, [0, 11]]).all()


def test_clipping_curve_is_concave_and_ends_whole(make_climate):
    found = planes(make_climate([35.0, -20.0], [-110.0, 134.0]))
    curve = found.poa_clipped_wh_m2_day
    slope = np.diff(np.concatenate([np.zeros_like(curve[..., :1]), curve], axis=-1), axis=-1) / np.diff(
        CLIP_W_M2, prepend=0.0
    )
    assert (slope >= -1e-9).all()
    assert (np.diff(slope, axis=-1) <= 1e-9).all()
    assert curve[..., -1] == pytest.approx(found.poa_wh_m2_day)
    assert slope[..., 0] == pytest.approx(curve[..., 0] / 50.0)
    assert (slope[..., 0] <= 24.0).all()  # no more hours than a day has


def test_clipping_matches_plain_integration(make_climate):
    climate = make_climate(35.0, -110.0)
    found = planes(climate, tilts=np.array([30.0]), azimuth=200)
    sky = make_sky(climate.latitude_deg, climate.clearness, afternoon_only=False)
    power = tilted_w_m2(sky, np.array([30.0]), np.array([200.0]), climate.albedo[:, :, None, None], None)
    made = (sky.ghi * sky.hours).sum(axis=(2, 3)) / sky.ghi.shape[2]
    power = power * (climate.ghi_wh_m2_day / made)[:, :, None, None]
    for g in (0, 5, 9, 12):
        plain = (np.minimum(power, CLIP_W_M2[g]) * sky.hours).sum(axis=(2, 3)) / power.shape[2]
        assert found.poa_clipped_wh_m2_day[0, :, 0, g] == pytest.approx(plain[0])


def test_cells_are_warmer_than_air_by_their_irradiance(make_climate):
    climate = make_climate(-23.7, 133.9)
    found = planes(climate)
    rise = found.temp_cell_c - climate.temp_air_c[:, :, None]
    # the nominal operating temperature is 25 K above air at 800 W/m2 (IEC 61215), so at most 40 K at 1280
    # W/m2
    assert rise.min() > 0
    assert rise.max() < 40


# --- tilt ---------------------------------------------------------------------


def of(poa):
    poa = np.asarray(poa, float)
    return PlaneOfArray(
        surface_tilt_deg=np.broadcast_to([10.0, 40.0, 70.0], (len(poa), 3)),
        surface_azimuth_deg=np.zeros(len(poa)),
        poa_wh_m2_day=poa,
        temp_cell_c=poa,
        clip_irradiance_w_m2=CLIP_W_M2,
        poa_clipped_wh_m2_day=poa[..., None],
    )


def test_best_tilt_against_plain_search():
    rng = np.random.default_rng(7)
    poa, load = rng.uniform(500, 6000, (20, 12, 3)), rng.uniform(10, 90, (20, 12))
    load[rng.random((20, 12)) < 0.2] = 0.0
    expected = []
    for s in range(20):
        worst = [min(poa[s, m, t] / load[s, m] for m in range(12) if load[s, m] > 0) for t in range(3)]
        expected.append(worst.index(max(worst)))
    assert best_tilt(of(poa), load).tolist() == expected


def test_equal_tilts_give_the_flatter():
    assert best_tilt(of(np.full((1, 12, 3), 1000.0)), np.ones((1, 12))).tolist() == [0]


def test_winter_load_wants_a_steep_plane_and_summer_load_a_flat_one(make_climate):
    climate = make_climate([50.0, 50.0], [10.0, 10.0])
    poa = planes(climate)
    load = np.ones((2, 12))
    load[1, [0, 1, 2, 8, 9, 10, 11]] = 0.0
    steep, flat = TILTS[best_tilt(poa, load)]
    assert steep >= 45
    assert flat <= 30


@pytest.mark.parametrize("pole", [-90.0, 90.0])
def test_a_pole_is_like_its_neighbourhood(pole):
    """The sun's azimuth has no meaning at a pole; a step away, one hundredth of a degree, it has."""
    near = np.array([pole, 0.9999 * pole])
    declination = np.radians(np.full((2, 12), 20.0 * np.sign(pole)))
    hour = np.broadcast_to(np.linspace(-2.5, 2.5, 6), (2, 12, 6))
    zenith, azimuth = _sun(near, declination, hour)
    assert zenith[0] == pytest.approx(zenith[1], abs=1e-3)
    assert azimuth[0] == pytest.approx(azimuth[1], abs=0.1)
