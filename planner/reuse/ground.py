"""The ground of a fleet as arrays, and back: climate, planes at the chosen tilts, kits as JSON."""

from collections.abc import Mapping
from dataclasses import fields
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import ConfigDict, TypeAdapter

from planner.climate import PlaneOfArray, SiteClimate
from planner.demand import KitResult
from planner.existing import KitKey
from planner.grounds import Ground
from planner.tables.arrays import Shapes, sizes_of

MONTHS = 12
#: Sites (S), months (M), classes of days (Q), tilts (T), chosen ones of all sites (C), irradiances (G).
SHAPES: Shapes = {
    **{
        f"climate_{name}": (np.float64, "S")
        for name in (
            "latitude_deg", "temp_air_min_c", "temp_air_max_c", "temp_cold_spell_c", "temp_hot_month_c",
            "climate_margin", "elevation_difference_m",
        )
    },
    **{
        f"climate_{name}": (np.float64, "SM")
        for name in ("ghi_wh_m2_day", "temp_air_c", "albedo", "shading_loss", "snow_loss")
    },
    "climate_clearness": (np.float64, "SMQ"),
    "climate_source": (np.str_, "S"),
    "climate_temp_source": (np.str_, "SM"),
    "climate_refusal": (np.str_, "S"),
    "plane_surface_tilt_deg": (np.float64, "ST"),
    "plane_surface_azimuth_deg": (np.float64, "S"),
    "plane_clip_irradiance_w_m2": (np.float64, "G"),
    "plane_poa_wh_m2_day": (np.float64, "CM"),
    "plane_temp_cell_c": (np.float64, "CM"),
    "plane_poa_clipped_wh_m2_day": (np.float64, "CMG"),
    "tilt_site": (np.int64, "C"),
    "tilt": (np.int64, "C"),
    "kits": (np.uint8, "J"),
}  # fmt: skip
TEXTS = ("source", "refusal")  # of a climate, by site
DENSE = ("climate_clearness", "plane_poa_clipped_wh_m2_day")  # hardly smaller when packed
CHOSEN = ("poa_wh_m2_day", "temp_cell_c", "poa_clipped_wh_m2_day")  # of planes


@cache
def _kits() -> TypeAdapter[list[tuple[KitKey, KitResult]]]:
    # JSON has no word for what is endless, such as the temperatures that a kit without boxes bears
    config = ConfigDict(ser_json_inf_nan="constants")
    return TypeAdapter(list[tuple[KitKey, KitResult]], config=config)


def ground_arrays(ground: Ground) -> dict[str, NDArray[Any]]:
    """A ground as arrays by name; planes at other tilts than the chosen ones are left out."""
    climate, plane = ground.climate, ground.plane
    site = np.repeat(np.arange(len(ground.tilts)), [len(some) for some in ground.tilts])
    tilt = np.array([one for some in ground.tilts for one in some], dtype=np.int64)
    chosen = {f"plane_{name}": getattr(plane, name)[site, :, tilt] for name in CHOSEN}
    whole = {f"plane_{one.name}": getattr(plane, one.name) for one in fields(plane) if one.name not in CHOSEN}
    climates = {f"climate_{one.name}": np.array(getattr(climate, one.name)) for one in fields(climate)}
    kits = np.frombuffer(_kits().dump_json(list(ground.kits.items())), dtype=np.uint8)
    return {**climates, **whole, **chosen, "tilt_site": site, "tilt": tilt, "kits": kits}


def ground_of(arrays: Mapping[str, NDArray[Any]]) -> Ground:
    """The ground that arrays were made of; planes that were left out have no numbers.

    Raises
    ------
    ValueError, KeyError
        They were made of none.
    """
    sizes = sizes_of(arrays, SHAPES, {"M": MONTHS})
    sites, tilts = sizes["S"], sizes["T"]
    site, tilt = arrays["tilt_site"], arrays["tilt"]
    if not ((site >= 0) & (site < sites) & (tilt >= 0) & (tilt < tilts)).all():
        raise ValueError("its tilts are of no site")
    chosen: list[list[int]] = [[] for _ in range(sites)]
    for i, one in zip(site.tolist(), tilt.tolist(), strict=True):
        chosen[i].append(one)
    if not all(chosen):
        raise ValueError("it has sites without a tilt")
    planes = {one.name: arrays[f"plane_{one.name}"] for one in fields(PlaneOfArray)}
    for name in CHOSEN:
        some = planes[name]
        planes[name] = np.full((sites, MONTHS, tilts, *some.shape[2:]), np.nan)
        planes[name][site, :, tilt] = some
    climate: dict[str, Any] = {one.name: arrays[f"climate_{one.name}"] for one in fields(SiteClimate)}
    return Ground(
        climate=SiteClimate(**climate | {name: tuple(climate[name].tolist()) for name in TEXTS}),
        plane=PlaneOfArray(**planes),
        tilts=[tuple(some) for some in chosen],
        kits=dict(_kits().validate_json(arrays["kits"].tobytes())),
    )
