"""The planner's plan beside the same model handed whole to HiGHS and to CBC, with equal time.

    python tests/bench/whole_model.py 24 240 [--caps] [--seconds 120]

For each generated fleet the planner chooses its plan; then every design of its candidate pool and every mode
goes as one integer model through PuLP to HiGHS and to CBC, each with the time that the planner took for the
fleet, or `--seconds` if that is more. Printed are costs and gaps against each one's own bound, as Markdown.
The solvers see the pool's designs alone, the planner's bound holds over all designs.
"""

import argparse
import sys
import tempfile
import time
from pathlib import Path

import highspy
import numpy as np
import pulp

from planner import pipeline, purchase
from planner.fleet.curves import make_curves
from planner.fleet.master import choice_of, make_master
from planner.fleet.pool import Pool
from planner.fleet.relaxation import Relaxation
from planner.fleet.solver import quiet_stdout
from planner.grounds import prepare
from planner.scenario import read_scenario


def whole(relax: Relaxation, solver: pulp.LpSolver) -> tuple[float, float, float]:
    """Cost of the plan that a solver finds, its bound, and the seconds that building and solving took."""
    highspy.Highs.resetGlobalScheduler(True)  # or another number of threads is refused
    start = time.perf_counter()
    model, names = make_master(relax, np.arange(relax.curves.modes))
    with quiet_stdout():
        model.solve(solver)
    chosen = [d for d, y in names.y.items() if (y.value() or 0) > 0.5]
    seconds = time.perf_counter() - start
    cost = np.inf
    if len(chosen) == relax.pool.sites:
        choice = choice_of(relax, chosen)
        cost = relax.cost(choice) if relax.keeps_rules(choice) else np.inf
    highs = getattr(model, "solverModel", None)
    bound = highs.getInfo().mip_dual_bound if highs is not None and hasattr(highs, "getInfo") else np.nan
    return cost, bound, seconds


def compare(sites: int, *, caps: bool, seconds: float) -> None:
    """Print one fleet's lines."""
    sys.path.insert(0, str(Path(__file__).parent))
    from fleets import generate_fleet

    with tempfile.TemporaryDirectory() as folder:
        scenario = read_scenario(generate_fleet(Path(folder) / "fleet", sites, caps=caps))
    pools: list[Pool] = []
    choose = pipeline.candidates

    def keep(*given: object, **named: object) -> Pool | None:
        pool = choose(*given, **named)  # type: ignore[arg-type]
        pools.extend([pool] if pool is not None else [])
        return pool

    pipeline.candidates = keep
    start = time.perf_counter()
    made = pipeline.plan_fleet(scenario)
    took = time.perf_counter() - start
    pipeline.candidates = choose
    manifest, pool = made.manifest, pools[0]
    print(line(sites, "planner", float(manifest["total_cost"]), float(manifest["best_bound"]), took))
    fleet = prepare(scenario)
    needs = fleet.market.needs(pool.most)
    rules = purchase.make_rules(scenario, fleet.market, fleet.catalogue, pool.place)
    relax = Relaxation(pool, needs, make_curves(needs, counted=rules.counted), rules)
    limit = max(seconds, made.timings["fleet"])
    solvers = {
        "HiGHS": pulp.HiGHS(msg=False, timeLimit=limit, threads=2),
        "CBC": pulp.PULP_CBC_CMD(msg=False, timeLimit=limit, threads=2),
    }
    for name, solver in solvers.items():
        if solver.available():
            print(line(sites, f"{name}, {pool.size} designs", *whole(relax, solver)), flush=True)


def line(sites: int, name: str, cost: float, bound: float, seconds: float) -> str:
    """A row of the table."""
    gap = f"{100 * (cost - bound) / cost:.2f} %" if np.isfinite(cost) and np.isfinite(bound) else "-"
    return f"| {sites} | {name} | {cost:,.0f} | {bound:,.0f} | {gap} | {seconds:.0f} |"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sites", nargs="*", type=int, default=[24, 240])
    parser.add_argument("--caps", action="store_true", help="allow few SKUs of each category")
    parser.add_argument("--seconds", type=float, default=60.0)
    given = parser.parse_args()
    print("| sites | who | plan costs | bound | gap | seconds |\n|---|---|---|---|---|---|", flush=True)
    for sites in given.sites:
        compare(sites, caps=given.caps, seconds=given.seconds)


if __name__ == "__main__":
    main()
