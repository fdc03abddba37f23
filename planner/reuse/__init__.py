"""What a plan keeps for the next one: its search's last designs and multipliers, its curves, sites' sketches.

With them its ground: climate, kits, tilts. All hold as long as loads, parts, climate, sites and what stands
there are the same; prices, stock and rules of the purchase may change. A plan made from them is proven anew:
they save the work of making kits, sizing sites and finding multipliers, and decide nothing.
"""

from planner.reuse.decide import FREE_SETTINGS, FREE_TABLES, reusable
from planner.reuse.kept import SKETCHED_MAX, Kept, kept_of, pack, unpacked

__all__ = [
    "FREE_SETTINGS", "FREE_TABLES", "SKETCHED_MAX", "Kept", "kept_of", "pack", "reusable", "unpacked",
]
