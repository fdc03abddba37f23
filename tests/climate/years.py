"""Hours of made-up years, and weather files written from them by hand in each format's layout."""

import csv
import datetime
import math
from collections.abc import Sequence
from pathlib import Path

Hour = tuple[datetime.datetime, float, float]  # local start, W/m2, C

HEADER = "time,ghi,temp"


def year(
    number: int, *, offset_h: int = 0, longitude_deg: float = 0.0, peak_w_m2: float = 300.0, days: int = 0
) -> list[Hour]:
    """Hours of a year with the same bright day throughout, symmetric about solar noon.

    Light is a half sine from 06:00 to 18:00 mean solar time; temperature swings by 5 K about 10 C. The local
    clock is `offset_h` ahead of UTC.
    """
    start = datetime.datetime(number, 1, 1)
    length = days or (datetime.datetime(number + 1, 1, 1) - start).days
    hours = []
    for i in range(24 * length):
        local = start + datetime.timedelta(hours=i)
        solar = (local.hour + 0.5 - offset_h + longitude_deg / 15.0) % 24.0
        light = peak_w_m2 * max(math.sin(math.pi * (solar - 6.0) / 12.0), 0.0)
        hours.append((local, round(light, 1), 10.0 + 5.0 * math.sin(2 * math.pi * (solar - 9.0) / 24.0)))
    return hours


def daily_wh_m2(hours: Sequence[Hour]) -> float:
    """Irradiation of the first day, summed plainly."""
    return sum(light for _, light, _ in hours[:24])


def csv_text(hours: Sequence[Hour], *, end: bool = False, header: str = HEADER, separator: str = ",") -> str:
    """A table of hours; `end` stamps them at their end."""
    shift = datetime.timedelta(hours=1 if end else 0)
    rows = [
        separator.join([(local + shift).isoformat(timespec="minutes"), f"{light:g}", f"{temp:.2f}"])
        for local, light, temp in hours
    ]
    return "\n".join([header.replace(",", separator), *rows]) + "\n"


def epw_text(
    hours: Sequence[Hour], *, latitude: float, longitude: float, offset_h: float, city: str = "Somewhere"
) -> str:
    """An EPW file: eight header lines, 35 fields an hour, numbered 1 to 24 (EnergyPlus documentation)."""
    head = [
        f"LOCATION,{city},-,-,own,000000,{latitude},{longitude},{offset_h},100",
        "DESIGN CONDITIONS,0",
        "TYPICAL/EXTREME PERIODS,0",
        "GROUND TEMPERATURES,0",
        "HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0",
        "COMMENTS 1,made up",
        "COMMENTS 2,",
        "DATA PERIODS,1,1,Data,Sunday, 1/ 1,12/31",
    ]
    flags, rest = "?9?9?9?9", ",".join(["0"] * 19)
    rows = [
        f"{t.year},{t.month},{t.day},{t.hour + 1},0,{flags},{temp:.1f},1,50,101000,0,0,9,{light:g},0,0,{rest}"
        for t, light, temp in hours
    ]
    return "\n".join([*head, *rows]) + "\n"


def table_rows(path: Path) -> list[dict[str, str]]:
    """Rows of a CSV file as text."""
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))
