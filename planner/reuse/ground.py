"""The ground of a fleet as arrays, and back: climate, planes at the chosen tilts, kits as JSON."""

from collections.abc import Mapping
from dataclasses import fields, replace
from functools import cache
from itertools import islice
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import ConfigDict, TypeAdapter

from planner.climate import PlaneOfArray, SiteClimate
from planner.demand import KitResult, PortAssignment
from planner.existing import KitKey
from planner.grounds import Ground
from planner.tables.arrays import Shapes, sizes_of

MONTHS = 12
#: Sites (S), months (M), classes of days (Q), tilts (T), chosen ones of all sites (C), irradiances (G), kits
#: (K), their ports (N), letters of JSON (J, P).
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
    "ports": (np.uint8, "P"),
    "kit_ports": (np.int64, "K"),
    "port": (np.int64, "N"),
}  # fmt: skip
TEXTS = ("source", "refusal")  # of a climate, by site
DENSE = ("climate_clearness", "plane_poa_clipped_wh_m2_day")  # hardly smaller when packed
CHOSEN = ("poa_wh_m2_day", "temp_cell_c", "poa_clipped_wh_m2_day")  # of planes


Kits = Mapping[KitKey, KitResult]


@cache
def _models() -> tuple[TypeAdapter[list[tuple[KitKey, KitResult]]], TypeAdapter[list[PortAssignment]]]:
    # JSON has no word for what is endless, such as the temperatures that a kit without boxes bears
    config = ConfigDict(ser_json_inf_nan="constants")
    kits = TypeAdapter(list[tuple[KitKey, KitResult]], config=config)
    return kits, TypeAdapter(list[PortAssignment], config=config)


def kit_arrays(kits: Kits) -> dict[str, NDArray[Any]]:
    """Kits without their ports as JSON; each kind of port once, and the places of those of each kit."""
    every = [kit.ports for one in kits.values() for kit in one.kits]
    place = {port: n for n, port in enumerate(dict.fromkeys(port for ports in every for port in ports))}
    bare = [
        (key, replace(one, kits=tuple(replace(kit, ports=()) for kit in one.kits)))
        for key, one in kits.items()
    ]
    of_kits, of_ports = _models()
    return {
        "kits": np.frombuffer(of_kits.dump_json(bare), dtype=np.uint8),
        "ports": np.frombuffer(of_ports.dump_json(list(place)), dtype=np.uint8),
        "kit_ports": np.array([len(ports) for ports in every], dtype=np.int64),
        "port": np.array([place[port] for ports in every for port in ports], dtype=np.int64),
    }


def kits_of(arrays: Mapping[str, NDArray[Any]]) -> dict[KitKey, KitResult]:
    """The kits that arrays were made of; kits share ports that are the same.

    Raises
    ------
    ValueError
        They were made of none.
    """
    of_kits, of_ports = _models()
    bare = of_kits.validate_json(arrays["kits"].tobytes())
    ports = of_ports.validate_json(arrays["ports"].tobytes())
    place, numbers = arrays["port"], arrays["kit_ports"].tolist()
    if len(place) and not (place.min() >= 0 and place.max() < len(ports)):
        raise ValueError("its kits have ports that there are not")
    if min(numbers, default=0) < 0 or sum(numbers) != len(place):
        raise ValueError("its kits have other ports")
    some, every = iter(numbers), iter([ports[n] for n in place.tolist()])
    if len(numbers) != sum(len(one.kits) for _, one in bare):
        raise ValueError("its kits are too many or too few")
    return {
        key: replace(
            one, kits=tuple(replace(kit, ports=tuple(islice(every, next(some)))) for kit in one.kits)
        )
        for key, one in bare
    }


def ground_arrays(ground: Ground) -> dict[str, NDArray[Any]]:
    """A ground as arrays by name; planes at other tilts than the chosen ones are left out."""
    climate, plane = ground.climate, ground.plane
    site = np.repeat(np.arange(len(ground.tilts), dtype=np.int64), [len(some) for some in ground.tilts])
    tilt = np.array([one for some in ground.tilts for one in some], dtype=np.int64)
    chosen = {f"plane_{name}": getattr(plane, name)[site, :, tilt] for name in CHOSEN}
    whole = {f"plane_{one.name}": getattr(plane, one.name) for one in fields(plane) if one.name not in CHOSEN}
    climates = {f"climate_{one.name}": np.array(getattr(climate, one.name)) for one in fields(climate)}
    tilts = {"tilt_site": site, "tilt": tilt}
    return {**climates, **whole, **chosen, **tilts, **kit_arrays(ground.kits)}


def read_ground(arrays: Mapping[str, NDArray[Any]]) -> Ground:
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
        kits=kits_of(arrays),
    )
