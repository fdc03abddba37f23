"""Good plans where a category may have few SKUs: which ones the fleet keeps, by dropping and swapping them.

A set of SKUs is judged by the cheapest design of each site that uses no other, at the mean cost of a unit
that the fleet's own needs give; a site whose designs in the pool all use others costs more than any fleet.
Counted work, and no part of the proof: the set found is priced exactly over all designs afterwards.
"""

import numpy as np

from planner.fleet.buying import IntArray
from planner.fleet.relaxation import BoolArray, Incumbent, Relaxation
from planner.fleet.stop import Stop

SWAP_ROUNDS = 3  # passes over all pairs of a SKU kept and one left out


class Standards:
    """Sets of tiered SKUs (T) of a pool, and what each site's cheapest design costs within them."""

    def __init__(self, relax: Relaxation, choice: IntArray) -> None:
        self.relax = relax
        curves, needs = relax.curves, relax.needs
        typical = np.maximum(np.median(relax.greatest, axis=0), 1.0)
        need = np.maximum(relax.need(choice)[curves.tiered], typical).astype(np.int64)
        need = np.minimum(need, needs.most[curves.tiered])
        price = needs.of(curves.tiered, need) / need
        self.cost = relax.base + relax.made_by @ (price[relax.use_sku] * relax.use_units)
        capped = np.zeros(len(curves.tiered), dtype=bool)
        for skus, _ in relax.caps:
            capped[skus] = True
        self.capped = np.flatnonzero(capped)
        uses = relax.pool.designs.usage[:, curves.tiered[self.capped]].tocsc()
        self.users = {int(t): np.unique(uses[:, j].indices) for j, t in enumerate(self.capped.tolist())}
        dearest = np.maximum.reduceat(self.cost, relax.pool.start)
        self.missing = float(dearest.sum())

    def without(self, barred: BoolArray) -> tuple[float, IntArray]:
        """Cost of the fleet without some SKUs (T,), and the choice."""
        cost = self.cost.copy()
        for t in np.flatnonzero(barred).tolist():
            cost[self.users[t]] = np.inf
        least, design = self.relax.pool.cheapest(cost)
        lacking = ~np.isfinite(least)
        return float(least[~lacking].sum()) + self.missing * int(lacking.sum()), np.where(lacking, -1, design)

    def used(self, choice: IntArray) -> BoolArray:
        """Capped SKUs (T,) that a choice uses."""
        used = np.zeros(len(self.relax.curves.tiered), dtype=bool)
        chosen = choice[choice >= 0]
        for t, designs in self.users.items():
            used[t] = bool(np.isin(chosen, designs, assume_unique=False).any())
        return used

    def dropped(self, protected: BoolArray, stop: Stop) -> BoolArray:
        """SKUs to leave out (T,), the one whose loss costs least first, until each category keeps its cap."""
        barred = np.zeros(len(self.relax.curves.tiered), dtype=bool)
        used = ~barred  # as far as is known, where a stop comes first
        while not stop.due():
            _, choice = self.without(barred)
            used = self.used(choice)
            over = [skus for skus, most in self.relax.caps if int(used[skus].sum()) > most]
            if not over:
                break
            candidates = [int(t) for skus in over for t in skus if used[t] and not protected[t]]
            if not candidates:
                break
            losses = []
            for t in candidates:
                trial = barred.copy()
                trial[t] = True
                losses.append(self.without(trial)[0])
            barred[candidates[int(np.argmin(losses))]] = True
        for skus, _ in self.relax.caps:
            barred[skus[~used[skus]]] = True
        return barred

    def swapped(self, barred: BoolArray, best: Incumbent, stop: Stop) -> BoolArray:
        """The set after swaps of a SKU kept for one left out that make a plan cheaper; plans are offered."""
        top = self.priced(barred)[0]
        for _ in range(SWAP_ROUNDS):
            before = barred.copy()
            for skus, most in self.relax.caps:
                for t in skus.tolist():
                    if not barred[t] or stop.due():
                        continue
                    kept = [int(k) for k in skus if not barred[k]]
                    for out in [*kept, None] if len(kept) < most else kept:
                        trial = barred.copy()
                        trial[t] = False
                        if out is not None:
                            trial[out] = True
                        cost, choice = self.priced(trial)
                        if cost < top - 1e-6:
                            top, barred = cost, trial
                            if (choice >= 0).all():
                                best.offer(self.relax.cost(choice), choice)
                            break
            if (barred == before).all():
                break
        return barred

    def priced(self, barred: BoolArray) -> tuple[float, IntArray]:
        """Cost of the fleet without some SKUs (T,), its goods at what they cost together, and the choice."""
        rough, choice = self.without(barred)
        if (choice < 0).any():
            return rough + self.missing, choice
        return self.relax.cost(choice), choice


def settle_standards(
    relax: Relaxation, choice: IntArray, best: Incumbent, protected: BoolArray, stop: Stop
) -> BoolArray:
    """SKUs of the market (K,) that a good plan within the caps leaves out; plans met are offered."""
    standards = Standards(relax, choice)
    barred = standards.dropped(protected, stop)
    cost, found = standards.priced(barred)
    if (found >= 0).all():
        best.offer(cost, found)
    barred = standards.swapped(barred, best, stop)
    whole = np.zeros(len(relax.needs.first), dtype=bool)
    whole[relax.curves.tiered[barred]] = True
    return whole
