"""A local stand-in for the weather services: answers in their documented JSON, made by hand.

The layout of PVGIS's answers is that of pvlib's recorded ones (pvlib-python, tests/data:
`tmy_45.000_8.000_2005_2023.json`, `pvgis_hourly_Timeseries_45.000_8.000_CM_10kWp_CIS_5_2a_2013_2014.json`);
NASA POWER's is that which `pvlib.iotools.get_nasa_power` reads: values keyed by YYYYMMDDHH under
`properties.parameter`, `header.fill_value`, `times`, `parameters`, `geometry.coordinates`.
"""

import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import lru_cache
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

from tests.climate.years import year

Reply = tuple[int, str, bytes]
Question = dict[str, str]
ELEVATION_M = 700.0
POLL_S = 0.01  # between looks whether to end


@dataclass
class Service:
    """A running stand-in: its address, the questions it was asked, and replies to give before true ones."""

    url: str
    asked: list[tuple[str, Question]] = field(default_factory=list)
    first: list[Reply] = field(default_factory=list)
    refuse: Callable[[Question], Reply | None] = lambda question: None


def nasa_power(question: Question) -> dict[str, Any]:
    latitude, longitude = float(question["latitude"]), float(question["longitude"])
    light, warmth = {}, {}
    for number in range(int(question["start"][:4]), int(question["end"][:4]) + 1):
        for t, watts, temp in year(number, longitude_deg=longitude):
            stamp = t.strftime("%Y%m%d%H")
            light[stamp], warmth[stamp] = watts, round(temp, 2)
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [longitude, latitude, ELEVATION_M]},
        "properties": {"parameter": {"ALLSKY_SFC_SW_DWN": light, "T2M": warmth}},
        "header": {"title": "hourly", "fill_value": -999.0, "start": question["start"]},
        "messages": [],
        "parameters": {"T2M": {"units": "C", "longname": "temperature"}},
        "times": {"data": 0.1, "process": 0.1},
    }


def _place(question: Question) -> dict[str, float]:
    return {
        "latitude": float(question["lat"]),
        "longitude": float(question["lon"]),
        "elevation": ELEVATION_M,
    }


def pvgis_hourly(question: Question) -> dict[str, Any]:
    hours = [
        {
            # stamped at the satellite's pass, within the hour
            "time": t.strftime("%Y%m%d:%H10"),
            "G(i)": watts,
            "H_sun": 0.0,
            "T2m": round(temp, 2),
            "WS10m": 1.0,
            "Int": 0.0,
        }
        for number in range(int(question["startyear"]), int(question["endyear"]) + 1)
        for t, watts, temp in year(number, longitude_deg=float(question["lon"]))
    ]
    inputs = {"location": _place(question), "meteo_data": {"radiation_db": "made up"}}
    return {"inputs": inputs, "outputs": {"hourly": hours}, "meta": {"inputs": {}, "outputs": {}}}


def pvgis_tmy(question: Question) -> dict[str, Any]:
    years = [2018, 2007, 2009, 2013, 2008, 2006, 2011, 2010, 2020, 2006, 2007, 2016]
    hours = [
        {
            "time(UTC)": t.replace(year=years[t.month - 1]).strftime("%Y%m%d:%H00"),
            "T2m": round(temp, 2),
            "G(h)": watts,
            "Gb(n)": 0.0,
            "Gd(h)": watts,
        }
        for t, watts, temp in year(2021, longitude_deg=float(question["lon"]))
    ]
    months = [{"month": m + 1, "year": number} for m, number in enumerate(years)]
    return {
        "inputs": {"location": _place(question)},
        "outputs": {"months_selected": months, "tmy_hourly": hours},
        "meta": {"inputs": {}, "outputs": {}},
    }


ANSWERS = {"/nasa": nasa_power, "/pvgis/tmy": pvgis_tmy, "/pvgis/seriescalc": pvgis_hourly}


@lru_cache(maxsize=32)
def answer(path: str, question: tuple[tuple[str, str], ...]) -> bytes:
    """The true reply to a question: the same whenever it is asked."""
    return json.dumps(ANSWERS[path](dict(question))).encode()


@contextmanager
def serving() -> Iterator[Service]:
    """Run the stand-in on a free port of this machine."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            parts = urlsplit(self.path)
            question = {name: values[0] for name, values in parse_qs(parts.query).items()}
            service.asked.append((parts.path, question))
            refusal = service.first.pop(0) if service.first else service.refuse(question)
            status, kind, body = refusal or (
                200, "application/json", answer(parts.path, tuple(question.items()))
            )
            self.send_response(status)
            self.send_header("Content-Type", kind)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *args: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    service = Service(url=f"http://127.0.0.1:{server.server_address[1]}")
    thread = threading.Thread(target=server.serve_forever, args=(POLL_S,), daemon=True)
    thread.start()
    try:
        yield service
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
