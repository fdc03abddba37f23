"""Generated fleets of any size, for benchmarks: invented sites on real land, with the built-in catalogue.

    python tests/bench/fleets.py /tmp/fleet 240 [--seed 1] [--latitudes 45 66]

The same arguments give the same bytes.
"""

import argparse
import csv
import os
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from planner.climate.builtin import CELL_DISTANCE_MAX_KM, EARTH_RADIUS_KM, world

FloatArray = NDArray[np.float64]
Row = tuple[object, ...]

NORTH_DEG = (45.0, 66.0)
JITTER_DEG = 0.1  # how far sites lie from a land point of the built-in climate (one each 0.25 degrees)
# What the built-in catalogue can stand in the cabinets below; elsewhere a fleet has unserved sites.
TEMP_MIN_C, TEMP_MAX_C = -38.0, 43.0  # stored extremes of the air at the sites
ELEVATION_MAX_M = 4500.0  # nobody keeps a site much higher

SETTINGS = """\
name = "Generated fleet of {sites} sites"
plan_date = 2026-11-20
currency = "EUR"

[policy]
autonomy_days = 5
installation_cost = 700

[battery]
enclosure_damping_k = 12  # insulated cabinets

[purchase]
need_by = 2027-04-01
labour_cost_h = 60
"""

#: Rules of the purchase: every SKU taken on costs, spares by share and by failures.
CATEGORY_RULES = """\
category,distinct_max,onboarding_cost,spares_share,spares_protection,resupply_weeks
modules,{modules},400,0.03,,
batteries,{batteries},500,0.02,,
controllers,{controllers},300,0.03,0.95,8
switches,{switches},300,0.03,0.95,8
converters,,100,0.05,,
balance,,0,0,,
"""
CAPS = {"modules": 4, "batteries": 6, "controllers": 3, "switches": 4}

DEVICES = """\
device,supply,poe_class,passive_v,input_min_v,input_max_v,average_w,max_w,data_ports,power_allocation,schedule
logger,dc,,,10,16,0.4,3.5,0,class,always
level-radar,dc,,,9.6,32,0.3,1.2,0,class,always
sat-modem,dc,,,9,32,0.8,6,0,class,always
gate,dc,,,18,32,1.5,15,1,class,day
lamp,dc,,,10,30,1.8,8,0,class,night
radio-24,passive_poe,,24,16,32,3.4,8.5,1,class,always
radio-48,passive_poe,,48,40,60,5.5,14,1,class,always
camera-3,poe,3,,,,2.4,6,1,measured,camera-hours
camera-4,poe,4,,,,6,22,1,class,always
dome-6,poe,6,,,,11,44,1,class,day
"""

LOADS = """\
load_profile,device,quantity,cable_m
river-gauge,logger,1,3
river-gauge,level-radar,1,20
river-gauge,sat-modem,1,4
gauge,logger,1,3
gauge,radio-24,1,8
light,lamp,1,30
light,radio-24,1,8
camera,logger,1,3
camera,camera-3,1,12
camera,radio-24,1,8
relay,radio-24,2,10
relay,logger,1,3
gate,gate,1,40
gate,camera-3,1,25
gate,radio-24,1,8
watch,camera-4,3,30
compound,camera-4,5,50
compound,radio-24,1,8
hub,radio-48,2,12
hub,camera-4,1,20
yard,dome-6,1,35
yard,camera-4,1,60
yard,radio-24,1,8
"""

SCHEDULES = (
    "schedule,"
    + ",".join(f"h{hour:02d}" for hour in range(24))
    + "\ncamera-hours,"
    + ",".join("1" if 8 <= hour < 16 else "0" for hour in range(24))
    + "\n"
)

#: Profiles and their shares by distance from the equator: the darker the winter, the lighter the load.
PROFILES: tuple[tuple[float, dict[str, float]], ...] = (
    (62.0, {"river-gauge": 1.0}),
    (57.0, {"river-gauge": 0.3, "gauge": 0.3, "light": 0.2, "camera": 0.2}),
    (50.0, {"river-gauge": 0.1, "gauge": 0.25, "light": 0.15, "camera": 0.2, "relay": 0.2, "gate": 0.1}),
    (0.0, {"gauge": 0.15, "light": 0.1, "camera": 0.2, "relay": 0.2, "gate": 0.15, "watch": 0.1, "hub": 0.05,
           "yard": 0.03, "compound": 0.02}),
)  # fmt: skip
HEAVY = ("hub", "yard", "compound")  # more than converters on a 12 V bus give

SITE_COLUMNS = (
    "site_id", "name", "latitude_deg", "longitude_deg", "elevation_m", "load_profile", "autonomy_days",
    "system_voltage_v", "array_to_load_ratio", "array_cable_m", "region", "priority", "access_cost",
    "freight_per_kg",
)  # fmt: skip


def environment() -> dict[str, str]:
    """That of a planner's machine, where compiled modules are kept."""
    return {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}


