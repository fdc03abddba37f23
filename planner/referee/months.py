"""The months of a site, counted again from its own values, its weather files or the stored climate."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import cos, isfinite, nan, pi

import numpy as np

from planner.climate.builtin import BuiltIn, lookup
from planner.climate.sources import SiteFiles, site_files
from planner.referee.sky import monthly
from planner.scenario import Scenario
from planner.tables.months import stated_months
from planner.tables.rows import MonthQuantity, SiteRow
from planner.units import DAYS_IN_MONTH, MONTHS

OWN, BUILT_IN, UNSCALED = "own values", "built-in", "built-in, unscaled"
POLAR_LATITUDE_DEG, POLAR_COLD_K = 60.0, 5.0  # stored minima are too mild beyond (common practice)
BEYOND_FILE_K = 5.0  # a file's extremes where nothing else is known (common practice, no source)
WAVE_SLOPE, WAVE_OFFSET_K = 0.2, 5.2  # seasonal amplitude from the range of extremes
SPELL_SHARE = 0.5  # of the way from the coldest month's mean to the minimum (common practice, no source)

Stated = Mapping[MonthQuantity, Sequence[float | None]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Months:
    """What the referee holds a site's months to be; lists over the twelve months.

    `elevation_m` is the height of the land or station that they are of, None where not known.

    `ghi_wh_m2` has the margin taken off, `kept` is what shade and snow leave of the plane's irradiation.
    """

    ghi_wh_m2: Sequence[float]
    extra_wh_m2: Sequence[float]
    day_hours: Sequence[float]
    temp_air_c: Sequence[float]
    albedo: Sequence[float]
    kept: Sequence[float]
    other_supply_wh: Sequence[float]
    temp_min_c: float
    temp_max_c: float
    margin: float
    source: str
    elevation_m: float | None

    @property
    def temp_cold_spell_c(self) -> float:
        """Mean of the coldest spell."""
        coldest = min(self.temp_air_c)
        return coldest + SPELL_SHARE * min(self.temp_min_c - coldest, 0.0)

    @property
    def temp_hot_month_c(self) -> float:
        """Mean of the hottest month."""
        return max(self.temp_air_c)


@dataclass(frozen=True, slots=True, kw_only=True)
class Temperatures:
    """Monthly means, lowest and highest."""

    months: Sequence[float]
    lowest: float
    highest: float


class Climate:
    """The months of every site of a scenario.

    Raises
    ------
    InputError
        With every problem of the weather files.
    """

    def __init__(self, scenario: Scenario) -> None:
        self.sites = scenario.tables.sites
        self.settings = scenario.settings.climate
        self.files: SiteFiles | None = site_files(scenario) if scenario.tables.climate_files else None
        latitude, longitude = (
            np.array([getattr(site, name) for site in self.sites])
            for name in ("latitude_deg", "longitude_deg")
        )
        self.stored: BuiltIn = lookup(latitude, longitude)
        self.stated: dict[str, dict[MonthQuantity, list[float | None]]] = {}
        tables = scenario.tables
        for one in stated_months(tables.site_months, tables.site_climate_months):
            of_site = self.stated.setdefault(one.site_id, {})
            of_site.setdefault(one.quantity, [None] * MONTHS)[one.month - 1] = one.value

    @property
    def hashes(self) -> Mapping[str, str]:
        """SHA-256 of each weather file."""
        return self.files.hashes if self.files else {}

    @property
    def place(self) -> dict[str, int]:
        """Place of each site in the table."""
        return {site.site_id: i for i, site in enumerate(self.sites)}

    def of(self, i: int) -> Months:
        """The months of the i-th site of the table."""
        site, stated = self.sites[i], self.stated.get(self.sites[i].site_id, {})
        sun = monthly(site.latitude_deg)
        extra = [wh for wh, _ in sun]
        ghi, margin, source = self._irradiation(i, stated, extra)
        temp = self._temperatures(i, site, stated)
        shading, snow, other = (
            _filled(stated, quantity, 0.0)
            for quantity in (MonthQuantity.SHADING_LOSS, MonthQuantity.SNOW_LOSS, MonthQuantity.OTHER_SUPPLY)
        )
        return Months(
            ghi_wh_m2=ghi,
            extra_wh_m2=extra,
            day_hours=[hours for _, hours in sun],
            temp_air_c=temp.months,
            albedo=_filled(stated, MonthQuantity.ALBEDO, self.settings.albedo),
            kept=[(1.0 - a) * (1.0 - b) for a, b in zip(shading, snow, strict=True)],
            other_supply_wh=other,
            temp_min_c=temp.lowest,
            temp_max_c=temp.highest,
            margin=margin,
            source=source,
            elevation_m=self._elevation_m(i, source),
        )

    def _elevation_m(self, i: int, source: str) -> float | None:
        """Height of what the irradiation is of."""
        if source == OWN:
            return None
        built_in = source in (BUILT_IN, UNSCALED)
        field = self.stored.elevation_m if built_in or self.files is None else self.files.months.elevation_m
        height = float(field[i])
        return height if isfinite(height) else None

    def _irradiation(self, i: int, stated: Stated, extra: Sequence[float]) -> tuple[list[float], float, str]:
        """Irradiation of the horizontal with its margin: own values, then files, then the stored climate."""
        own = stated.get(MonthQuantity.GHI)
        if own is not None and None not in own:
            return [float(value) for value in own if value is not None], 1.0, OWN
        if self.files is not None and self.files.months.source[i]:
            margin = float(self.files.months.margin[i])
            values = self.files.months.ghi_wh_m2_day[i].tolist()
            return [margin * value for value in values], margin, self.files.months.source[i]
        clearness = [sum(classes) / len(classes) for classes in self.stored.clearness[i].tolist()]
        world = [k * wh for k, wh in zip(clearness, extra, strict=True)]
        long_term = float(self.stored.annual_wh_m2_day[i])
        annual = sum(wh * days for wh, days in zip(world, DAYS_IN_MONTH, strict=True)) / sum(DAYS_IN_MONTH)
        scaled = isfinite(long_term) and isfinite(annual)
        scale = min(1.0, long_term / annual) if scaled and annual > 0 else 1.0
        margin = self.settings.margin if scaled else self.settings.margin_unscaled
        return [margin * scale * wh for wh in world], margin, BUILT_IN if scaled else UNSCALED

    def _temperatures(self, i: int, site: SiteRow, stated: Stated) -> Temperatures:
        """Monthly means and extremes; stated values win, files do not make the extremes milder."""
        mean, low, high = (
            float(field[i])
            for field in (self.stored.temp_mean_c, self.stored.temp_min_c, self.stored.temp_max_c)
        )
        swing = max(WAVE_SLOPE * (high - low) - WAVE_OFFSET_K, 0.0)
        warmest = 6 if site.latitude_deg >= 0 else 0
        months = [mean + swing * cos(2.0 * pi * (m - warmest) / MONTHS) for m in range(MONTHS)]
        own, files = stated.get(MonthQuantity.TEMP_AIR) or [None] * MONTHS, self.files
        filed = files.months.temp_air_c[i].tolist() if files else [nan] * MONTHS
        for m in range(MONTHS):
            value = own[m]
            if value is not None:
                months[m] = value
            elif isfinite(filed[m]):
                months[m] = filed[m]
        low -= POLAR_COLD_K if abs(site.latitude_deg) > POLAR_LATITUDE_DEG else 0.0
        low, high = min([low, *months]), max([high, *months])
        if files is not None:
            low = -_harsher(-low, -float(files.months.temp_min_c[i]))
            high = _harsher(high, float(files.months.temp_max_c[i]))
        return Temperatures(
            months=months,
            lowest=low if site.temp_air_min_c is None else site.temp_air_min_c,
            highest=high if site.temp_air_max_c is None else site.temp_air_max_c,
        )


def _harsher(known: float, filed: float) -> float:
    """The greater of a known extreme and a file's; beyond the file's where that stands alone."""
    if not isfinite(filed):
        return known
    return max(known, filed) if isfinite(known) else filed + BEYOND_FILE_K


def _filled(stated: Stated, quantity: MonthQuantity, default: float) -> list[float]:
    values = stated.get(quantity) or [None] * MONTHS
    return [default if value is None else value for value in values]
