"""Seconds of every stage of a plan, and its memory, for generated fleets: a table, as Markdown.

    python tests/bench/stages.py 24 240 2400 [--set solver.gap=0.01] [--workers 2] [--python-share]

Each fleet runs in a process of its own, start-up included, so that the peak memory is its own; kB a site are
what it takes over a fleet of one site, all in this process and none in workers. `--python-share` plans once
more under cProfile and tells which share of the time was spent in Python's own functions outside NumPy, SciPy
and the solver: an upper bound, since operators on arrays count as the function that holds them.
"""

import argparse
import cProfile
import json
import os
import pstats
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

from fleets import environment, generate_fleet

STAGES = ("read", "climate", "demand", "designs", "candidates", "fleet", "tables", "write")
NUMERIC = ("numpy", "scipy", "highspy")


def run(sites: int, settings: Sequence[str], workers: int | None) -> dict[str, float]:
    """Plan one generated fleet in a fresh process."""
    with tempfile.TemporaryDirectory() as folder:
        scenario, out = Path(folder) / "scenario", Path(folder) / "plan"
        generate_fleet(scenario, sites)
        command = [sys.executable, "-m", "planner", "plan", str(scenario), "--out", str(out), "--quiet"]
        command += [part for setting in settings for part in ("--set", setting)]
        command += ["--workers", str(workers)] if workers else []
        start = time.perf_counter()
        process = subprocess.Popen(command, env=environment())
        _, status, usage = os.wait4(process.pid, 0)
        wall = time.perf_counter() - start
        if os.waitstatus_to_exitcode(status) not in (0, 4):
            raise SystemExit(f"planning {sites} sites ended with {os.waitstatus_to_exitcode(status)}")
        manifest = json.loads((out / "manifest.json").read_text())
        timings = json.loads((out / "timings.json").read_text())
    return {
        "sites": sites,
        "unserved": manifest["sites_unserved"],
        "wall": wall,
        "peak_mb": usage.ru_maxrss / 1024,
        "gap": manifest["mip_gap"],
        **timings,
    }


def python_share(sites: int) -> float:
    """Share of the time of a plan in one process that Python's own functions take."""
    from planner.pipeline import Machines, plan_folder

    with tempfile.TemporaryDirectory() as folder:
        scenario = Path(folder) / "scenario"
        generate_fleet(scenario, sites)
        profile = cProfile.Profile()
        profile.runcall(plan_folder, scenario, Path(folder) / "plan", machines=Machines(workers=1))
    own = {name: row[2] for name, row in pstats.Stats(profile).stats.items()}  # type: ignore[attr-defined]
    python = [
        seconds
        for (file, _, _), seconds in own.items()
        if file.endswith(".py") and not any(f"/{package}/" in file for package in NUMERIC)
    ]
    return float(sum(python) / sum(own.values()))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sites", nargs="*", type=int, default=[24, 240, 2400])
    parser.add_argument("--set", action="append", default=[], dest="settings")
    parser.add_argument("--workers", type=int)
    parser.add_argument("--python-share", action="store_true")
    arguments = parser.parse_args()
    alone_mb = run(1, arguments.settings, 1)["peak_mb"]
    stages = " | ".join(f"{stage} s" for stage in STAGES)
    print(f"| sites | unserved | {stages} | whole run s | peak MB | kB a site | gap | Python |")
    print("|---" * (len(STAGES) + 7) + "|")
    for sites in arguments.sites:
        row = run(sites, arguments.settings, arguments.workers)
        stages = " | ".join(f"{row.get(stage, 0.0):.2f}" for stage in STAGES)
        share = f"{100 * python_share(sites):.0f} %" if arguments.python_share else ""
        print(
            f"| {sites} | {row['unserved']:.0f} | {stages} | {row['wall']:.1f} | {row['peak_mb']:.0f} "
            f"| {1024 * (row['peak_mb'] - alone_mb) / sites:.0f} | {100 * row['gap']:.2f} % | {share} |",
            flush=True,
        )


if __name__ == "__main__":
    main()
