"""Typical years that pvlib ships, and their light on a plane by the hour."""

from pathlib import Path

import pandas as pd
import pvlib

DATA = Path(pvlib.__file__).parent / "data"
FILES = {"Greensboro 36 N": "723170TYA.CSV", "Miami 26 N": "12839.tm2", "Sand Point 55 N": "703165TY.csv"}
HALF_HOUR = pd.Timedelta(minutes=30)


def read_year(name):
    """Hourly ghi, dhi, dni at the hours' middles, latitude, longitude."""
    if name.endswith(".tm2"):
        hourly, meta = pvlib.iotools.read_tmy2(DATA / name)
        hourly = hourly.rename(columns=str.lower)
        middle = hourly.index + HALF_HOUR  # stamped at the hour's start
    else:
        hourly, meta = pvlib.iotools.read_tmy3(DATA / name, coerce_year=2001, map_variables=True)
        middle = hourly.index - HALF_HOUR  # stamped at the hour's end
    assert middle.tz is not None
    light = hourly[["ghi", "dhi", "dni"]].astype(float)
    light.index = middle
    return light, meta["latitude"], meta["longitude"]


def plane_hours(light, latitude, longitude, *, tilt, azimuth):
    """Irradiance on a plane at the hours' middles, W/m2, transposed hour by hour (Perez)."""
    sun = pvlib.solarposition.get_solarposition(light.index, latitude, longitude)
    extra = pvlib.irradiance.get_extra_radiation(light.index.day_of_year.to_numpy(float))
    return pvlib.irradiance.get_total_irradiance(
        tilt,
        azimuth,
        sun["apparent_zenith"],
        sun["azimuth"],
        light["dni"],
        light["ghi"],
        light["dhi"],
        dni_extra=pd.Series(extra, light.index),
        airmass=pvlib.atmosphere.get_relative_airmass(sun["apparent_zenith"]),
        albedo=0.2,
        model="perez",
    )["poa_global"].fillna(0.0)
