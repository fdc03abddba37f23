"""Seconds and peak memory of every stage of a plan, for generated fleets: a table, as Markdown.

    python tests/bench/stages.py 24 240 2400 [--set solver.gap=0.01]

Each fleet runs in a process of its own, start-up included, so that the peak memory is its own.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

STAGES = ("read", "climate", "demand", "designs", "fleet", "tables", "write")


def run(sites: int, settings: list[str]) -> dict[str, object]:
    """Plan one generated fleet in a fresh process."""
    sys.path.insert(0, str(Path(__file__).parent))
    from fleets import generate_fleet

    with tempfile.TemporaryDirectory() as folder:
        scenario, out = Path(folder) / "scenario", Path(folder) / "plan"
        generate_fleet(scenario, sites)
        command = [sys.executable, "-m", "planner", "plan", str(scenario), "--out", str(out), "--quiet"]
        command += [part for setting in settings for part in ("--set", setting)]
        start = time.perf_counter()
        process = subprocess.Popen(command)
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
        "outcome": manifest["outcome"],
        **timings,
    }


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sites", nargs="*", type=int, default=[24, 240, 2400])
    parser.add_argument("--set", action="append", default=[], dest="settings")
    arguments = parser.parse_args()
    stages = " | ".join(f"{stage} s" for stage in STAGES)
    print(f"| sites | unserved | {stages} | whole run s | peak MB | gap |")
    print("|---" * (len(STAGES) + 5) + "|")
    for sites in arguments.sites:
        row = run(sites, arguments.settings)
        stages = " | ".join(f"{float(str(row.get(stage, 0.0))):.2f}" for stage in STAGES)
        print(
            f"| {row['sites']} | {row['unserved']} | {stages} | {float(str(row['wall'])):.1f} "
            f"| {float(str(row['peak_mb'])):.0f} | {100 * float(str(row['gap'])):.2f} % |",
            flush=True,
        )


if __name__ == "__main__":
    main()
