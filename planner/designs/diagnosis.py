"""Why a site has no design: the rule that blocks it, and by how much."""

from collections.abc import Sequence

import numpy as np

from planner.designs import battery
from planner.designs.catalogue import CatalogueArrays
from planner.designs.options import (
    SiteInputs,
    batteries_in_range,
    battery_temp_min_c,
    controllers_in_range,
    make_columns,
    make_stores,
    net_load,
)
from planner.errors import Refusal
from planner.settings import Settings
from planner.units import W_PER_M2_STC

MONTH_NAMES = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
               "November", "December")


def blocking_rule(
    site_id: str, inputs: Sequence[tuple[int, SiteInputs]], *, kit_refusals: Sequence[Refusal],
    catalogue: CatalogueArrays, settings: Settings,
) -> Refusal:
    """The nearest miss of a site without a feasible design.

    `inputs` are the site's system voltages that have kits, each with its inputs. Rules are asked in the
    order in which a design is built: a kit, sun, a battery for the cold, a controller, a common bus
    window, enough array, enough battery; the furthest any voltage gets is reported.
    """
    if not inputs:
        return _nearest(kit_refusals) or Refusal(
            rule="no-kit", subject=site_id, message="no switch and converters can power this load profile"
        )
    found = [
        _asked(number, voltage, one, catalogue, settings) for number, (voltage, one) in enumerate(inputs)
    ]
    return max(found, key=lambda pair: pair[0])[1]


def _nearest(refusals: Sequence[Refusal]) -> Refusal | None:
    """The miss by the least share of its limit; refusals without a number come last."""
    def share(refusal: Refusal) -> float:
        return refusal.shortfall / abs(refusal.limit) if refusal.limit and refusal.value is not None else 1e9

    return min(refusals, key=share, default=None)


def _asked(
    number: int, voltage: int, one: SiteInputs, cat: CatalogueArrays, settings: Settings
) -> tuple[tuple[int, float, int], Refusal]:
    """How far a voltage gets (stage, share reached), and the refusal there."""
    load = (one.day_wh + one.night_wh).min(axis=0)
    dark = np.flatnonzero((one.poa_wh_m2_day <= 0) & (load > one.other_supply_wh_day))
    if len(dark):
        month = MONTH_NAMES[int(dark[0])]
        need = float((load - one.other_supply_wh_day)[dark[0]])
        return (0, 0.0, -number), Refusal(
            rule="no-sun", subject=month, value=0.0, limit=need, unit="Wh a day",
            message=f"no sun reaches the array in {month}: state other_supply_wh_day of {need:.0f} Wh or more",
        )
    cold = battery_temp_min_c(one, settings)
    if not batteries_in_range(cat, one, settings).any():
        limit = float(np.maximum(cat.battery("temp_min_c"), cat.battery("charge_temp_min_c")).min())
        return (1, 0.0, -number), Refusal(
            rule="battery-cold", subject="batteries", value=cold, limit=limit, unit="C",
            message=f"the battery may reach {cold:.1f} C, the hardiest on sale stands {limit:.1f} C",
        )
    if not controllers_in_range(cat, one, voltage, settings).any():
        return (2, 0.0, -number), Refusal(
            rule="controller-range", subject=f"{voltage} V", message="no controller suits the voltage and temperatures"
        )
    stores = make_stores(one, cat, voltage, settings)
    if not len(stores.kit):
        high = max(kit.input_max_v for kit in one.kits)
        return (3, 0.0, -number), Refusal(
            rule="bus-window", subject=f"{voltage} V", value=high, limit=float(voltage), unit="V",
            message=f"no kit (up to {high:g} V) holds the bus window of a {voltage} V battery at {cold:.0f} C",
        )
    return _short_of_energy(number, voltage, one, cat, settings)


def _short_of_energy(
    number: int, voltage: int, one: SiteInputs, cat: CatalogueArrays, settings: Settings
) -> tuple[tuple[int, float, int], Refusal]:
    """The array or the battery falls short."""
    stores = make_stores(one, cat, voltage, settings)
    columns = make_columns(one, cat, stores.controllers_fit.any(axis=0), settings)
    day, night = net_load(one, np.arange(len(one.kits)), np.zeros(1))
    best = cat.battery("round_trip_efficiency").max()
    least = (day + night / best)[:, 0].min(axis=0)
    volts = np.where(cat.mppt[columns.controller], 1.0, stores.charging_v.max())
    most = (columns.unit_w * (columns.strings_max * volts)[:, None] * one.poa_wh_m2_day / W_PER_M2_STC)
    ratio = np.divide(most, least, out=np.full(most.shape, np.inf), where=least > 0).min(axis=1, initial=np.inf)
    reached = float(ratio.max(initial=0.0))
    if reached < one.array_to_load_ratio or one.module_area_max_m2 is not None:
        month = MONTH_NAMES[int(np.argmin(np.where(least > 0, one.poa_wh_m2_day / np.maximum(least, 1e-9), np.inf)))]
        rule = "array-area" if reached >= one.array_to_load_ratio else "array-size"
        return (4, reached, -number), Refusal(
            rule=rule, subject=f"{voltage} V, {month}", value=reached, limit=one.array_to_load_ratio,
            unit="array-to-load ratio",
            message=f"the largest array that {settings.policy.controllers_max} controllers and the site's area take "
            f"reaches {reached:.2f} of the load in {month}",
        )
    daily = float((day + night).max(axis=2).min())
    parallel = cat.battery("batteries_parallel_max")[stores.battery]
    days = float((stores.usable_wh * parallel).max() / daily) if daily > 0 else np.inf
    enough = battery.strings_needed(one.autonomy_days * daily, stores.usable_wh) <= parallel
    rule = "load-terminals-or-currents" if enough.any() else "battery-size"
    return (5, days, -number), Refusal(
        rule=rule, subject=f"{voltage} V", value=days, limit=one.autonomy_days, unit="days",
        message=f"the largest battery on sale carries {days:.1f} days of the load at its parallel limit",
    )
