"""What the designs of one site depend on, and what it makes of the parts' temperatures."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from planner.demand import SupplyKit
from planner.designs import battery
from planner.designs.catalogue import CatalogueArrays
from planner.designs.kits import as_kits
from planner.reliability import NO_STEP, Step
from planner.settings import Settings
from planner.tables.rows import BusGrounding
from planner.units import HOURS_PER_DAY, MONTHS

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

EPS = 1e-9  # rounding noise of a comparison, relative to volts, amperes, strings


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteInputs:
    """What the designs of one site at one system voltage depend on.

    Attributes
    ----------
    poa_wh_m2_day, temp_cell_c, day_hours, other_supply_wh_day : (12,)
        Mean daily plane irradiation, irradiance-weighted cell temperature, day length, other energy.
    poa_clipped_wh_m2_day : (12, G)
        Mean daily integral of `min(irradiance, clip_irradiance_w_m2)`.
    kits : sequence of K kits
        Of the site's profile and the system voltage.
    day_wh, night_wh : (K, 12)
        Load at the bus by day and night, margin included, controllers' own draw not.
    temp_air_c : (12,)
        Mean air temperature.
    enclosure_damping_k, enclosure_rise_k : float or None
        The site's own, in place of the settings'.
    recovery_days_max : float or None
        Days in which the array refills a used reserve; None: any.
    wind_design_m_s : float or None
        Gust that modules stand; None: not checked.
    units_least, units_most : mapping of SKU to units
        Units that every design has at least, of parts that must be kept; and that there are, of parts that
        are not for sale. Only modules, batteries and controllers count here.
    step : Step
        Step of the curve of the availability asked; a site has designs on each of its steps.
    """

    site_id: str
    poa_wh_m2_day: FloatArray
    poa_clipped_wh_m2_day: FloatArray
    clip_irradiance_w_m2: FloatArray
    temp_cell_c: FloatArray
    temp_air_c: FloatArray
    temp_air_min_c: float
    temp_air_max_c: float
    temp_cold_spell_c: float
    temp_hot_month_c: float
    day_hours: FloatArray
    other_supply_wh_day: FloatArray
    autonomy_days: float
    array_to_load_ratio: float
    module_area_max_m2: float | None
    kits: Sequence[SupplyKit]
    day_wh: FloatArray
    night_wh: FloatArray
    bus_grounding: BusGrounding = BusGrounding.NEGATIVE
    enclosure_damping_k: float | None = None
    enclosure_rise_k: float | None = None
    recovery_days_max: float | None = None
    wind_design_m_s: float | None = None
    units_least: Mapping[str, int] = field(default_factory=dict)
    units_most: Mapping[str, int] = field(default_factory=dict)
    step: Step = NO_STEP

    @property
    def reserve_days(self) -> float:
        """Days of load that the battery must hold: the reserve that is asked, and the curve's."""
        return max(self.autonomy_days, self.step.days)

    @property
    def least_ratio(self) -> float:
        """Array-to-load ratio of every month: the one that is asked, and the curve's."""
        return max(self.array_to_load_ratio, self.step.ratio)

    def kit(self, figure: str) -> FloatArray:
        """A figure of the kits (K,)."""
        return as_kits(self.kits).figures[figure]

    def least_of(self, skus: Sequence[str]) -> FloatArray:
        """Units that every design has at least of each SKU."""
        if not self.units_least:
            return np.zeros(len(skus))
        return np.array([self.units_least.get(sku, 0) for sku in skus], dtype=float)

    def most_of(self, skus: Sequence[str]) -> FloatArray:
        """Units that a design may have of each SKU, infinite where it is for sale."""
        if not self.units_most:
            return np.full(len(skus), np.inf)
        return np.array([self.units_most.get(sku, np.inf) for sku in skus], dtype=float)


def damping_k(inputs: SiteInputs, settings: Settings) -> float:
    """How far the enclosure keeps its inside above the lowest air temperature, K."""
    own = inputs.enclosure_damping_k
    return settings.battery.enclosure_damping_k if own is None else own


def rise_k(inputs: SiteInputs, settings: Settings) -> float:
    """How far sun and boxes raise the inside of the enclosure above the air, K."""
    own = inputs.enclosure_rise_k
    return settings.battery.enclosure_rise_k if own is None else own


def battery_temp_min_c(inputs: SiteInputs, settings: Settings) -> float:
    """Coldest battery: the extreme minimum of the air, damped by the enclosure."""
    return inputs.temp_air_min_c + damping_k(inputs, settings)


def enclosure_temp_max_c(inputs: SiteInputs, settings: Settings) -> float:
    """Hottest hour inside the enclosure, for its parts' limits."""
    return inputs.temp_air_max_c + rise_k(inputs, settings)


def battery_temp_hot_c(inputs: SiteInputs, settings: Settings) -> float:
    """Mean battery temperature of the hottest month, which ages it."""
    return inputs.temp_hot_month_c + rise_k(inputs, settings)


def battery_depth(cat: CatalogueArrays, temp_min_c: float) -> FloatArray:
    """Allowed depth of discharge of each battery (B,): the maker's, and no deeper than freezing lets it."""
    freezing = battery.freezing_depth(temp_min_c, cat.lead_acid)
    return np.minimum(cat.battery("depth_of_discharge_max"), freezing)


def block_usable_wh(cat: CatalogueArrays, inputs: SiteInputs, settings: Settings) -> FloatArray:
    """Usable energy of one block of each battery (B,), Wh."""
    rated = cat.battery("capacity_ah") * cat.battery("nominal_v")
    derated = cat.lead_acid & settings.battery.temperature_derating
    factor = battery.temperature_factor(inputs.temp_cold_spell_c, derated)
    depth = battery_depth(cat, battery_temp_min_c(inputs, settings))
    return battery.usable_wh(rated, depth, settings.battery.end_of_life_share, factor)


def block_heater_wh(cat: CatalogueArrays, inputs: SiteInputs, settings: Settings) -> FloatArray:
    """Daily energy of one block's heater in each month (B, 12), Wh; 0 where it never charges too cold."""
    coldest = battery_temp_min_c(inputs, settings)
    keep = cat.battery("charge_temp_min_c")
    heated = np.where(keep > coldest, cat.battery("heater_w"), 0.0)
    if not heated.any():
        return np.zeros((len(heated), MONTHS))
    return battery.heater_wh(
        heated[:, None],
        keep[:, None],
        cat.battery("temp_min_c")[:, None],
        inputs.temp_air_c[None, :],
        battery.temp_sd_k(inputs.temp_air_c, coldest),
    )


def net_load(
    inputs: SiteInputs, day_wh: FloatArray, night_wh: FloatArray, own_w: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Day and night load with the controllers' own draw, less other supply, Wh a day.

    Other supply serves the day first, then the night.

    Parameters
    ----------
    day_wh, night_wh : (N, 12)
        Loads without controllers.
    own_w : (O,)
        Constant draws of the controllers.

    Returns
    -------
    tuple of (N, O, 12)
        What is left for the array to serve by day and by night.
    """
    other = inputs.other_supply_wh_day
    day = day_wh[:, None, :] + (own_w[:, None] * inputs.day_hours)[None, :, :]
    night = night_wh[:, None, :] + (own_w[:, None] * (HOURS_PER_DAY - inputs.day_hours))[None, :, :]
    if not other.any():
        return day, night
    day -= other
    return np.maximum(day, 0.0), np.maximum(night + np.minimum(day, 0.0), 0.0)
