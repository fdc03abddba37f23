"""Rules of the months: climate, plane of array under a second sky, array energy, load, ratio, recovery.

The plane is held to a band about the second sky, the wider the lower the sun: measured over the bundled and
generated fleets on real land from 56 S to 66 N, tilts 10 to 90 degrees (DEVELOPERS.md has the table).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import cos, radians

from planner.referee.case import SiteCase, warm_share
from planner.referee.check import Check, agrees, at_least, at_most, holds
from planner.referee.sky import (
    ALIKE,
    SOLAR_CONSTANT_W_M2,
    MonthOnPlane,
    Plane,
    line_deg,
    months_on_plane,
    noon_height_deg,
    over_share,
)
from planner.units import MONTHS, W_PER_M2_STC

CLEAREST = 0.88  # no month's mean is clearer than the clearest day
TWILIGHT_WH = 500.0  # months with less light above the atmosphere are too dim to judge
WH_WITHIN = 0.051  # the plan rounds to 0.1 Wh
ENERGY_WITHIN = 1e-3  # relative: setpoint, cell temperature and shares are rounded
RATIO_WITHIN = 0.0016  # the plan rounds to 0.001
NOCT_C = 45.0  # nominal operating cell temperature of common modules
CELL_K_PER_W_M2 = (NOCT_C - 20.0) / 800.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """How far the plan may be from the second sky where the noon sun stands at least so high.

    Attributes
    ----------
    noon_deg : float
        Height of the sun at noon in the middle of the month.
    least, most : float
        Second sky's irradiation on the plane over the plan's.
    under, over : float
        How far the plan's clipped share may lie under and over what utilizability says.
    warmer_k : float
        How far cells may be warmer than the day's mean irradiance makes them.
    """

    noon_deg: float
    least: float
    most: float
    under: float
    over: float
    warmer_k: float


BANDS = (
    Band(noon_deg=25.0, least=0.80, most=1.35, under=0.30, over=0.18, warmer_k=13.0),
    Band(noon_deg=10.0, least=0.60, most=1.32, under=0.18, over=0.38, warmer_k=15.0),
    Band(noon_deg=5.0, least=0.45, most=1.50, under=0.17, over=0.53, warmer_k=18.0),
    Band(noon_deg=3.0, least=0.36, most=1.55, under=0.11, over=0.65, warmer_k=19.0),
)
NEAR_DEG = 10.0  # noon sun over the horizon's line, under which the line counts as the ground
AWAY_MOST = 1.60  # second sky over the plan's, on planes that face the pole: mostly sky, darkest there


def band_of(plane: Plane, month: int) -> Band | None:
    """The band of a month 0..11 by the noon sun's height; over the horizon's line, where that is near.

    None where it hardly rises: no monthly method holds there.
    """
    noon = 180.0 if plane.latitude_deg >= 0 else 0.0
    height = noon_height_deg(plane.latitude_deg, month)
    over = height - (float(line_deg(plane.horizon, noon)) if plane.horizon else 0.0)
    height = over if over < NEAR_DEG else height
    band = next((band for band in BANDS if height >= band.noon_deg), None)
    away = cos(radians(plane.azimuth_deg - noon)) < -ALIKE
    return replace(band, most=AWAY_MOST) if band and away else band


def climate_months(case: SiteCase) -> Iterator[Check]:
    """Irradiation and air of each month as the site's sources have them, no clearer than skies are."""
    months = case.months
    for m, row in enumerate(case.rows.energy):
        subject, ghi = f"month {m + 1}", months.ghi_wh_m2[m]
        yield agrees(
            "climate-figure",
            case.id,
            f"{subject} ghi_wh_m2_day",
            row.ghi_wh_m2_day,
            ghi,
            "Wh/m2",
            within=WH_WITHIN + 1e-5 * ghi,
        )
        yield agrees(
            "climate-figure",
            case.id,
            f"{subject} temp_air_c",
            row.temp_air_c,
            months.temp_air_c[m],
            "C",
            within=0.051,
        )
        if months.extra_wh_m2[m] > TWILIGHT_WH:
            yield at_most(
                "clearness", case.id, subject, ghi / months.extra_wh_m2[m], CLEAREST, "", slack=1e-6
            )
    yield agrees(
        "climate-figure",
        case.id,
        "climate_margin",
        case.design.climate_margin,
        months.margin,
        "",
        within=1e-9,
    )
    height, land = case.site.elevation_m, months.elevation_m
    above = None if height is None or land is None else height - land
    stated = case.design.elevation_difference_m
    yield agrees("climate-figure", case.id, "elevation_difference_m", stated, above, "m", within=0.051)
    same = case.design.climate_source == months.source
    yield holds("climate-source", case.id, "", same, f"is {months.source}")


