"""Curves of whole fleets, and how many site-design-days a second the simulation steps: Markdown tables.

    python tests/bench/curves.py 1000 10000 [--availability 0.999] [--workers 2]

Each curve has twelve points and a hundred years. Everything after the site's monthly climate is in the time:
classes of days, drawn years, search. The throughput of one process is set beside a plain NumPy loop over the
days of one site, and beside a compiled loop where numba is installed (an environment of its own; the project
does not depend on it).
"""

import argparse
import os
import resource
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from functools import cache, partial

import numpy as np
from numpy.typing import NDArray

from planner.climate import OwnMonths, class_wh_m2, day_hours, default_azimuth_deg, site_climate
from planner.climate.builtin import CELL_DISTANCE_MAX_KM, EARTH_RADIUS_KM, world
from planner.reliability import RATIOS, Loads, drawn_years, site_curves
from planner.reliability.spells import find_spells
from planner.reliability.store import Store
from planner.settings import ClimateSettings

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

YEARS, DAYS = 100, 365
BATCH = 64  # sites of a task
LATITUDE_MAX_DEG = 60.0
EFFICIENCY, RECONNECT, SELF_DISCHARGE = 0.86, 0.2, 0.001
LANES = 16_384  # designs stepped together


def places(sites: int) -> tuple[FloatArray, FloatArray]:
    """Latitudes and longitudes of land points, drawn evenly by area."""
    random, w = np.random.default_rng(sites), world()
    vectors = np.asarray(w.point_tree.data)
    latitude = np.degrees(np.arcsin(vectors[:, 2]))
    chord, _ = w.cell_tree.query(vectors)
    near = chord <= 2.0 * np.sin(CELL_DISTANCE_MAX_KM / EARTH_RADIUS_KM / 2.0)
    some = np.flatnonzero(near & (np.abs(latitude) <= LATITUDE_MAX_DEG))
    weight = np.cos(np.radians(latitude[some]))
    chosen = random.choice(some, size=sites, p=weight / weight.sum())
    return latitude[chosen], np.degrees(np.arctan2(vectors[chosen, 1], vectors[chosen, 0]))


def batch_curves(
    place: tuple[FloatArray, FloatArray], availability: float
) -> tuple[FloatArray, int, float]:
    """Curves (S, R) of a batch of sites, the process and its peak memory, MB."""
    latitude, longitude = place
    blank, one = np.full((len(latitude), 12), np.nan), np.full(len(latitude), np.nan)
    climate = site_climate(
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation_m=one,
        temp_air_min_c=one,
        temp_air_max_c=one,
        own=OwnMonths(
            ghi_wh_m2_day=blank, temp_air_c=blank, albedo=blank, shading_loss=blank, snow_loss=blank
        ),
        settings=ClimateSettings(),
    )
    classes = class_wh_m2(
        climate,
        surface_tilt_deg=np.minimum(np.abs(latitude) + 15.0, 90.0),
        surface_azimuth_deg=default_azimuth_deg(latitude),
    )
    days = drawn_years(classes, latitude_deg=latitude, longitude_deg=longitude, years=YEARS)
    hours = day_hours(latitude)
    loads = Loads(
        array_wh=classes.mean(axis=2),
        day_wh=hours,
        night_wh=24.0 - hours,
        day_hours=hours,
        capacity_share=np.ones(hours.shape),
        efficiency=np.full(len(hours), EFFICIENCY),
        self_discharge=np.full(len(hours), SELF_DISCHARGE),
        reconnect_share=np.full(len(hours), RECONNECT),
    )
    found = site_curves(days, loads, availability=availability).days
    return found, os.getpid(), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def fleet_row(sites: int, availability: float, workers: int) -> str:
    """Seconds, throughput and memory of the curves of a fleet."""
    latitude, longitude = places(sites)
    parts = [
        (latitude[first : first + BATCH], longitude[first : first + BATCH])
        for first in range(0, sites, BATCH)
    ]
    start, spent = time.perf_counter(), cpu_seconds()
    with ProcessPoolExecutor(workers) as pool:
        found = list(pool.map(partial(batch_curves, availability=availability), parts))
    wall, spent = time.perf_counter() - start, cpu_seconds() - spent
    days = np.concatenate([part for part, _, _ in found])
    memory = {pid: mb for _, pid, mb in found}  # a peak only rises
    total = sum(memory.values()) + resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    held = np.isfinite(days)
    rate = sites * YEARS * DAYS * len(RATIOS) / wall / 1e6
    return (
        f"| {sites} | {availability:g} | {wall:.1f} | {spent:.1f} | {rate:.0f} | {total:.0f} "
        f"| {np.median(days[:, 2][held[:, 2]]):.1f} | {100 * (~held).mean():.1f} % |"
    )