def generate_fleet(
    folder: Path,
    sites: int,
    seed: int = 1,
    *,
    latitudes_deg: tuple[float, float] = NORTH_DEG,
    caps: bool = False,
) -> Path:
    """Write a complete scenario of `sites` sites to `folder`.

    Parameters
    ----------
    folder : Path
        Made if absent; its files are overwritten.
    sites : int
        How many.
    seed : int
        Another seed gives another fleet.
    latitudes_deg : (south, north)
        Band of latitudes; `(-35, 35)` gives a fleet under a high sun.
    caps : bool
        Allow few SKUs of each category.

    Returns
    -------
    Path
        The folder.
    """
    random = np.random.default_rng([seed, sites])
    latitude, longitude, elevation = _places(random, sites, latitudes_deg)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "scenario.toml").write_text(SETTINGS.format(sites=sites), encoding="utf-8")
    profiles = [_profile(random, abs(float(degrees))) for degrees in latitude]
    header, *loads = LOADS.splitlines(keepends=True)
    run = "".join(line for line in loads if line.split(",")[0] in profiles)
    for name, text in (("devices", DEVICES), ("loads", header + run), ("schedules", SCHEDULES)):
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    most = {name: number if caps else "" for name, number in CAPS.items()}
    (folder / "category_rules.csv").write_text(CATEGORY_RULES.format(**most), encoding="utf-8")
    rows = [
        _site(random, i, float(latitude[i]), float(longitude[i]), float(elevation[i]), profiles[i])
        for i in range(sites)
    ]
    _write(folder / "sites.csv", SITE_COLUMNS, rows)
    shaded = np.flatnonzero(random.random(sites) < 0.15)
    _write(folder / "site_months.csv", ("site_id", "month", "shading_loss"), _shade(random, rows, shaded))
    return folder


def _places(
    random: np.random.Generator, sites: int, band_deg: tuple[float, float]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Coordinates near land points inside a band, evenly by area, where the catalogue stands the climate."""
    w = world()
    vectors = np.asarray(w.point_tree.data)
    latitude, longitude = _degrees(vectors)
    fits = (latitude >= band_deg[0] + JITTER_DEG) & (latitude <= band_deg[1] - JITTER_DEG)
    fits &= (w.temp_min_c >= TEMP_MIN_C) & (w.temp_max_c <= TEMP_MAX_C)
    fits &= w.elevation_m <= ELEVATION_MAX_M
    places = np.flatnonzero(fits)
    chord, _ = w.cell_tree.query(vectors[places])
    places = places[chord <= 2.0 * np.sin(CELL_DISTANCE_MAX_KM / EARTH_RADIUS_KM / 2.0)]
    if not len(places):
        raise ValueError(f"no land with a bearable climate from {band_deg[0]:g} to {band_deg[1]:g} degrees")
    weight = np.cos(np.radians(latitude[places]))
    chosen = random.choice(places, size=sites, p=weight / weight.sum())
    jitter = random.uniform(-JITTER_DEG, JITTER_DEG, size=(2, sites))
    east = np.clip(longitude[chosen] + jitter[1], -180.0, 180.0)
    return np.round(latitude[chosen] + jitter[0], 4), np.round(east, 4), w.elevation_m[chosen]


def _degrees(vectors: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Latitude and longitude of points on the unit sphere (N, 3)."""
    x, y, z = np.asarray(vectors).T
    return np.degrees(np.arcsin(z)), np.degrees(np.arctan2(y, x))


def _profile(random: np.random.Generator, latitude_deg: float) -> str:
    shares = next(shares for least, shares in PROFILES if latitude_deg >= least)
    weight = np.array(list(shares.values()))
    return str(random.choice(list(shares), p=weight / weight.sum()))


def _site(
    random: np.random.Generator, i: int, latitude: float, longitude: float, elevation: float, profile: str
) -> Row:
    """A row of `sites`: half the sites leave autonomy to the policy, a tenth fixes its voltage."""
    remote = random.random() ** 2
    autonomy = int(random.integers(3, 11)) if random.random() < 0.5 else ""
    voltage = random.choice(("", "12", "24", "48"), p=(0.9, 0.03, 0.04, 0.03))
    if profile in HEAVY and voltage == "12":
        voltage = ""
    ratio = 1.3 if random.random() < 0.1 else ""
    region = f"zone {int((longitude + 180.0) // 30.0) % 12 + 1}"  # by longitude
    return (
        f"s{i + 1:05d}", f"Site {i + 1}", f"{latitude:.4f}", f"{longitude:.4f}", f"{elevation:.0f}", profile,
        autonomy, voltage, ratio, int(random.integers(5, 31)), region, int(random.integers(1, 4)),
        int(80 + 600 * remote), f"{0.4 + 2.0 * remote:.2f}",
    )  # fmt: skip


def _shade(random: np.random.Generator, rows: Sequence[Row], shaded: NDArray[np.int64]) -> list[Row]:
    """Winter shade of some sites; the months are those of a low sun on either hemisphere."""
    return [
        (rows[i][0], month, f"{random.uniform(0.02, 0.15):.2f}")
        for i in shaded
        for month in ((11, 12, 1, 2) if float(str(rows[i][2])) >= 0 else (5, 6, 7, 8))
    ]


def _write(path: Path, columns: Sequence[str], rows: Sequence[Row]) -> None:
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(columns)
        writer.writerows(rows)


def main() -> None:
    """Write one fleet."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("sites", type=int)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--latitudes", type=float, nargs=2, default=NORTH_DEG, metavar=("SOUTH", "NORTH"))
    parser.add_argument("--caps", action="store_true", help="allow few SKUs of each category")
    given = parser.parse_args()
    south, north = given.latitudes
    band = (south, north)
    print(generate_fleet(given.folder, given.sites, given.seed, latitudes_deg=band, caps=given.caps))


if __name__ == "__main__":
    main()
