"""The monthly method against hourly transposition of the typical years that pvlib ships.

Truth is each file's hourly beam and diffuse light, transposed hour by hour with Perez at the hour's middle.
The method gets the monthly means of GHI alone, with (a) the file's own daily clearness or (b) the built-in
classes of days. `pytest -s` prints the table.
"""

import dataclasses

import numpy as np
import pvlib
import pytest

from planner.climate import OwnMonths, plane_of_array, site_climate
from planner.climate.sun import MONTH_OF_DAY, daily_extra_wh_m2
from planner.settings import ClimateSettings
from tests.climate.typical import FILES, plane_hours, read_year

TILTS = np.array([10.0, 30.0, 50.0, 70.0, 90.0])
AZIMUTHS = (135.0, 180.0, 225.0)
WINTER = [10, 11, 0, 1]  # November to February
CLASSES = 21


def hourly_poa(light, latitude, longitude, azimuth):
    """Mean daily irradiation by month and tilt (12, T), transposed hour by hour."""
    columns = []
    for tilt in TILTS:
        total = plane_hours(light, latitude, longitude, tilt=tilt, azimuth=azimuth)
        columns.append(24.0 * total.groupby(light.index.month).mean().to_numpy())
    return np.stack(columns, axis=1)


def daily_classes(light, latitude):
    """Mean clearness index of 21 equally likely classes of the file's own days (1, 12, 21)."""
    daily = light["ghi"].groupby(light.index.day_of_year).sum().to_numpy()[:365]
    clearness = daily / daily_extra_wh_m2(np.array([latitude]), np.arange(1, 366))[0]
    classes = np.empty((1, 12, CLASSES))
    for month in range(12):
        days = np.sort(clearness[month == MONTH_OF_DAY])
        sums = np.concatenate([[0.0], np.cumsum(days)]) / len(days)
        at = np.interp(np.linspace(0, 1, CLASSES + 1), np.linspace(0, 1, len(days) + 1), sums)
        classes[0, month] = CLASSES * np.diff(at)
    return classes


def monthly_poa(light, latitude, longitude, azimuth, *, own_days):
    """The same by the monthly method."""
    ghi = 24.0 * light["ghi"].groupby(light.index.month).mean().to_numpy()[None]
    blank, one = np.full((1, 12), np.nan), np.array([np.nan])
    climate = site_climate(
        latitude_deg=np.array([latitude]),
        longitude_deg=np.array([longitude]),
        elevation_m=one,
        temp_air_min_c=one,
        temp_air_max_c=one,
        settings=ClimateSettings(),
        own=OwnMonths(ghi_wh_m2_day=ghi, temp_air_c=blank, albedo=blank, shading_loss=blank, snow_loss=blank),
    )
    assert climate.refusal == ("",)
    if own_days:
        climate = dataclasses.replace(climate, clearness=daily_classes(light, latitude))
    return plane_of_array(
        climate, surface_tilt_deg=TILTS[None], surface_azimuth_deg=np.array([azimuth])
    ).poa_wh_m2_day[0]


@pytest.fixture(scope="module")
def errors():
    """Relative errors (12, T) by place, azimuth and kind of days."""
    found = {}
    for place, name in FILES.items():
        year = read_year(name)
        for azimuth in AZIMUTHS:
            truth = hourly_poa(*year, azimuth)
            for own_days in (True, False):
                found[place, azimuth, own_days] = monthly_poa(*year, azimuth, own_days=own_days) / truth - 1.0
    return found


def bias_rms(parts):
    """Bias and root mean square of winter months over all tilts, percent."""
    winter = 100.0 * np.stack([part[WINTER] for part in parts])
    return winter.mean(), np.sqrt((winter**2).mean())


