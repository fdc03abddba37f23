"""Which devices hang on which switch: nested PoE classes, budgets, passive feeds, copper ports, helpers.

A port serves every device of its class or lower, so the sets of ports that serve the groups of devices
on one switch are nested, and Hall's condition is a count: taking the groups by how few ports serve them,
the devices so far never exceed those ports. Over several switches the counts are searched.

A passive group that may stand behind adapters has a twin among the groups: what the passive ports do not
take, the twin puts on PoE ports.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import product

from planner.demand.devices import Group
from planner.demand.links import LinkPlan, Network, plan_links
from planner.demand.ports import EPS_W, Fit, Switch
from planner.tables.rows import Supply

SPLIT_STEPS_MAX = 4000  # counts tried for one set of switches before it is given up


@dataclass(frozen=True, kw_only=True)
class Needs:
    """What a profile asks of its switches: groups fed by a port, and the network.

    `twins` gives for each group the place of its twin behind adapters, -1 for none.
    """

    groups: tuple[Group, ...]
    twins: tuple[int, ...]
    network: Network

    @cached_property
    def asked(self) -> list[int]:
        """Groups that are not another one's twin, by place."""
        return [g for g in range(len(self.groups)) if self.groups[g].adapter is None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """Devices of each group on each switch, and behind injectors: [group][switch] and [group]; the links."""

    on_switch: tuple[tuple[int, ...], ...]
    injected: tuple[int, ...]
    links: LinkPlan


@dataclass(slots=True, kw_only=True)
class _Search:
    """Counts handed out so far; bounded by steps, so that a hopeless set costs little."""

    needs: Needs
    switches: Sequence[Switch]
    fits: Sequence[Sequence[Fit]]  # [group][switch]
    order: Sequence[int]  # switches, the least lossy first
    chains: Sequence[Sequence[tuple[int, ...]]]  # per switch, nested chains of groups, fewest ports first
    injectable: Sequence[bool]
    injectors_left: int
    adapters_left: int
    spare_sfp: bool
    counts: list[list[int]]
    injected: list[int]
    asked: list[int]  # devices of each group to place; of a twin, what its passive ports left
    links: LinkPlan | None = None
    short_of_copper: bool = False
    steps: int = 0
    keeps: list[int] = field(default_factory=list)  # copper each switch keeps for a link

    def run(self) -> Split | None:
        """A split, if one exists."""
        linked = self.needs.network.linked and len(self.switches) > 1
        by_sfp = self.spare_sfp and self.needs.network.sfp
        self.keeps = [int(linked and not (by_sfp and switch.sfp)) for switch in self.switches]
        if not self.start(0) or self.links is None:
            return None
        return Split(
            on_switch=tuple(map(tuple, self.counts)), injected=tuple(self.injected), links=self.links
        )

    def start(self, g: int) -> bool:
        """Place group g and those after it."""
        return self.join() if g == len(self.counts) else self.place(g, 0, self.asked[g])

    def join(self) -> bool:
        """Whether links, uplinks and data find ports on what is left."""
        groups = self.needs.groups
        on_poe = [row for row, group in zip(self.counts, groups, strict=True) if group.on_poe]
        copper = [s.copper - sum(row[h] for row in on_poe) for h, s in enumerate(self.switches)]
        behind = sum(n for n, group in zip(self.injected, groups, strict=True) if group.row.data_ports > 0)
        sfp = [switch.sfp for switch in self.switches]
        network = self.needs.network
        self.links = plan_links(network, copper, sfp, behind=behind, spare_sfp=self.spare_sfp)
        self.short_of_copper |= self.links is None
        return self.links is not None

    def holds(self, h: int) -> bool:
        """Whether a switch bears what hangs on it: Hall's counts, its budget, copper for a link."""
        for chain in self.chains[h]:
            hung = 0
            for g in chain:
                hung += self.counts[g][h]
                if self.counts[g][h] and hung > self.fits[g][h].ports:
                    return False
        groups = range(len(self.counts))
        drawn = sum(self.counts[g][h] * self.fits[g][h].allocated_w for g in groups if self.counts[g][h])
        on_copper = sum(self.counts[g][h] for g in groups if self.needs.groups[g].on_poe)
        switch = self.switches[h]
        if on_copper > switch.copper - self.keeps[h]:
            self.short_of_copper = True
            return False
        return drawn <= switch.budget_w + EPS_W

    def place(self, g: int, at: int, left: int) -> bool:
        """Place what is left of group g on the switches from `at` in order, then the groups after it."""
        self.steps += 1
        if self.steps > SPLIT_STEPS_MAX:
            return False
        if at == len(self.order):
            return self._help(g, left)
        h = self.order[at]
        for count in range(min(left, self.fits[g][h].ports), -1, -1):
            self.counts[g][h] = count
            if self.holds(h) and self.place(g, at + 1, left - count):
                return True
        self.counts[g][h] = 0
        return False

    def _help(self, g: int, left: int) -> bool:
        """Put what no port took behind injectors, or leave it to the twin behind adapters."""
        twin = self.needs.twins[g]
        if not left:
            self.injected[g] = 0
            if twin >= 0:
                self.asked[twin] = 0
            return self.start(g + 1)
        if twin >= 0 and left <= self.adapters_left:
            self.asked[twin] = left
            self.adapters_left -= left
            done = self.start(g + 1)
            self.adapters_left += 0 if done else left
            return done
        if not self.injectable[g] or left > self.injectors_left:
            return False
        self.injected[g] = left
        self.injectors_left -= left
        done = self.start(g + 1)
        if not done:
            self.injected[g] = 0
            self.injectors_left += left
        return done


def find_split(
    needs: Needs,
    switches: Sequence[Switch],
    fits: Sequence[Sequence[Fit]],
    injectable: Sequence[bool],
    injectors: Iterable[int],
    adapters: Iterable[int] = (0,),
) -> Split | None:
    """Counts of every group on every switch with the fewest helpers, or None.

    Parameters
    ----------
    needs : Needs
        Groups fed by a port, hardest first, and what else takes copper.
    switches : sequence of Switch
        Units; the same SKU may stand twice.
    fits : sequence of sequences of Fit
        [group][switch].
    injectable : sequence of bool
        Groups that may stand behind an injector on a data port.
    injectors, adapters : iterables of int
        Numbers of injectors and of adapters to try.

    Notes
    -----
    Devices go to the switch with the best PSE efficiency first, hardest groups first; with backtracking
    this finds a split whenever one exists, within `SPLIT_STEPS_MAX` counts tried. SFP ports replace copper
    only where copper is short.
    """
    chains = [_chains(needs.groups, fits, h) for h in range(len(switches))]
    order = sorted(range(len(switches)), key=lambda h: (-switches[h].row.pse_efficiency, h))
    for pair in sorted(product(injectors, adapters), key=lambda pair: (sum(pair), pair)):
        for spare_sfp in (False, True):
            search = _Search(
                needs=needs,
                switches=switches,
                fits=fits,
                order=order,
                chains=chains,
                injectable=injectable,
                injectors_left=pair[0],
                adapters_left=pair[1],
                spare_sfp=spare_sfp,
                counts=[[0] * len(switches) for _ in needs.groups],
                injected=[0] * len(needs.groups),
                asked=[group.count for group in needs.groups],
            )
            split = search.run()
            if split is not None:
                return split
            if not (search.short_of_copper and needs.network.sfp and any(s.sfp for s in switches)):
                break
    return None


def _chains(groups: Sequence[Group], fits: Sequence[Sequence[Fit]], h: int) -> tuple[tuple[int, ...], ...]:
    """Groups whose ports on switch h are nested, the fewest ports first: PoE, and each passive voltage."""
    nested: dict[float | None, list[int]] = {}
    for g, group in enumerate(groups):
        passive = group.row.supply is Supply.PASSIVE_POE and group.adapter is None
        nested.setdefault(group.row.passive_v if passive else None, []).append(g)
    return tuple(tuple(sorted(chain, key=lambda g: fits[g][h].ports)) for chain in nested.values())
