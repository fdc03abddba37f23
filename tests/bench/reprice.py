"""Seconds of a first plan, and of another one under a supplier's new prices that begins with it.

    python tests/bench/reprice.py 1000 [--seed 1] [--set solver.gap=0.01] [--afresh]

Each runs in a process of its own, start-up included. The new list moves every price by up to a tenth either
way. With `--afresh` the new prices are also planned from nothing, for the costs that both reach.
"""

import argparse
import csv
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path

import numpy as np
from fleets import environment, generate_fleet

from planner.scenario import read_scenario

MOST = 0.1  # share by which a price moves
COLUMNS = ("sku", "supplier", "min_qty", "unit_price", "currency", "tier_kind", "valid_from", "valid_to")


def value(cell: object) -> object:
    """As a table has it."""
    return getattr(cell, "value", cell)


def other_prices(scenario: Path, out: Path, seed: int) -> None:
    """A price list of all suppliers' SKUs at other prices."""
    random = np.random.default_rng(seed)
    rows = read_scenario(scenario).tables.prices
    moved = {row.sku: Decimal(str(round(1 + random.uniform(-MOST, MOST), 3))) for row in rows}
    with out.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(COLUMNS)
        for row in rows:
            price = (row.unit_price * moved[row.sku]).quantize(Decimal("0.01"))
            new = row.model_copy(update={"unit_price": price})
            writer.writerow([value(getattr(new, name)) for name in COLUMNS])


def run(scenario: Path, out: Path, more: Sequence[str]) -> dict[str, float]:
    """Plan in a fresh process."""
    command = [sys.executable, "-m", "planner", "plan", str(scenario), "--out", str(out), "--quiet"]
    command += more
    start = time.perf_counter()
    status = subprocess.run(command, check=False, env=environment()).returncode
    wall = time.perf_counter() - start
    if status not in (0, 4):
        raise SystemExit(f"planning ended with {status}")
    manifest = json.loads((out / "manifest.json").read_text())
    timings = json.loads((out / "timings.json").read_text())
    stages = {name: seconds for name, seconds in timings.items() if isinstance(seconds, float)}
    return {"wall": wall, "cost": float(manifest["objective"]), "gap": float(manifest["mip_gap"]), **stages}


def main() -> None:
    """Print both, and their ratio."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sites", type=int)
    parser.add_argument("--set", action="append", default=[], help="setting=value")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--afresh", action="store_true")
    parser.add_argument("--keep", type=Path, help="folder to keep everything in")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = asked.keep or Path(temporary)
        scenario, prices = folder / "scenario", folder / "prices.csv"
        generate_fleet(scenario, asked.sites)
        other_prices(scenario, prices, asked.seed)
        settings = [part for setting in asked.set for part in ("--set", setting)]
        lists, first = ["--prices", str(prices)], folder / "first"
        runs = {"first": run(scenario, first, settings)}
        runs["again"] = run(scenario, folder / "again", [*settings, *lists, "--from", str(first)])
        if asked.afresh:
            runs["afresh"] = run(scenario, folder / "afresh", [*settings, *lists])
    for name, found in runs.items():
        print(name, " ".join(f"{key} {value:,.6g}" for key, value in found.items()))
    print(f"again / first: {runs['again']['wall'] / runs['first']['wall']:.2f}")


if __name__ == "__main__":
    main()
