"""What a site may ask more of: watts around the clock, a day of autonomy, the next class of availability."""

from collections.abc import Collection, Sequence
from dataclasses import replace
from enum import StrEnum

from planner.explain.bought import changed_fleet
from planner.savings.power import bus_device
from planner.scenario import Tables
from planner.settings import years_needed
from planner.sites import site_arrays
from planner.sizing import Fleet
from planner.tables.rows import LoadRow

#: Watts that are added; what they cost is divided by them, as a single watt changes nothing at most sites.
WATTS = 5.0
DAYS, DAYS_MAX = 1.0, 60.0  # added, and the most that a site may ask
#: Classes of availability, one after the other (common practice, no source).
CLASSES = (0.9, 0.95, 0.99, 0.995, 0.999, 0.9995, 0.9999)


class Change(StrEnum):
    """What is asked more."""

    WATT = "watt"
    DAY = "day of autonomy"
    CLASS = "class of availability"

    @property
    def units(self) -> float:
        """How many of it are added at once."""
        return {Change.WATT: WATTS, Change.DAY: DAYS, Change.CLASS: 1.0}[self]


def asked(fleet: Fleet, change: Change, i: int) -> float | None:
    """What the i-th site asks now of a figure that is raised; None where it asks nothing of it."""
    if change is Change.WATT:
        return 0.0
    arrays = fleet.arrays
    figure = float((arrays.autonomy_days if change is Change.DAY else arrays.availability)[i])
    return figure if figure > 0 else None


def raised(change: Change, now: float) -> float | None:
    """The figure raised; None where it is the highest already."""
    if change is Change.WATT:
        return now + WATTS
    if change is Change.DAY:
        return now + DAYS if now + DAYS <= DAYS_MAX else None
    return next((one for one in CLASSES if one > now + 1e-9), None)


def why_not_raised(fleet: Fleet, change: Change, i: int) -> str:
    """Why a figure of the i-th site is not raised; blank where it is."""
    now = asked(fleet, change, i)
    if now is None:
        return "no availability is asked" if change is Change.CLASS else "no days of autonomy are asked"
    then = raised(change, now)
    if then is None:
        return f"{now:g} is the most that can be asked"
    years = fleet.scenario.settings.reliability.years
    if change is Change.CLASS and years_needed(then) > years:
        return f"{then:g} takes {years_needed(then)} years to tell; reliability.years is {years}"
    return ""


def with_change(fleet: Fleet, change: Change, places: Collection[int]) -> Fleet:
    """The fleet where the sites at some places ask more; all of them ask something of it."""
    sites = list(fleet.scenario.tables.sites)
    tables = fleet.scenario.tables
    if change is Change.WATT:
        tables, profiles = _loaded(tables, sorted({sites[i].load_profile for i in places}))
        for i in places:
            sites[i] = sites[i].model_copy(update={"load_profile": profiles[sites[i].load_profile]})
    else:
        column = "autonomy_days" if change is Change.DAY else "availability"
        for i in places:
            now = asked(fleet, change, i)
            sites[i] = sites[i].model_copy(update={column: raised(change, now or 0.0)})
    scenario = replace(fleet.scenario, tables=replace(tables, sites=sites))
    arrays = site_arrays(sites, scenario.settings)
    return changed_fleet(fleet, scenario, arrays, places)


def _loaded(tables: Tables, profiles: Sequence[str]) -> tuple[Tables, dict[str, str]]:
    """Tables with a copy of each load profile that has a device of so many watts more, and the copies."""
    taken = {row.device for row in tables.devices} | {row.load_profile for row in tables.loads}
    device = _free("more", taken)
    copies = {name: _free(f"{name} and more", taken) for name in profiles}
    rows = [
        row.model_copy(update={"load_profile": copies[row.load_profile]})
        for row in tables.loads
        if row.load_profile in copies
    ]
    more = [
        LoadRow.model_construct(load_profile=copy, device=device, quantity=1, cable_m=0.0)
        for copy in copies.values()
    ]
    loads = [*tables.loads, *rows, *more]
    return replace(tables, loads=loads, devices=[*tables.devices, bus_device(device, WATTS)]), copies


def _free(name: str, taken: Collection[str]) -> str:
    while name in taken:
        name += "+"
    return name
