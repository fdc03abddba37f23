"""Weather-only energy availability of a fleet: curves before designs are made, proof of those chosen.

The curve of a site bounds all its designs: it is that of the load with the greatest share by night, at the
least and the greatest efficiency of the batteries, whichever asks for more. Designs are then proven
as they are. Both count with the capacity of the coldest spell at the end of life, all year.
"""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import fields, replace
from typing import Any

import numpy as np

from planner.climate import SiteClimate, class_wh_m2
from planner.climate.sources import site_weathers
from planner.demand import Draws
from planner.designs import Balance, design_balance
from planner.outputs import Fleet, SiteDesign, load_by_night
from planner.reliability import (
    OWN_YEARS_LEAST,
    Designs,
    Loads,
    Outcome,
    Proof,
    SiteCurve,
    drawn_years,
    own_clearness,
    real_years,
    simulate,
    site_curves,
)
from planner.reliability.years import Float32Array
from planner.settings import years_needed
from planner.sites import FloatArray, horizon_lines, place_of
from planner.units import MONTHS

BATCH_SITES = 64  # sites whose years are held together


def fleet_curves(fleet: Fleet, kits: Sequence[Draws]) -> list[SiteCurve | None]:
    """Curve of each site that an availability is asked of and that has a climate and kits; `kits` by site."""
    curves: list[SiteCurve | None] = [None] * len(fleet.tilts)
    alike: dict[float, list[int]] = defaultdict(list)
    shapes = {i: load_by_night(fleet, i, kits[i]) for i in _asked(fleet) if kits[i]}
    for i in shapes:
        alike[float(fleet.arrays.availability[i])].append(i)
    for availability, places in alike.items():
        for first in range(0, len(places), BATCH_SITES):
            batch = places[first : first + BATCH_SITES]
            made = _batch_curves(fleet, batch, availability, [shapes[i] for i in batch])
            for i, curve in zip(batch, made, strict=True):
                curves[i] = curve
    return curves


def _asked(fleet: Fleet) -> list[int]:
    asked = np.flatnonzero(fleet.arrays.availability > 0).tolist()
    return [i for i in asked if not fleet.climate.refusal[i]]


def _batch_curves(
    fleet: Fleet, places: Sequence[int], availability: float, shapes: Sequence[tuple[FloatArray, FloatArray]]
) -> Iterator[SiteCurve]:
    """Curves of some sites at one availability."""
    settings = fleet.scenario.settings.reliability
    at = list(places), [fleet.tilts[i][0] for i in places]
    classes = plane_classes(fleet, places, fleet.plane.surface_tilt_deg[at])
    days = fresh_years(fleet, places, classes, settings.stream)
    own = [0] * len(places)
    for s, i in enumerate(places):
        clearness = own_years(fleet, i)
        if len(clearness) >= max(OWN_YEARS_LEAST, years_needed(availability)):
            own[s] = len(clearness)
            days[s] = real_years(
                clearness * fleet.climate.climate_margin[i],
                class_clearness=fleet.climate.clearness[i],
                class_wh_m2=classes[s],
                years=settings.years,
            )
    array_wh = np.array([fleet.plane.poa_wh_m2_day[i, :, tilt] for i, tilt in zip(*at, strict=True)])
    found = [
        site_curves(days, _loads(fleet, places, array_wh, shapes, efficiency), availability=availability)
        for efficiency in efficiencies(fleet)
    ]
    for s in range(len(places)):
        yield SiteCurve(
            availability=availability,
            ratio=found[0].ratio,
            days=np.max([curves.days[s] for curves in found], axis=0),
            own_years=own[s],
        )


def _loads(
    fleet: Fleet,
    places: Sequence[int],
    array_wh: FloatArray,
    shapes: Sequence[tuple[FloatArray, FloatArray]],
    efficiency: float,
) -> Loads:
    """Loads of some sites; the battery keeps its capacity of the coldest spell all year."""
    settings, count = fleet.scenario.settings.reliability, len(places)
    return Loads(
        array_wh=array_wh,
        day_wh=np.array([day for day, _ in shapes]),
        night_wh=np.array([night for _, night in shapes]),
        day_hours=fleet.day_hours[list(places)],
        capacity_share=np.ones((count, MONTHS)),
        efficiency=np.full(count, efficiency),
        self_discharge=np.full(count, settings.self_discharge_day),
        reconnect_share=np.full(count, settings.reconnect_share),
    )


def efficiencies(fleet: Fleet) -> list[float]:
    """Least and greatest efficiency of the batteries."""
    values = {row.round_trip_efficiency for row in fleet.catalogue.batteries}
    return sorted({min(values, default=1.0), max(values, default=1.0)})


def plane_classes(fleet: Fleet, places: Sequence[int], tilts_deg: FloatArray) -> FloatArray:
    """Daily irradiation of the classes of days on one plane of each place (N, 12, Q)."""
    at = list(places)
    horizon = horizon_lines(fleet.scenario.tables.horizon, place_of(fleet.scenario))
    return class_wh_m2(
        climate_of(fleet.climate, at),
        surface_tilt_deg=tilts_deg,
        surface_azimuth_deg=fleet.plane.surface_azimuth_deg[at],
        horizon_deg=None if horizon is None else horizon[at],
    )


def climate_of(climate: SiteClimate, places: Sequence[int]) -> SiteClimate:
    """The climate of some sites, one after the other."""

    def some(values: Any) -> Any:
        return values[list(places)] if isinstance(values, np.ndarray) else tuple(values[i] for i in places)

    return replace(climate, **{field.name: some(getattr(climate, field.name)) for field in fields(climate)})


