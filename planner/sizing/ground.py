"""Everything known of a fleet while it is planned, and the part of it that a batch of sites needs."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

from planner.climate import PlaneOfArray, SiteClimate
from planner.demand import Draws, KitResult
from planner.designs import Bands, CatalogueArrays, Kits
from planner.errors import Refusal
from planner.existing import Gear, KitGround, KitKey
from planner.fleet import Market
from planner.fleet.pricing import Boxes, Pricer, Upkeep
from planner.reliability import NO_STEP, SiteCurve, Step
from planner.scenario import Scenario
from planner.sites import FloatArray, SiteArrays


@dataclass(frozen=True, slots=True, kw_only=True)
class KitGroup:
    """The kits of sites alike as their designs see them: figures, draws, boxes, bands."""

    kits: Kits
    draws: Draws
    boxes: Boxes
    bands: Bands


@dataclass(frozen=True, slots=True, kw_only=True)
class Fleet:
    """Everything known of a fleet while it is planned; kits, their groups, tilts, curves, refusals fill up.

    `curves` are the sites' own, None where no availability is asked; `upkeep` is what they replace.
    """

    scenario: Scenario
    market: Market
    catalogue: CatalogueArrays
    pricer: Pricer
    arrays: SiteArrays
    climate: SiteClimate
    plane: PlaneOfArray
    hours: Mapping[str, tuple[FloatArray, FloatArray]]
    day_hours: FloatArray
    other_supply_wh_day: FloatArray
    gear: Sequence[Gear]
    kits: dict[KitKey, KitResult]
    groups: dict[KitKey, KitGroup]
    tilts: list[tuple[int, ...]]
    curves: list[SiteCurve | None]
    upkeep: list[Upkeep]
    refusals: dict[str, Refusal]

    @property
    def kit_ground(self) -> KitGround:
        """What kits are made of."""
        scenario = self.scenario
        return KitGround(tables=scenario.tables, settings=scenario.settings, sold=self.market.sold)

    def steps(self, i: int) -> tuple[Step, ...]:
        """Steps of the i-th site's curve beside what else is asked of it; one that asks nothing without."""
        curve = self.curves[i]
        if curve is None:
            return (NO_STEP,)
        arrays = self.arrays
        return curve.steps(
            ratio_least=float(arrays.array_to_load_ratio[i]), days_least=float(arrays.autonomy_days[i])
        )

    def site_hours(self, i: int) -> dict[str, tuple[FloatArray, FloatArray]]:
        """Schedule hours of one site, as a batch of one."""
        return {name: (day[i : i + 1], night[i : i + 1]) for name, (day, night) in self.hours.items()}

    def part(self, sites: slice) -> dict[str, Any]:
        """What is known of some sites alone; views where it can be."""
        plane = _sites_of(self.plane, sites, whole=("clip_irradiance_w_m2",))
        return {
            "rows": self.scenario.tables.sites[sites],
            "arrays": _sites_of(self.arrays, sites),
            "climate": _sites_of(self.climate, sites),
            "plane": plane,
            "hours": {name: (day[sites], night[sites]) for name, (day, night) in self.hours.items()},
            "day_hours": self.day_hours[sites],
            "other_supply_wh_day": self.other_supply_wh_day[sites],
            "tilts": self.tilts[sites],
            "curves": self.curves[sites],
            "upkeep": self.upkeep[sites],
            "gear": self.gear[sites],
        }

    def shared(self) -> "Fleet":
        """What all sites share: the fleet without any."""
        none = self.with_part(self.part(slice(0, 0)))
        return replace(none, kits=dict(self.kits), groups={})

    def with_part(self, part: dict[str, Any]) -> "Fleet":
        """The fleet with the sites of a part, and no others."""
        known = dict(part)
        tables = replace(
            self.scenario.tables,
            sites=known.pop("rows"),
            site_months=(),
            site_climate_months=(),
            climate_files=(),
            horizon=(),
            existing=(),
        )
        return replace(self, scenario=replace(self.scenario, tables=tables), refusals={}, **known)


def _sites_of(arrays: Any, sites: slice, whole: tuple[str, ...] = ()) -> Any:
    """A dataclass of arrays and tuples over sites, for some of them; fields in `whole` are no such thing."""
    values = {f.name: getattr(arrays, f.name) for f in fields(arrays)}
    return type(arrays)(**{name: value if name in whole else value[sites] for name, value in values.items()})
