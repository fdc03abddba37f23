"""How many units of a box a kit may have: at least those to be kept, at most those there are."""

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitLimits:
    """Units by SKU, sorted: the least of switches, and the most of any box that is not for sale."""

    least: tuple[tuple[str, int], ...] = ()
    most: tuple[tuple[str, int], ...] = ()

    def hold(self, units: Mapping[str, int]) -> bool:
        """Whether units of boxes keep both limits."""
        enough = all(units.get(sku, 0) >= number for sku, number in self.least)
        return enough and all(units.get(sku, 0) <= number for sku, number in self.most)


ANY_NUMBER = UnitLimits()
