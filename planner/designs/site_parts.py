"""What a site makes of batteries and controllers, whatever its kits, voltage and tilt."""

from dataclasses import dataclass

import numpy as np

from planner.designs import bus
from planner.designs.catalogue import CatalogueArrays
from planner.designs.inputs import (
    BoolArray,
    FloatArray,
    SiteInputs,
    battery_temp_min_c,
    block_heater_wh,
    block_usable_wh,
    enclosure_temp_max_c,
)
from planner.designs.suits import batteries_in_range, controllers_suit
from planner.settings import Settings


@dataclass(frozen=True, slots=True, kw_only=True)
class SetpointRange:
    """Charge setpoints of a block of every battery with every controller (B, C), V.

    `least_v` and `most_v` are the lowest and highest allowed, `recommended_v` the one to choose first;
    `follows_v_per_k` is how the setpoint moves with temperature, 0 behind a controller that ignores it.
    """

    least_v: FloatArray
    recommended_v: FloatArray
    most_v: FloatArray
    follows_v_per_k: FloatArray


def setpoint_range(cat: CatalogueArrays, inputs: SiteInputs, settings: Settings) -> SetpointRange:
    """The maker's range behind controllers that follow the battery's temperature, else what is left of it."""
    slope = cat.battery("temp_compensation_v_per_k")[:, None]
    least, most = cat.battery("charge_min_v")[:, None], cat.battery("charge_max_v")[:, None]
    low, high = bus.constant_range_v(
        least, most, slope, battery_temp_min_c(inputs, settings), enclosure_temp_max_c(inputs, settings)
    )
    follows = (cat.controller("temp_compensated") > 0)[None, :]
    low, high = np.where(follows, least, low), np.where(follows, most, high)
    return SetpointRange(
        least_v=low,
        recommended_v=np.minimum(np.maximum(cat.battery("charge_v")[:, None], low), high),
        most_v=high,
        follows_v_per_k=slope * follows,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteParts:
    """Batteries (B) and controllers (C) at a site's temperatures and earthed pole.

    Attributes
    ----------
    batteries, controllers : (B,), (C,)
        Those that suit the site at some voltage.
    usable_wh, heater_wh : (B,), (B, 12)
        Of one block: energy that it gives, and what its heater draws each day.
    span : SetpointRange
        Setpoints of each battery behind each controller.
    least, most : (B,)
        Blocks that every design has at least, and that one may have.
    """

    batteries: BoolArray
    controllers: BoolArray
    usable_wh: FloatArray
    heater_wh: FloatArray
    span: SetpointRange
    least: FloatArray
    most: FloatArray


def site_parts(inputs: SiteInputs, cat: CatalogueArrays, settings: Settings) -> SiteParts:
    """What a site makes of the parts; its kits and their loads do not matter."""
    return SiteParts(
        batteries=batteries_in_range(cat, inputs, settings),
        controllers=controllers_suit(cat, inputs, settings),
        usable_wh=block_usable_wh(cat, inputs, settings),
        heater_wh=block_heater_wh(cat, inputs, settings),
        span=setpoint_range(cat, inputs, settings),
        least=inputs.least_of(cat.battery_sku),
        most=inputs.most_of(cat.battery_sku),
    )
