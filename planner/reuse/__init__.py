"""What a plan keeps for the next one: its search's last designs and multipliers, its curves, sites' sketches.

With them its ground: climate, kits, tilts. All hold as long as loads, parts, climate, sites and what stands
there are the same; prices, stock and rules of the purchase may change. Designs and multipliers decide
nothing: a plan made from them is proven anew. Climate, kits and sketches do, so their folder must be one's
own; one site of each batch is sketched anew as a check.
"""

from planner.reuse.decide import FREE_SETTINGS, FREE_TABLES, reusable
from planner.reuse.kept import SKETCHED_MAX, Kept, kept_of, pack, unpacked

__all__ = [
    "FREE_SETTINGS", "FREE_TABLES", "SKETCHED_MAX", "Kept", "kept_of", "pack", "reusable", "unpacked",
]
