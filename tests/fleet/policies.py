"""Rules of small fleets, by name, drawn at random, and as the fleet model knows them."""

from dataclasses import dataclass, replace

import numpy as np

from planner.fleet.rules import Cap, Rules
from tests.fleet.instances import Goods


@dataclass(frozen=True)
class Policy:
    """Rules of a small fleet, over SKUs by name and sites by place."""

    required: tuple[str, ...] = ()
    caps: tuple[tuple[str, int], ...] = ()  # kind of part (first letter), most SKUs of it
    battery_kind: tuple[int, ...] = (0, 0)
    region: tuple[int, ...] = ()
    group: tuple[int, ...] = ()
    count: tuple[int, ...] = ()  # sites served of each group, at least


def random_policy(rng: np.random.Generator, sites: int) -> Policy:
    """Some of the rules."""
    caps = [(c, 1) for c in "bcmse" if rng.random() < 0.3]
    kinds = (0, 1) if rng.random() < 0.4 else (0, 0)
    required = tuple(n for n in ("b1", "m0", "c1") if rng.random() < 0.15)
    group: tuple[int, ...] = ()
    count: tuple[int, ...] = ()
    if rng.random() < 0.3:
        group = tuple(int(x) for x in rng.integers(0, 2, sites))
        count = tuple(int(rng.integers(0, group.count(g) + 1)) for g in range(2))
    return Policy(
        required=required,
        caps=tuple(caps),
        battery_kind=kinds,
        region=tuple(int(x) for x in rng.integers(0, 2, sites)) if kinds[1] else (),
        group=group,
        count=count,
    )


def rules_of(g: Goods, policy: Policy, sites: int) -> Rules:
    """The same policy as the fleet knows it."""
    group = np.array(policy.group or [0] * sites)
    return Rules(
        required=required(g, policy),
        caps=[
            Cap(category=c, skus=np.array([k for k, n in enumerate(g.names) if n[0] == c]), most=most)
            for c, most in policy.caps
        ],
        kind=np.array(policy.battery_kind),
        kinds=max(policy.battery_kind) + 1,
        region=np.array(policy.region or range(sites)),
        group=group,
        count=np.array(policy.count or np.bincount(group)),
    )


def required(g: Goods, policy: Policy) -> np.ndarray:
    """Which SKUs some site must use."""
    return np.array([name in policy.required for name in g.names])


def under(g: Goods, policy: Policy) -> Goods:
    """The goods in a market that knows which SKUs are required."""
    market = replace(g.pricer.market, required=required(g, policy))
    return replace(g, pricer=replace(g.pricer, market=market))
