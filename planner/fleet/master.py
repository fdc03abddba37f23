"""The fleet's integer model over a set of candidate designs.

Sets: sites s, designs d of a site, SKUs k whose price depends on the quantity, their modes v (runs of needs
with one cheapest offer, `planner.fleet.curves`), uses i = (site, SKU, units a[i]) that the designs make.

    min   sum_d c[d] y[d]  +  sum_v p[v] u[v] + f[v] z[v]
    one_design   sum_{d of s} y[d] = 1                                for each site s
    use          sum_{v of k} x[i,v] = sum_{d makes i} y[d]           for each use i, of SKU k
    need         low[v] z[v] <= sum_i a[i] x[i,v] <= high[v] z[v]     for each mode v
    bought       u[v] >= sum_i a[i] x[i,v],  u[v] >= q[v] z[v]        for each mode v
    site_mode    sum_{i of s,k} x[i,v] <= z[v]                        for each site s and mode v of SKU k
    one_mode     sum_{v of k} z[v] <= 1                               for each SKU k
    y, z in {0, 1},  0 <= x <= 1,  u >= 0

SKUs sold at one price stand in c[d] already. `u` is whole because the need is. A use labelled with its mode
(`x`) is what makes the model tight: a site may not use a tier that the fleet does not reach.
"""

from dataclasses import dataclass

import numpy as np
import pulp

from planner.fleet.bound import Relaxation
from planner.fleet.market import IntArray
from planner.fleet.solver import minimise


@dataclass(frozen=True, slots=True, kw_only=True)
class MasterResult:
    """Chosen design of each site (index into the pool), exact cost, the model's bound over its columns."""

    choice: IntArray
    cost: float
    best_bound: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Variables:
    """Variables of the model: by design, by use and mode, and by mode."""

    y: dict[int, pulp.LpVariable]
    x: dict[tuple[int, int], pulp.LpVariable]
    u: dict[int, pulp.LpVariable]
    z: dict[int, pulp.LpVariable]


def solve_master(
    relax: Relaxation,
    modes: IntArray,
    *,
    gap: float,
    time_limit_s: float,
    threads: int,
    nodes_max: int,
) -> MasterResult | None:
    """Least cost over the designs of the relaxation's pool and the given modes.

    None if the solver found no plan in time.
    """
    model = pulp.LpProblem("fleet", pulp.LpMinimize)
    names = add_variables(model, relax, modes)
    add_objective(model, relax, names)
    one_design(model, relax, names)
    use(model, relax, names)
    need(model, relax, names)
    site_mode(model, relax, names)
    one_mode(model, relax, names)
    result = minimise(model, gap=gap, time_limit_s=time_limit_s, threads=threads, nodes_max=nodes_max)
    if result is None:
        return None
    value = np.array([result.values[y.name] for y in names.y.values()])
    choice = np.flatnonzero(value > 0.5)
    return MasterResult(choice=choice, cost=relax.cost(choice), best_bound=result.best_bound)


def add_variables(model: pulp.LpProblem, relax: Relaxation, modes: IntArray) -> Variables:
    """y for each design, x for each use in each mode that holds it, u and z for each mode."""
    curves, open_modes = relax.curves, set(modes.tolist())
    uses = {
        (i, v): model.add_variable(f"x__{i}__{v}", 0, 1, pulp.LpContinuous)
        for i, row in enumerate(relax.modes.tolist())
        for j, v in enumerate(row)
        if v in open_modes and not relax.barred[i, j]
    }
    return Variables(
        y={d: model.add_variable(f"y__{d}", 0, 1, pulp.LpInteger) for d in range(relax.pool.size)},
        x=uses,
        u={
            v: model.add_variable(f"u__{v}", 0, None, pulp.LpContinuous)
            for v in range(curves.modes)
            if v in open_modes
        },
        z={v: model.add_variable(f"z__{v}", 0, 1, pulp.LpInteger) for v in sorted(open_modes)},
    )


def add_objective(model: pulp.LpProblem, relax: Relaxation, names: Variables) -> None:
    """`sum c y + sum p u + f z`."""
    market, offer = relax.market, relax.curves.offer
    terms = [float(relax.base[d]) * y for d, y in names.y.items()]
    terms += [float(market.price[offer[v]]) * u for v, u in names.u.items()]
    terms += [float(market.fixed[offer[v]]) * z for v, z in names.z.items() if market.fixed[offer[v]]]
    model += pulp.lpSum(terms)


def one_design(model: pulp.LpProblem, relax: Relaxation, names: Variables) -> None:
    """`sum_d y[d] = 1` for each site."""
    ends = np.append(relax.pool.start[1:], relax.pool.size)
    for s, (first, end) in enumerate(zip(relax.pool.start.tolist(), ends.tolist(), strict=True)):
        model += pulp.lpSum([names.y[d] for d in range(first, end)]) == 1, f"one_design__{s}"


def use(model: pulp.LpProblem, relax: Relaxation, names: Variables) -> None:
    """`sum_v x[i,v] = sum_{d makes i} y[d]` for each use."""
    made_by = relax.made_by.tocsc()
    labelled: dict[int, list[pulp.LpVariable]] = {i: [] for i in range(made_by.shape[1])}
    for (i, _), x in names.x.items():
        labelled[i].append(x)
    for i, terms in labelled.items():
        makers = made_by.indices[made_by.indptr[i] : made_by.indptr[i + 1]]
        designs = [-1 * names.y[int(d)] for d in makers]
        model += pulp.lpSum(terms + designs) == 0, f"use__{i}"


def need(model: pulp.LpProblem, relax: Relaxation, names: Variables) -> None:
    """`low z <= sum a x <= high z`, and `u` at least the need and the offer's least quantity."""
    curves = relax.curves
    taken: dict[int, list[pulp.LpAffineExpression]] = {v: [] for v in names.z}
    for (i, v), x in names.x.items():
        taken[v].append(float(relax.use_units[i]) * x)
    for v, z in names.z.items():
        total = pulp.lpSum(taken[v])
        model += total - float(curves.low[v]) * z >= 0, f"need_low__{v}"
        model += total - float(curves.high[v]) * z <= 0, f"need_high__{v}"
        model += names.u[v] - total >= 0, f"bought__{v}"
        model += names.u[v] - float(relax.market.least[curves.offer[v]]) * z >= 0, f"bought_least__{v}"


def site_mode(model: pulp.LpProblem, relax: Relaxation, names: Variables) -> None:
    """`sum_i x[i,v] <= z[v]` for each site and mode."""
    together: dict[tuple[int, int], list[pulp.LpVariable]] = {}
    for (i, v), x in names.x.items():
        together.setdefault((int(relax.use_site[i]), v), []).append(x)
    for (s, v), terms in together.items():
        model += pulp.lpSum([*terms, -1 * names.z[v]]) <= 0, f"site_mode__{s}__{v}"


def one_mode(model: pulp.LpProblem, relax: Relaxation, names: Variables) -> None:
    """`sum_{v of k} z[v] <= 1` for each SKU."""
    for k in range(len(relax.curves.tiered)):
        modes = [z for v, z in names.z.items() if relax.curves.mode_sku[v] == k]
        if modes:
            model += pulp.lpSum(modes) <= 1, f"one_mode__{k}"
