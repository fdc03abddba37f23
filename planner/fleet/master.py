"""The integer model over chosen designs and modes.

Sets: sites s in groups g and regions r, designs d (each of one site, of one kind of battery), uses
i = (site, SKU, units), modes v = (SKU, range of needs), categories with a cap.
Variables: y[d] in {0,1}: its site is built as d; x[i,v] >= 0: use i is bought in mode v; n[v] >= 0 units
needed in a mode, q[v] >= 0 what they cost; z[v] in {0,1}: the fleet is in mode v; b[r,c] in {0,1}: region r
has batteries of kind c.

    min   sum_d c[d] y[d] + sum_v q[v]
    one_design   sum_d y[d] = 1, or at most 1 where sites may be left out   for each site
    served       sum_{d of g} y[d] >= count[g]                            for each group with sites left out
    use          sum_v x[i,v] = sum_{d makes i} y[d]                      for each use
    need         n[v] = sum_i a[i] x[i,v],  low[v] z[v] <= n[v] <= high[v] z[v]    for each mode
    paid         q[v] >= slope n[v] + constant z[v]                       for each edge of the mode's hull
    site_mode    sum_{i of s} x[i,v] <= z[v]                              for each site and mode
    one_mode     sum_{v of k} z[v] <= 1, = 1 for a required SKU           for each SKU
    standard     sum_{v of c} z[v] <= most                                for each category with a cap
    one_kind     sum_c b[r,c] = 1;  sum_{d of s, kind c} y[d] <= b[r,c]   for each region, site, kind

`c[d]` holds what is linear: freight, access, labour and the SKUs without modes. x and y range over the
designs and modes that a better plan can have (`planner.fleet.complete`). The labels by site make the linear
relaxation strong: no site can lean a little on a tier that the fleet does not reach.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pulp

from planner.fleet.buying import FloatArray, IntArray
from planner.fleet.relaxation import NOBODY, Relaxation
from planner.fleet.solver import MipLimits, minimise


@dataclass(frozen=True, slots=True, kw_only=True)
class MasterResult:
    """Chosen design of each site (index into the pool) or nobody, and the model's bound over its columns.

    `choice` is None where the model has no plan or found none; a bound of infinity proves that there is none.
    """

    choice: IntArray | None
    best_bound: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Variables:
    """Variables of the model: by design, by use and mode, by mode, by region and kind."""

    y: dict[int, pulp.LpVariable]
    x: dict[tuple[int, int], pulp.LpVariable]
    n: dict[int, pulp.LpVariable]
    q: dict[int, pulp.LpVariable]
    z: dict[int, pulp.LpVariable]
    b: dict[tuple[int, int], pulp.LpVariable]


def solve_master(relax: Relaxation, modes: IntArray, limits: MipLimits) -> MasterResult:
    """Least cost over the designs of the relaxation's pool and the given modes."""
    model, names = make_master(relax, modes)
    result = minimise(model, limits)
    if result.values is None:
        return MasterResult(choice=None, best_bound=result.best_bound)
    chosen = [d for d, y in names.y.items() if result.values[y.name] > 0.5]
    return MasterResult(choice=choice_of(relax, chosen), best_bound=result.best_bound)


def make_master(relax: Relaxation, modes: IntArray) -> tuple[pulp.LpProblem, Variables]:
    """The model over the designs of the relaxation's pool and the given modes, and its variables."""
    model = pulp.LpProblem("fleet", pulp.LpMinimize)
    names = add_variables(model, relax, modes)
    add_objective(model, relax, names)
    for rows in (one_design, served, use, need, paid, site_mode, one_mode, standard, one_kind):
        rows(model, relax, names)
    return model, names


def choice_of(relax: Relaxation, designs: Sequence[int]) -> IntArray:
    """Design of each site (S,), or nobody, from the designs chosen."""
    choice = np.full(relax.pool.sites, NOBODY)
    choice[relax.pool.designs.site[list(designs)]] = designs
    return choice


def add_variables(model: pulp.LpProblem, relax: Relaxation, modes: IntArray) -> Variables:
    """Every variable; x for each use in each mode that holds it."""
    open_modes = sorted(set(modes.tolist()))
    is_open = set(open_modes)
    return Variables(
        y={d: model.add_variable(f"y__{d}", 0, 1, pulp.LpInteger) for d in range(relax.pool.size)},
        x={
            (i, v): model.add_variable(f"x__{i}__{v}", 0, 1, pulp.LpContinuous)
            for i, row in enumerate(relax.modes.tolist())
            for j, v in enumerate(row)
            if v in is_open and not relax.barred[i, j]
        },
        n={v: model.add_variable(f"n__{v}", 0, None, pulp.LpContinuous) for v in open_modes},
        q={v: model.add_variable(f"q__{v}", 0, None, pulp.LpContinuous) for v in open_modes},
        z={v: model.add_variable(f"z__{v}", 0, 1, pulp.LpInteger) for v in open_modes},
        b={
            (r, c): model.add_variable(f"b__{r}__{c}", 0, 1, pulp.LpInteger)
            for r in np.unique(relax.rules.region).tolist()
            for c in range(relax.rules.kinds)
            if relax.rules.kinds > 1
        },
    )


