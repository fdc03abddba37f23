"""What the network itself takes of the ports: uplinks, and a tree of links between the switches.

A link has two copper ports or two SFP ports; every SFP port in use takes a module. Copper comes first, SFP
where copper is short, unless the policy says otherwise.
"""

from collections.abc import Sequence
from dataclasses import dataclass

LINK_STEPS_MAX = 2000  # trees tried for one split; three switches need at most 16

#: A link between two switches, by their places in the set, and whether it is by SFP.
Link = tuple[int, int, bool]


@dataclass(frozen=True, slots=True, kw_only=True)
class Network:
    """What a profile asks: copper ports for data, uplinks and their medium, a tree of links.

    `sfp` says whether modules can be bought at all.
    """

    data_ports: int
    uplinks: int
    medium: str  # any, copper or fibre
    linked: bool
    sfp: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkPlan:
    """The links of a tree, and how many uplinks are by SFP."""

    tree: tuple[Link, ...]
    sfp_uplinks: int

    @property
    def modules(self) -> int:
        """SFP ports in use."""
        return self.sfp_uplinks + 2 * sum(by_sfp for _, _, by_sfp in self.tree)


def plan_links(
    network: Network, copper: Sequence[int], sfp: Sequence[int], *, behind: int, spare_sfp: bool
) -> LinkPlan | None:
    """Links and uplinks on the free ports of a set of switches with the fewest SFP modules, or None.

    Parameters
    ----------
    network : Network
        What is asked.
    copper, sfp : sequence of int
        Free ports by switch.
    behind : int
        Further copper ports taken by data of devices behind injectors.
    spare_sfp : bool
        Whether SFP may replace copper beyond what the policy asks for.
    """
    asked = network.uplinks if network.medium == "fibre" else 0
    most = network.uplinks if spare_sfp and network.medium != "copper" else asked
    links = len(copper) - 1 if network.linked and len(copper) > 1 else 0
    modular = sum(sfp) if network.sfp else 0
    for by_sfp in range(links + 1 if spare_sfp and network.sfp else 1):
        left = sum(copper) - network.data_ports - behind - 2 * (links - by_sfp)
        uplinks = min(most, max(asked, network.uplinks - left))
        if left < network.uplinks - uplinks or modular < uplinks + 2 * by_sfp:
            continue
        tree = _tree(copper, sfp, links, by_sfp)
        if tree is not None:
            return LinkPlan(tree=tree, sfp_uplinks=uplinks)
    return None


def _tree(copper: Sequence[int], sfp: Sequence[int], links: int, by_sfp: int) -> tuple[Link, ...] | None:
    """A tree over all switches with so many links by SFP, within their free ports."""
    if not links:
        return ()
    if not by_sfp:
        return _copper_tree(copper)
    return _grow([0], list(copper), list(sfp), by_sfp, [LINK_STEPS_MAX])


def _copper_tree(copper: Sequence[int]) -> tuple[Link, ...] | None:
    """Switches by falling free copper, each linked to the first before it with a port to spare."""
    if min(copper) < 1 or sum(copper) < 2 * (len(copper) - 1):
        return None
    free, ranked = list(copper), sorted(range(len(copper)), key=lambda h: -copper[h])
    tree = []
    for number, h in enumerate(ranked[1:], start=1):
        # A port stays for each switch; the first ones have the most, so one of them always has one left.
        above = next(other for other in ranked[:number] if free[other])
        free[above] -= 1
        free[h] -= 1
        tree.append((above, h, False))
    return tuple(tree)


def _grow(
    joined: list[int], copper: list[int], sfp: list[int], by_sfp: int, steps: list[int]
) -> tuple[Link, ...] | None:
    """Join one more switch to those joined, by copper or by one of the SFP links left; with backtracking."""
    if len(joined) == len(copper):
        return () if by_sfp == 0 else None
    for h in (h for h in range(len(copper)) if h not in joined):
        for above in joined:
            for fibre, free in ((False, copper), (True, sfp)):
                steps[0] -= 1
                if not free[above] or not free[h] or (fibre and not by_sfp) or steps[0] < 0:
                    continue
                free[above] -= 1
                free[h] -= 1
                rest = _grow([*joined, h], copper, sfp, by_sfp - fibre, steps)
                free[above] += 1
                free[h] += 1
                if rest is not None:
                    return ((above, h, fibre), *rest)
    return None
