"""Labels of uses in blocks, against a walk over every use and mode."""

import numpy as np
import pytest

from planner.fleet.labels import make_labels


@pytest.mark.parametrize("seed", range(20))
def test_least_and_cheapest_are_those_of_each_use_alone(seed: int) -> None:
    rng = np.random.default_rng(seed)
    uses, modes, sites = int(rng.integers(1, 40)), 30, 4
    mode = rng.integers(0, modes, (uses, 6))
    barred = rng.random((uses, 6)) < 0.5
    barred = barred[np.argsort((~barred).sum(axis=1), kind="stable")]
    units = rng.integers(1, 9, uses).astype(float)
    site = rng.integers(0, sites, uses)
    labels, pairs = make_labels(mode, barred, units, site[:, None] * modes + mode)
    mu, shares = rng.random(modes), rng.random(len(pairs)).round(1)
    cost = labels.cost(mu, shares)
    least, cheapest = labels.least(cost), labels.cheapest(np.arange(uses), cost)
    share = dict(zip(pairs.tolist(), shares.tolist(), strict=True))
    for use in range(uses):
        own = [v for v, no in zip(mode[use].tolist(), barred[use], strict=True) if not no]
        costs = [mu[v] * units[use] + share[site[use] * modes + v] for v in own]
        assert least[use] == pytest.approx(min(costs, default=np.inf))
        if own:
            assert labels.mode[cheapest[use]] == own[int(np.argmin(costs))]
            assert pairs[labels.share[cheapest[use]]] == site[use] * modes + labels.mode[cheapest[use]]
    assert set(pairs.tolist()) >= set((site[:, None] * modes + mode)[~barred].tolist())
    some = rng.permutation(uses)[: uses // 2]
    assert (labels.cheapest(some, cost) == cheapest[some]).all()


def test_no_use_has_no_labels() -> None:
    none = np.zeros((0, 2), dtype=np.int64)
    labels, pairs = make_labels(none, none.astype(bool), np.zeros(0), none)
    assert not len(pairs)
    assert not len(labels.least(labels.cost(np.ones(3), np.ones(0))))