def array_plane(case: SiteCase) -> Iterator[Check]:
    """The plane's irradiation lies in the band; less its clipped share, it makes the stated energy."""
    plane, months = case.plane, case.months
    skies = months_on_plane(
        plane, ghi_wh_m2=months.ghi_wh_m2, extra_wh_m2_day=months.extra_wh_m2, albedo=months.albedo,
        kept=months.kept,
    )  # fmt: skip
    for m, (row, sky) in enumerate(zip(case.rows.energy, skies, strict=True)):
        subject, band, stated = f"month {m + 1}", band_of(plane, m), row.poa_wh_m2_day
        if band is None:
            most = SOLAR_CONSTANT_W_M2 * months.day_hours[m]  # a beam faced all day, above the air
            yield at_most("plane-of-array", case.id, subject, stated, most, "Wh/m2", slack=1.0)
        else:
            own = sky.poa_wh_m2
            yield at_most("plane-of-array", case.id, subject, stated, own / band.least, "Wh/m2", slack=1.0)
            yield at_least("plane-of-array", case.id, subject, stated, own / band.most, "Wh/m2", slack=1.0)
            yield from _cells(case, m, band)
        yield from _array(case, m, sky, band)


def _cells(case: SiteCase, m: int, band: Band) -> Iterator[Check]:
    """Cells are warmer than the air, by what the irradiance makes."""
    row, hours = case.rows.energy[m], case.months.day_hours[m]
    if row.poa_wh_m2_day > 0 and hours > 0:
        rise = row.temp_cell_c - case.months.temp_air_c[m]
        mean = CELL_K_PER_W_M2 * row.poa_wh_m2_day / hours
        yield at_least("cell-temperature", case.id, f"month {m + 1}", rise, mean, "K", slack=0.11)
        yield at_most("cell-temperature", case.id, f"month {m + 1}", rise, mean + band.warmer_k, "K")


def _array(case: SiteCase, m: int, sky: MonthOnPlane, band: Band | None) -> Iterator[Check]:
    """Array energy: what modules and losses make of the plane, less what the output limit clips."""
    row, subject = case.rows.energy[m], f"month {m + 1}"
    hours = row.poa_wh_m2_day / W_PER_M2_STC
    left = case.array_left * case.controller.efficiency
    if case.pwm:
        own = case.module.i_mp_a * case.design.modules_parallel * case.charging_v * left * hours
        yield agrees("clipped-share", case.id, subject, row.clipped_share, 0.0)
    else:
        watts = case.module.nameplate_w * case.modules * left
        watts *= warm_share(case.module.gamma_pmp_per_k, row.temp_cell_c)
        own = watts * hours * (1.0 - row.clipped_share)
        yield from _clipping(case, m, sky, band, watts)
    within = WH_WITHIN + ENERGY_WITHIN * own + _plane_noise(case, m, own)
    yield agrees("array-energy", case.id, subject, row.array_wh_day, own, "Wh", within=within)


def _plane_noise(case: SiteCase, m: int, own: float) -> float:
    """What rounding of the plane to 0.1 Wh/m2 makes of the energy."""
    plane = case.rows.energy[m].poa_wh_m2_day
    return own * WH_WITHIN / plane if plane > 0 else 1.0


def _clipping(case: SiteCase, m: int, sky: MonthOnPlane, band: Band | None, watts: float) -> Iterator[Check]:
    """The clipped share is near what utilizability says; no energy is over the output limit all day."""
    row, subject = case.rows.energy[m], f"month {m + 1}"
    limit = case.controller.output_max_a * case.charging_v
    most = limit * case.design.controllers * case.months.day_hours[m]
    yield at_most(
        "controller-clips", case.id, subject, row.array_wh_day, most, "Wh", slack=WH_WITHIN + 1e-3 * most
    )
    yield at_least("clipped-share", case.id, subject, row.clipped_share, 0.0, "", slack=1e-9)
    if band is not None and watts > 0:
        own = (
            sum(
                n * over_share(sky, W_PER_M2_STC * limit / (watts * n / case.design.modules_parallel))
                for n in case.strings_each
                if n
            )
            / case.design.modules_parallel
        )
        yield at_least("clipped-share", case.id, subject, row.clipped_share, own - band.under, "")
        yield at_most("clipped-share", case.id, subject, row.clipped_share, own + band.over, "")


