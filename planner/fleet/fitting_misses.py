"""Why no mount or enclosure of a site suits any of its designs: the rule, its value, the nearest limit."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from planner.errors import Refusal
from planner.fleet.pricing import BoolArray, Fittings, Pricer, SiteOffer, block_volume, module_area, volume


def no_fitting(site_id: str, pricer: Pricer, offer: SiteOffer) -> Refusal:
    """The first rule that no mount, then no enclosure, passes with the lightest of the site's parts."""
    there = pricer.market.for_sale | (offer.there(len(pricer.market.skus)) > 0)
    pricer = replace(pricer, fittings=pricer.fittings.available(there))
    f, wind = pricer.fittings, offer.wind_design_m_s
    tilt = offer.options[0].surface_tilt_deg  # several only where mounts fit them
    windproof = f.mount_wind_max_m_s >= (wind or 0.0)
    if wind is not None and not windproof.any():
        most = float(f.mount_wind_max_m_s.max(initial=0.0))
        return _refusal("mount-wind", site_id, wind, most, "m/s", f"gusts reach {wind:g} m/s", "mount")
    stands = f.mounts_fit(tilt, wind or 0.0)
    if not stands.any():
        return _no_tilt(site_id, f, windproof, tilt)
    area = min(float(module_area(option.designs).min()) for option in offer.options)
    if not (f.mount_area_m2[stands] >= area).any():
        most = float(f.mount_area_m2[stands].max())
        return _refusal(
            "mount-area", site_id, area, most, "m2", f"the smallest module has {area:.2f} m2", "mount"
        )
    weight = min(float(pricer.module_kg(option.designs).min()) for option in offer.options)
    if not (f.mount_weight_max_kg[stands] >= weight).any():
        most = float(f.mount_weight_max_kg[stands].max())
        return _refusal(
            "mount-weight", site_id, weight, most, "kg", f"the lightest module has {weight:.1f} kg", "mount"
        )
    boxes = pricer.enclosures_allowed(offer)
    if not len(boxes):
        most = float(f.enclosure_damping_k.max(initial=0.0))
        what = f"its designs count on an inside {offer.damping_k:g} K above the lowest air temperature"
        return _refusal("enclosure-damping", site_id, offer.damping_k, most, "K", what, "enclosure")
    block, most = _smallest_block(offer), float(f.enclosure_volume_l[boxes].max(initial=0.0))
    if block > most:
        what = f"the smallest battery block has {block:.1f} l"
        return _refusal("enclosure-volume", site_id, block, most, "l", what, "enclosure")
    litres, room = _smallest_volume(offer), most * f.enclosures_max
    if litres > room:
        what = f"the smallest batteries and boxes have {litres:.1f} l, for {f.enclosures_max} enclosures"
        return _refusal("enclosures-volume", site_id, litres, room, "l", what, "enclosures")
    return Refusal(
        rule="no-mount",
        subject=site_id,
        message="no design of the site finds both a mount for its modules and an enclosure for its battery",
    )


def _smallest_block(offer: SiteOffer) -> float:
    return min(float(np.min(block_volume(option.designs))) for option in offer.options)


def _smallest_volume(offer: SiteOffer) -> float:
    designs = (option.designs for option in offer.options)
    return min(float(volume(o)[o.modules_parallel > 0].min()) for o in designs)


def _refusal(
    rule: str, site_id: str, value: float, limit: float, unit: str, what: str, fitting: str
) -> Refusal:
    return Refusal(
        rule=rule,
        subject=site_id,
        value=value,
        limit=limit,
        unit=unit,
        message=f"{what}; the strongest {fitting} that the site may have takes {limit:g} {unit}",
    )


def _no_tilt(site_id: str, f: Fittings, windproof: BoolArray, tilt: float) -> Refusal:
    """The mount whose range comes nearest to a tilt, of those that stand the wind."""
    ranges = (f.mount_tilt_min_deg[windproof], f.mount_tilt_max_deg[windproof])
    ends: Sequence[float] = np.concatenate(ranges).tolist()
    nearest = min(ends, key=lambda end: abs(end - tilt), default=None)
    reach = "" if nearest is None else f"; the nearest is {nearest:g}"
    return Refusal(
        rule="mount-tilt",
        subject=site_id,
        value=tilt,
        limit=nearest,
        unit="degrees",
        message=f"no mount that it may have and that stands its wind can be set to {tilt:g} degrees{reach}",
    )