def add_objective(model: pulp.LpProblem, relax: Relaxation, names: Variables) -> None:
    """`sum c y + sum q`."""
    terms = [float(relax.base[d]) * y for d, y in names.y.items()]
    model += pulp.lpSum([*terms, *(1.0 * q for q in names.q.values())])


def designs_by_site(relax: Relaxation) -> list[range]:
    """Designs of each site."""
    ends = np.append(relax.pool.start[1:], relax.pool.size)
    return [range(a, b) for a, b in zip(relax.pool.start.tolist(), ends.tolist(), strict=True)]


def one_design(model: pulp.LpProblem, relax: Relaxation, names: Variables) -> None:
    """`sum_d y[d] = 1` for each site, or at most 1."""
    for s, designs in enumerate(designs_by_site(relax)):
        total = pulp.lpSum([names.y[d] for d in designs])
        model += (total == 1) if relax.rules.all_served else (total <= 1), f"one_design__{s}"


def served(model: pulp.LpProblem, relax: Relaxation, names: Variables) -> None:
    """`sum_{d of g} y[d] >= count[g]` where sites may be left out."""
    if relax.rules.all_served:
        return
    group = relax.rules.group[relax.pool.designs.site]
    for g, number in enumerate(relax.rules.count.tolist()):
        members = [names.y[int(d)] for d in np.flatnonzero(group == g)]
        model += pulp.lpSum(members) >= int(number), f"served__{g}"


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
    """`n = sum a x` and `low z <= n <= high z`."""
    taken: dict[int, list[pulp.LpAffineExpression]] = defaultdict(list)
    for (i, v), x in names.x.items():
        taken[v].append(float(relax.use_units[i]) * x)
    for v, z in names.z.items():
        model += pulp.lpSum([*taken[v], -1 * names.n[v]]) == 0, f"need__{v}"
        model += names.n[v] - float(relax.curves.low[v]) * z >= 0, f"need_low__{v}"
        model += names.n[v] - float(relax.curves.high[v]) * z <= 0, f"need_high__{v}"


def paid(model: pulp.LpProblem, relax: Relaxation, names: Variables) -> None:
    """`q >= slope n + constant z` for each edge of a mode's hull."""
    for v, z in names.z.items():
        at = relax.curves.corner_mode == v
        for e, (slope, constant) in enumerate(
            edges(relax.curves.corner_units[at], relax.curves.corner_cost[at])
        ):
            model += names.q[v] - slope * names.n[v] - constant * z >= 0, f"paid__{v}__{e}"


def edges(units: FloatArray, cost: FloatArray) -> list[tuple[float, float]]:
    """Slope and constant of each edge of a hull; a single corner has a level one."""
    if len(units) == 1:
        return [(0.0, float(cost[0]))]
    slopes = np.diff(cost) / np.diff(units)
    return list(zip(slopes.tolist(), (cost[:-1] - slopes * units[:-1]).tolist(), strict=True))


def site_mode(model: pulp.LpProblem, relax: Relaxation, names: Variables) -> None:
    """`sum_i x[i,v] <= z[v]` for each site and mode."""
    together: dict[tuple[int, int], list[pulp.LpVariable]] = defaultdict(list)
    for (i, v), x in names.x.items():
        together[int(relax.use_site[i]), v].append(x)
    for (s, v), terms in together.items():
        model += pulp.lpSum([*terms, -1 * names.z[v]]) <= 0, f"site_mode__{s}__{v}"


def one_mode(model: pulp.LpProblem, relax: Relaxation, names: Variables) -> None:
    """`sum_{v of k} z[v] <= 1` for each SKU, 1 for a required one."""
    for t, required in enumerate(relax.required.tolist()):
        modes = [z for v, z in names.z.items() if relax.curves.mode_sku[v] == t]
        if required:
            model += pulp.lpSum(modes) == 1, f"required__{t}"
        elif modes:
            model += pulp.lpSum(modes) <= 1, f"one_mode__{t}"


def standard(model: pulp.LpProblem, relax: Relaxation, names: Variables) -> None:
    """`sum_{v of c} z[v] <= most` for each category with a cap."""
    for c, (skus, most) in enumerate(relax.caps):
        members = set(skus.tolist())
        modes = [z for v, z in names.z.items() if int(relax.curves.mode_sku[v]) in members]
        model += pulp.lpSum(modes) <= most, f"standard__{c}"


def one_kind(model: pulp.LpProblem, relax: Relaxation, names: Variables) -> None:
    """`sum_c b[r,c] = 1` for each region, and `sum_{d of s, kind c} y[d] <= b[r,c]`."""
    kinds = relax.rules.kinds
    if kinds == 1:
        return
    for r in sorted({r for r, _ in names.b}):
        model += pulp.lpSum([names.b[r, c] for c in range(kinds)]) == 1, f"one_kind__{r}"
    for s, designs in enumerate(designs_by_site(relax)):
        for c in range(kinds):
            some = [names.y[d] for d in designs if relax.kind[d] == c]
            if some:
                b = names.b[int(relax.rules.region[s]), c]
                model += pulp.lpSum([*some, -1 * b]) <= 0, f"site_kind__{s}__{c}"