def loads(case: SiteCase) -> Iterator[Check]:
    """Load, net load and heaters of each month as stated."""
    for m, row in enumerate(case.rows.energy):
        day, night = case.loads_wh[m]
        figures = (
            ("load_wh_day", day + night + case.heat_wh[m]),
            ("net_load_wh_day", sum(case.net_wh[m])),
            ("heater_wh_day", case.heat_wh[m]),
        )
        for name, own in figures:
            within = WH_WITHIN + 1e-5 * own
            yield agrees(
                "load-figure", case.id, f"month {m + 1} {name}", getattr(row, name), own, "Wh", within=within
            )
    most = max(day + night + heat for (day, night), heat in zip(case.loads_wh, case.heat_wh, strict=True))
    design = case.design
    yield agrees(
        "load-figure",
        case.id,
        "daily_load_wh",
        design.daily_load_wh,
        most,
        "Wh",
        within=WH_WITHIN + 1e-5 * most,
    )
    yield agrees(
        "load-figure", case.id, "load_w", design.load_w, most / 24.0, "W", within=0.0051 + 1e-5 * most
    )


def ratios(case: SiteCase) -> Iterator[Check]:
    """The array brings the asked ratio in every month; the design month is the one of the smallest."""
    own: list[float] = []
    for m, row in enumerate(case.rows.energy):
        need = case.need_wh[m]
        if need <= 0:
            yield agrees("ratio-figure", case.id, f"month {m + 1}", row.array_to_load_ratio, None)
            own.append(float("inf"))
            continue
        own.append(row.array_wh_day / need)
        noise = WH_WITHIN / need
        yield at_least(
            "array-to-load-ratio", case.id, f"month {m + 1}", own[m], case.ratio, "", slack=noise + 1e-6
        )
        yield agrees(
            "ratio-figure",
            case.id,
            f"month {m + 1}",
            row.array_to_load_ratio,
            own[m],
            "",
            within=0.00051 + noise,
        )
    least = min(own)
    stated = case.design.array_to_load_ratio
    yield agrees("ratio-figure", case.id, "array_to_load_ratio", stated, least, "", within=RATIO_WITHIN)
    month = case.design.design_month
    inside = 1 <= month <= MONTHS and own[month - 1] <= least + RATIO_WITHIN
    yield holds("design-month", case.id, f"month {month}", inside, "is not the month of the smallest ratio")


def recovery(case: SiteCase) -> Iterator[Check]:
    """The array refills the asked reserve in the asked days of every month, besides the load."""
    spare, used = _surplus(case)
    if case.recovery_days_max is not None:
        for m in range(MONTHS):
            asked = used[m] / case.recovery_days_max
            yield at_least("recovery", case.id, f"month {m + 1}", spare[m], asked, "Wh", slack=2 * WH_WITHIN)
    yield _recovery_figure(case, spare, used)


def _surplus(case: SiteCase) -> tuple[list[float], list[float]]:
    """What a day leaves, and what the asked reserve takes out of the battery, by month."""
    efficiency = case.battery.round_trip_efficiency
    spare = [row.array_wh_day - need for row, need in zip(case.rows.energy, case.need_wh, strict=True)]
    return spare, [case.autonomy_days * rested / efficiency for rested in case.rested_wh]


def _recovery_figure(case: SiteCase, spare: Sequence[float], used: Sequence[float]) -> Check:
    """Days as stated, within what the rounding of the energies makes of them."""
    stated, least, most = case.design.recovery_days, 0.0, 0.0
    for left, wh in zip(spare, used, strict=True):
        noise = WH_WITHIN + 1e-5 * abs(left)
        if wh > 0:
            least = max(least, wh / (left + noise) if left + noise > 0 else float("inf"))
            most = max(most, wh / (left - noise) if left - noise > 0 else float("inf"))
    if stated is None:
        return holds(
            "recovery-figure",
            case.id,
            "recovery_days",
            most == float("inf"),
            "is blank, though every month spares something",
        )
    ok = least - 0.051 <= stated <= most + 0.051
    return Check(
        rule="recovery-figure",
        site=case.id,
        subject="recovery_days",
        value=stated,
        limit=least,
        margin=None,
        ok=ok,
        unit="d",
    )


ENERGY_RULES = (climate_months, array_plane, loads, ratios, recovery)
