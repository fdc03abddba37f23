"""The fleet's integer model over a set of candidate designs.

Sets: sites s, designs d of a site, SKUs k with price tiers, offers v = (SKU, supplier, tier).

    min   sum_{s,d} c[s,d] y[s,d]  +  sum_v p[v] u[v] + f[v] z[v]
    one_design   sum_d y[s,d] = 1                                  for each site s
    need         sum_{v of k} u[v] >= sum_{s,d} a[k,d] y[s,d]      for each SKU k with tiers
    tier         q[v] z[v] <= u[v] <= cap[v] z[v]                  for each offer v
    one_offer    sum_{v of k} z[v] <= 1                            for each SKU k with tiers
    y, z in {0, 1},  u >= 0

SKUs sold at one price stand in c[s,d] already. `u` is whole because the need is; at most one offer of a
SKU is used because a need split over two costs no less than at the cheaper of them.
"""

from dataclasses import dataclass

import numpy as np
import pulp

from planner.fleet.bound import Relaxation
from planner.fleet.market import FloatArray, IntArray
from planner.fleet.solver import minimise


@dataclass(frozen=True, slots=True, kw_only=True)
class MasterResult:
    """Chosen design of each site (index into the pool), exact cost, the model's bound over its columns."""

    choice: IntArray
    cost: float
    best_bound: float
    proven: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Variables:
    """Variables of the model, by design, and by offer."""

    y: dict[int, pulp.LpVariable]
    u: dict[int, pulp.LpVariable]
    z: dict[int, pulp.LpVariable]


def solve_master(
    relax: Relaxation, designs: IntArray, most: FloatArray, *, gap: float, time_limit_s: float, threads: int
) -> MasterResult | None:
    """Least cost over the given designs of the pool (rising indices, at least one a site).

    `most` (K,) caps the units of each SKU. None if the solver found no plan in time.
    """
    model = pulp.LpProblem("fleet", pulp.LpMinimize)
    names = add_variables(model, relax, designs, most)
    add_objective(model, relax, names)
    one_design(model, relax, names, designs)
    need(model, relax, names, designs)
    tier(model, relax, names, most)
    one_offer(model, relax, names)
    result = minimise(model, gap=gap, time_limit_s=time_limit_s, threads=threads)
    if result is None:
        return None
    value = np.array([result.values[names.y[int(d)].name] for d in designs])
    choice = designs[value > 0.5]
    return MasterResult(
        choice=choice, cost=relax.cost(choice), best_bound=result.best_bound, proven=result.proven
    )


def used_tiers(relax: Relaxation, designs: IntArray) -> IntArray:
    """Positions, among the SKUs with tiers, of those that any of the designs takes."""
    return np.flatnonzero(np.asarray(relax.units[designs].sum(axis=0)).ravel() > 0)


def add_variables(model: pulp.LpProblem, relax: Relaxation, designs: IntArray, most: FloatArray) -> Variables:
    """y for each design; u and z for each offer of a SKU that some design takes."""
    offers = relax.offers[np.isin(relax.place, used_tiers(relax, designs))]
    return Variables(
        y={int(d): model.add_variable(f"y__{d}", 0, 1, pulp.LpInteger) for d in designs},
        u={int(v): model.add_variable(f"u__{v}", 0, None, pulp.LpContinuous) for v in offers},
        z={int(v): model.add_variable(f"z__{v}", 0, 1, pulp.LpInteger) for v in offers},
    )


def add_objective(model: pulp.LpProblem, relax: Relaxation, names: Variables) -> None:
    """`sum c y + sum p u + f z`."""
    market = relax.market
    terms = [float(relax.base[d]) * y for d, y in names.y.items()]
    terms += [float(market.price[v]) * u for v, u in names.u.items()]
    terms += [float(market.fixed[v]) * z for v, z in names.z.items() if market.fixed[v]]
    model += pulp.lpSum(terms)


def one_design(model: pulp.LpProblem, relax: Relaxation, names: Variables, designs: IntArray) -> None:
    """`sum_d y[s,d] = 1` for each site."""
    sites = relax.pool.site[designs]
    for s in range(relax.pool.sites):
        model += pulp.lpSum([names.y[int(d)] for d in designs[sites == s]]) == 1, f"one_design__{s}"


def need(model: pulp.LpProblem, relax: Relaxation, names: Variables, designs: IntArray) -> None:
    """`sum_v u[v] >= sum a[k,d] y[s,d]` for each SKU with tiers."""
    units = relax.units[designs].tocsc()
    for k in used_tiers(relax, designs):
        column = slice(units.indptr[k], units.indptr[k + 1])
        bought = [names.u[int(v)] for v in relax.offers[relax.place == k]]
        taken = [
            -float(a) * names.y[int(designs[i])]
            for i, a in zip(units.indices[column], units.data[column], strict=True)
        ]
        model += pulp.lpSum(bought + taken) >= 0, f"need__{k}"


def tier(model: pulp.LpProblem, relax: Relaxation, names: Variables, most: FloatArray) -> None:
    """`q[v] z[v] <= u[v] <= cap[v] z[v]` for each offer."""
    market = relax.market
    for v, u in names.u.items():
        q = float(market.least[v])
        model += u - q * names.z[v] >= 0, f"tier_least__{v}"
        model += u - max(q, float(most[market.offer_sku[v]])) * names.z[v] <= 0, f"tier_most__{v}"


def one_offer(model: pulp.LpProblem, relax: Relaxation, names: Variables) -> None:
    """`sum_{v of k} z[v] <= 1` for each SKU with tiers."""
    for k in range(len(relax.tiered)):
        offers = [names.z[int(v)] for v in relax.offers[relax.place == k] if int(v) in names.z]
        if offers:
            model += pulp.lpSum(offers) <= 1, f"one_offer__{k}"