def fresh_years(fleet: Fleet, places: Sequence[int], classes: FloatArray, stream: int) -> Float32Array:
    """Years of a stream of places, on planes of the given classes."""
    settings, at = fleet.scenario.settings.reliability, list(places)
    return drawn_years(
        classes,
        latitude_deg=fleet.arrays.latitude_deg[at],
        longitude_deg=fleet.arrays.longitude_deg[at],
        years=settings.years,
        stream=stream,
        lag_one=settings.lag_one_correlation,
    )


def own_years(fleet: Fleet, i: int) -> FloatArray:
    """Daily clearness (Y, 365) of the whole years of the i-th site's files; none where they do not count."""
    site = fleet.scenario.tables.sites[i]
    named = [row.path for row in fleet.scenario.tables.climate_files if row.site_id == site.site_id]
    if fleet.climate.source[i] != ", ".join(named) or not named:  # its own months win over its files
        return np.zeros((0, 1))
    weathers = site_weathers(fleet.scenario, site.site_id)
    return own_clearness(weathers, latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg)


def prove(fleet: Fleet, designs: Sequence[SiteDesign]) -> list[Proof]:
    """What the chosen designs of sites with a curve do in years that no curve saw."""
    some = [design for design in designs if fleet.curves[design.site] is not None]
    proofs: list[Proof] = []
    for first in range(0, len(some), BATCH_SITES):
        proofs += _prove(fleet, some[first : first + BATCH_SITES])
    return proofs


def simulated(fleet: Fleet, designs: Sequence[SiteDesign], proofs: Sequence[Proof]) -> dict[int, float]:
    """Weather-only energy availability of every site with a design, in the proofs' years, asked or not."""
    found = {proof.site: 1.0 - proof.loss for proof in proofs}
    others = [design for design in designs if design.site not in found]
    for first in range(0, len(others), BATCH_SITES):
        some = others[first : first + BATCH_SITES]
        loss = _simulated(fleet, some)[0].loss_of_load_probability
        found |= {design.site: 1.0 - float(one) for design, one in zip(some, loss, strict=True)}
    return dict(sorted(found.items()))


def _simulated(fleet: Fleet, designs: Sequence[SiteDesign]) -> tuple[Outcome, list[Balance]]:
    """What designs do in years that no curve saw, with their energy balances."""
    settings, places = fleet.scenario.settings, [design.site for design in designs]
    classes = plane_classes(fleet, places, np.array([design.surface_tilt_deg for design in designs]))
    days = fresh_years(fleet, places, classes, settings.reliability.stream + 1)
    balances = [
        design_balance(d.inputs, d.choice, catalogue=fleet.catalogue, settings=settings) for d in designs
    ]
    stores = [fleet.catalogue.batteries[design.choice.battery] for design in designs]
    count, whole = len(designs), np.ones(MONTHS)
    night = np.array([balance.net_night_wh_day for balance in balances])
    outcome = simulate(
        days,
        Designs(
            site=np.arange(count),
            array_wh=np.array([balance.array_wh_day for balance in balances]),
            day_wh=np.array([balance.net_load_wh_day for balance in balances]) - night,
            night_wh=night,
            usable_wh=np.array([balance.usable_wh * whole for balance in balances]),
            day_hours=fleet.day_hours[places],
            charge_max_wh=np.full((count, MONTHS), np.inf),  # arrays give no more than batteries take
            efficiency=np.array([store.round_trip_efficiency for store in stores]),
            self_discharge=np.full(count, settings.reliability.self_discharge_day),
            reconnect_share=np.full(count, settings.reliability.reconnect_share),
            charge_temp_min_c=np.full(count, -np.inf),  # batteries that charge too cold are heated
        ),
        low_charge=settings.reliability.low_charge,
    )
    return outcome, balances


def _prove(fleet: Fleet, designs: Sequence[SiteDesign]) -> Iterator[Proof]:
    outcome, balances = _simulated(fleet, designs)
    low, high = outcome.loss_interval(fleet.scenario.settings.reliability.confidence)
    for n, (design, balance) in enumerate(zip(designs, balances, strict=True)):
        curve = fleet.curves[design.site]
        assert curve is not None
        yield Proof(
            site=design.site,
            curve=curve,
            array_to_load_ratio=float(balance.array_to_load_ratio.min()),
            battery_days=balance.autonomy_days,
            loss=float(outcome.loss_of_load_probability[n]),
            loss_low=float(low[n]),
            loss_high=float(high[n]),
            unserved_wh_year=float(outcome.unserved_wh[:, n].mean()),
            longest_outage_h=float(outcome.longest_outage_h[n]),
            lowest_charge=outcome.lowest_charge[n],
            days_low_year=float(outcome.days_low[n]),
            equivalent_full_cycles_year=float(outcome.equivalent_full_cycles[n]),
            unused_wh_year=float(outcome.unused_wh[n]),
        )


def raise_curves(fleet: Fleet, missed: Sequence[Proof]) -> None:
    """Raise the curves of sites whose design lost more than is asked, so that it is no design any more."""
    share = fleet.scenario.settings.reliability.raise_share
    for proof in missed:
        fleet.curves[proof.site] = proof.curve.raised(
            ratio=proof.array_to_load_ratio, days=proof.battery_days, share=share
        )
