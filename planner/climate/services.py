"""Public weather-data services, asked through pvlib: what is asked, how often, and what an answer must hold.

NASA POWER: https://power.larc.nasa.gov (public domain). PVGIS: https://re.jrc.ec.europa.eu, (c) European
Union, free of charge with acknowledgement.
"""

import hashlib
import json
import threading
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any

from planner.errors import ServiceError

FORM = 1  # raised when the text made of an answer changes, so that older cache entries are left alone
COORDINATE_DIGITS = 4  # 11 m; the services' own grids are kilometres wide
FIRST_YEAR, LAST_YEAR = 2014, 2023  # ten years that all services hold (PVGIS 5.3: 2005 to 2023)
TOO_MANY_REQUESTS, SERVER_ERROR = 429, 500
#: What an answer that is not of the documented form makes pvlib raise.
MALFORMED = (ValueError, KeyError, TypeError, IndexError, AttributeError)


class Source(StrEnum):
    """Online services."""

    NASA_POWER = "nasa-power"
    PVGIS_TMY = "pvgis-tmy"
    PVGIS_HOURLY = "pvgis-hourly"


URLS = {
    Source.NASA_POWER: "https://power.larc.nasa.gov/api/temporal/hourly/point",
    Source.PVGIS_TMY: "https://re.jrc.ec.europa.eu/api/v5_3/",
    Source.PVGIS_HOURLY: "https://re.jrc.ec.europa.eu/api/v5_3/",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """One question to a service; equal requests share a cache entry.

    `use_horizon` lets PVGIS shade with its own terrain; not where the scenario has the site's horizon.
    """

    source: Source
    url: str
    latitude_deg: float
    longitude_deg: float
    first_year: int
    last_year: int
    use_horizon: bool

    @property
    def key(self) -> str:
        """Hash of all that shapes the answer."""
        return hashlib.sha256(json.dumps([FORM, asdict(self)], sort_keys=True).encode()).hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """Hours of an answer: starts as ISO texts with their offset, irradiance, temperature; the station."""

    start: tuple[str, ...]
    ghi_w_m2: tuple[float, ...]
    temp_air_c: tuple[float, ...]
    latitude_deg: float
    longitude_deg: float
    elevation_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Patience:
    """How long to wait for an answer, and how often to ask again."""

    tries: int = 4
    timeout_s: float = 120.0  # for ten years of hours at a busy time
    first_delay_s: float = 1.0  # doubled from try to try


class _PassingError(Exception):
    """A fault that may pass: worth another try."""


def ask(request: Request, patience: Patience, *, sleep: Callable[[float], None] = time.sleep) -> Answer:
    """Ask a service, again after a pause where the fault may pass.

    Raises
    ------
    ServiceError
        It cannot be reached, refuses, or answers in an unknown form.
    """
    for trial in range(patience.tries):
        if trial:
            sleep(patience.first_delay_s * 2 ** (trial - 1))
        try:
            return _once(request, patience.timeout_s)
        except _PassingError as error:
            last = error
    raise ServiceError(f"{last} ({patience.tries} tries)", reachable=False)


def _once(request: Request, timeout_s: float) -> Answer:
    import requests

    host = request.url.split("/")[2]
    asking = {
        Source.NASA_POWER: _nasa_power,
        Source.PVGIS_TMY: _pvgis_tmy,
        Source.PVGIS_HOURLY: _pvgis_hourly,
    }[request.source]
    try:
        return _within(timeout_s, lambda: asking(request, timeout_s))
    except (TimeoutError, requests.Timeout) as error:
        raise _PassingError(f"{host} did not answer within {timeout_s:g} s") from error
    except requests.ConnectionError as error:
        raise _PassingError(f"{host} cannot be reached: is there a network?") from error
    except requests.HTTPError as error:
        status = getattr(error.response, "status_code", None)
        if status is not None and (status >= SERVER_ERROR or status == TOO_MANY_REQUESTS):
            raise _PassingError(f"{host} is out of order (HTTP status {status})") from error
        raise ServiceError(f"{host} refuses: {_said(error)}", reachable=True) from error
    except requests.JSONDecodeError as error:
        raise _PassingError(f"{host} answers with a page, not with data: it may be out of order") from error
    except MALFORMED as error:
        raise ServiceError(
            f"{host} answers in an unknown form ({type(error).__name__}: {str(error)[:120]})", reachable=True
        ) from error


def _said(error: Exception) -> str:
    """The service's own words."""
    words = error.args[0] if error.args else ""
    if isinstance(words, dict):
        words = words.get("messages") or words.get("message") or words.get("detail") or words
    return str(words)[:300]


def _within(seconds: float, call: Callable[[], Answer]) -> Answer:
    """Result of a call, or TimeoutError; pvlib asks NASA POWER without any limit of its own.

    The thread is a daemon: a call that hangs for ever does not keep the planner from ending.
    """
    results: list[Answer] = []
    errors: list[Exception] = []

    def run() -> None:
        try:
            results.append(call())
        except (*MALFORMED, OSError, TimeoutError) as error:  # requests' own errors are OSErrors
            errors.append(error)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    thread.join(seconds)
    if errors:
        raise errors[0]
    if not results:
        raise TimeoutError
    return results[0]


def _nasa_power(request: Request, timeout_s: float) -> Answer:
    from pvlib.iotools import get_nasa_power

    hours, meta = get_nasa_power(
        request.latitude_deg,
        request.longitude_deg,
        f"{request.first_year}-01-01",
        f"{request.last_year}-12-31",
        parameters=["ghi", "temp_air"],
        url=request.url,
    )
    return _answer(hours, hours["ghi"], meta["latitude"], meta["longitude"], meta["altitude"])


def _pvgis_tmy(request: Request, timeout_s: float) -> Answer:
    from pvlib.iotools import get_pvgis_tmy

    from planner.climate.weather import TYPICAL_YEAR

    hours, meta = get_pvgis_tmy(
        request.latitude_deg,
        request.longitude_deg,
        startyear=request.first_year,
        endyear=request.last_year,
        usehorizon=request.use_horizon,
        roll_utc_offset=round(request.longitude_deg / 15.0),
        coerce_year=TYPICAL_YEAR,
        url=request.url,
        timeout=timeout_s,
    )
    return _answer(hours, hours["ghi"], *_pvgis_place(meta))


def _pvgis_hourly(request: Request, timeout_s: float) -> Answer:
    from pvlib.iotools import get_pvgis_hourly

    hours, meta = get_pvgis_hourly(
        request.latitude_deg,
        request.longitude_deg,
        start=request.first_year,
        end=request.last_year,
        components=False,
        surface_tilt=0,
        usehorizon=request.use_horizon,
        url=request.url,
        timeout=timeout_s,
    )
    return _answer(hours, hours["poa_global"], *_pvgis_place(meta))


def _pvgis_place(meta: dict[str, Any]) -> tuple[float, float, float]:
    place = meta["inputs"]["location"]
    return place["latitude"], place["longitude"], place["elevation"]


def _answer(hours: Any, ghi: Any, latitude_deg: float, longitude_deg: float, elevation_m: float) -> Answer:
    """Hours of a table; stamps within an hour, as of satellites' passes, stand for the hour."""
    if not len(hours) or not ghi.notna().any():
        raise ValueError("no hour with irradiance")
    starts = hours.index.floor("h")
    zone = starts[0].strftime("%z")
    offset = "Z" if zone == "+0000" else f"{zone[:3]}:{zone[3:]}"
    return Answer(
        start=tuple(starts.strftime("%Y-%m-%dT%H:%M") + offset),
        ghi_w_m2=tuple(ghi.astype(float).tolist()),
        temp_air_c=tuple(hours["temp_air"].astype(float).tolist()),
        latitude_deg=float(latitude_deg),
        longitude_deg=float(longitude_deg),
        elevation_m=float(elevation_m),
    )