def cpu_seconds() -> float:
    """Time of processors that this process and its ended children took."""
    both = resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN)
    return sum(one.ru_utime + one.ru_stime for one in both)


def million_days_a_second(work: Callable[[], int], seconds: float = 5.0) -> float:
    """Site-design-days a second; `work` says how many it did. The fastest run counts, of a shared machine."""
    work()  # compiled, cached
    best, end = np.inf, time.perf_counter() + seconds
    while time.perf_counter() < end:
        start = time.perf_counter()
        done = work()
        best = min(best, (time.perf_counter() - start) / done)
    return float(1e-6 / best)


@cache
def light_of(days: int, columns: int) -> Float32Array:
    """Energy of days at the bus, about 1.2 days of load."""
    return np.random.default_rng(1).gamma(3.0, 0.4, (days, columns)).astype(np.float32)


def stores(count: int) -> Store:
    """Batteries of five days."""
    one = np.ones(count, dtype=np.float32)
    return Store.full(
        5 * one,
        reconnect_share=RECONNECT * one,
        efficiency=EFFICIENCY * one,
        self_discharge=SELF_DISCHARGE * one,
    )


def step_lanes() -> int:
    """The simulation, single precision, many designs side by side."""
    light, store, half = light_of(40, LANES), stores(LANES), np.full(LANES, np.float32(0.5))
    for sun in light:
        store.step(half, sun, half)
    return light.size


def step_one_site() -> int:
    """The same, one site's twelve designs: a plain loop over days."""
    light, store, half = light_of(500, 1), stores(12), np.full(12, np.float32(0.5))
    ratio = np.array(RATIOS, dtype=np.float32)
    for sun in light[:, 0]:
        store.step(half, sun * ratio, half)
    return len(light) * len(ratio)


def sequent_peaks() -> int:
    """Deepest spells of a hundred years."""
    light = light_of(YEARS * DAYS, 1)[:, 0]
    find_spells(light, np.full(len(light), np.float32(0.95)), deeper_than=1.0)
    return len(light)


def compiled_loop() -> Callable[[], int] | None:
    """The same step as a scalar loop that numba compiles: the limit; None without numba."""
    try:
        from numba import njit
    except ImportError:
        return None

    @njit(fastmath=True)
    def run(light, night, day, usable, reconnect, efficiency, keep):  # type: ignore[no-untyped-def]
        lacked = 0.0
        for column in range(light.shape[0]):
            charge, on = usable, True
            for t in range(light.shape[1]):
                sun = light[column, t]
                edge = day * day / (4.0 * sun) if 2.0 * sun > day else day - sun
                left = charge * keep - (night + edge if on else 0.0)
                dawn = max(left, 0.0)
                short = dawn - left
                morning = min(short, edge / 2.0)
                share = 1.0
                if not on or short > 0.0:
                    part = min(max((reconnect - dawn) / (efficiency * sun + 1e-12), 0.0), 1.0)
                    late = part > 0.5
                    half = np.sqrt((1.0 - part if late else part) / 2.0)
                    share = half if late else 1.0 - half
                level = dawn + efficiency * (sun - share * (day - edge)) - (0.0 if on else share * edge)
                lacked += (short - morning if on else night) + max(morning, (1.0 - share) * day)
                lacked -= min(level, 0.0)
                charge = min(max(level, 0.0), usable)
                on = share > 0.0 and level >= 0.0
        return lacked

    light = np.ascontiguousarray(light_of(YEARS * DAYS, 12).T)

    def work() -> int:
        run(light, 0.5, 0.5, 5.0, 5.0 * RECONNECT, EFFICIENCY, 1.0 - SELF_DISCHARGE)
        return light.size

    return work


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("sites", nargs="*", type=int, default=[1000])
    parser.add_argument("--availability", type=float, nargs="+", default=[0.999])
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    print("| sites | availability | wall s | CPU s | M days / s | peak MB | days at 1.1 | no battery |")
    print("|---" * 8 + "|")
    for sites in given.sites:
        for availability in given.availability:
            print(fleet_row(sites, availability, given.workers), flush=True)
    print("\n| one process, its fastest run | M site-design-days / s |\n|---|---|")
    for name, work in (
        (f"simulation, {LANES} designs side by side", step_lanes),
        ("simulation, one site's 12 designs, plain loop over days", step_one_site),
        ("sequent peak", sequent_peaks),
        ("compiled loop (numba)", compiled_loop()),
    ):
        rate = "numba is not installed" if work is None else f"{million_days_a_second(work):.2f}"
        print(f"| {name} | {rate} |", flush=True)


if __name__ == "__main__":
    main()