def render(errors):
    """The table of winter errors."""
    lines = [
        "place            azimuth  own days: bias  rms   built-in days: bias  rms   (%, Nov-Feb, tilts 10-90)"
    ]
    for place in FILES:
        for azimuth in AZIMUTHS:
            own, stored = (bias_rms([errors[place, azimuth, kind]]) for kind in (True, False))
            lines.append(
                f"{place:16}{azimuth:8.0f}  {own[0]:14.1f} {own[1]:4.1f}{stored[0]:22.1f} {stored[1]:4.1f}"
            )
    own, stored = (bias_rms([e for key, e in errors.items() if key[2] is kind]) for kind in (True, False))
    lines.append(f"{'all':16} {'':7}  {own[0]:14.1f} {own[1]:4.1f}{stored[0]:22.1f} {stored[1]:4.1f}")
    return "\n".join(lines)


@pytest.mark.parametrize("own_days", [True, False], ids=["own-days", "built-in-days"])
def test_winter_bias_and_rms_over_all_years(errors, own_days):
    print("\n" + render(errors))
    bias, rms = bias_rms([e for key, e in errors.items() if key[2] is own_days])
    assert abs(bias) < 2.0
    assert rms < 12.0


@pytest.mark.parametrize("own_days", [True, False], ids=["own-days", "built-in-days"])
@pytest.mark.parametrize("place", list(FILES))
def test_no_single_year_is_far_off(errors, place, own_days):
    # Sand Point's file has a tenth less diffuse light than the daily correlation of Erbs gives for its
    # clearness (0.65 against 0.72 in winter), so the method stays some 8 % below it there: on the safe side.
    bias, rms = bias_rms([e for key, e in errors.items() if key[0] == place and key[2] is own_days])
    assert -10.0 < bias < 3.0
    assert rms < 13.0


def test_hourly_erbs_on_a_mean_day_would_be_too_low():
    # why the method is not simpler: one mean day with the hourly correlation loses much of the winter beam
    light, latitude, longitude = read_year(FILES["Greensboro 36 N"])
    truth = hourly_poa(light, latitude, longitude, 180.0)[WINTER][:, 2]
    sun = pvlib.solarposition.get_solarposition(light.index, latitude, longitude)
    mean_day = light["ghi"].groupby([light.index.month, light.index.hour]).transform("mean")
    split = pvlib.irradiance.erbs(mean_day, sun["zenith"], light.index.day_of_year.to_numpy(float))
    crude = light.assign(ghi=mean_day, dni=split["dni"], dhi=split["dhi"])
    crude_poa = hourly_poa(crude, latitude, longitude, 180.0)[WINTER][:, 2]
    ours = monthly_poa(light, latitude, longitude, 180.0, own_days=True)[WINTER][:, 2]
    assert (crude_poa / truth - 1).mean() < -0.08
    assert abs((ours / truth - 1).mean()) < 0.03


@pytest.mark.parametrize(("place", "limit"), [("Greensboro 36 N", 0.10), ("Miami 26 N", 0.10)])
def test_built_in_ghi_is_near_the_typical_year(place, limit):
    # an independent record of the same place: the built-in mean before its margin, over the year
    light, latitude, longitude = read_year(FILES[place])
    blank, one = np.full((1, 12), np.nan), np.array([np.nan])
    climate = site_climate(
        latitude_deg=np.array([latitude]),
        longitude_deg=np.array([longitude]),
        elevation_m=one,
        temp_air_min_c=one,
        temp_air_max_c=one,
        settings=ClimateSettings(margin=1.0),
        own=OwnMonths(
            ghi_wh_m2_day=blank, temp_air_c=blank, albedo=blank, shading_loss=blank, snow_loss=blank
        ),
    )
    measured = 24.0 * light["ghi"].groupby(light.index.month).mean().to_numpy()
    assert climate.ghi_wh_m2_day[0].mean() == pytest.approx(measured.mean(), rel=limit)
    assert climate.ghi_wh_m2_day[0] == pytest.approx(measured, rel=2.5 * limit)
