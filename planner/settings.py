"""Settings of a scenario: every assumption by name, with its default, its unit and its source.

`scenario.toml` and `--set group.name=value` change them; the plan keeps each value with its origin.
"""

import datetime
from collections.abc import Mapping
from math import ceil
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

Fraction = Annotated[float, Field(ge=0, le=1)]
Share = Annotated[float, Field(gt=0, le=1)]


DAYS_A_YEAR = 365  # of a simulated year
LOST_DAYS_LEAST = 10.0  # expected lost days in the years that a target must leave, to be told from none


def years_needed(availability: float) -> int:
    """Years to simulate so that a target leaves enough lost days to count; 0 for a target of 1."""
    lost = 1.0 - availability
    return ceil(LOST_DAYS_LEAST / (lost * DAYS_A_YEAR) - 1e-9) if lost > 0 else 0


class Group(BaseModel):
    """A group of settings: immutable, no unknown names."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Policy(Group):
    """What the planner asks of every site, unless the site says otherwise."""

    autonomy_days: float = Field(
        default=5.0,
        ge=0,
        le=60,
        description="days of load the battery carries alone; 0: not asked, as an availability is",
    )
    array_to_load_ratio: float = Field(
        default=1.1,
        ge=0,
        le=5,
        description="least array energy / load, every month (IEEE 1562, non-critical, from memory); "
        "under 1: not asked, as an availability is",
    )
    availability: float = Field(
        default=0.0,
        ge=0,
        lt=1,
        description="weather-only energy availability: share of time with the load served, were weather "
        "alone to take it away; 0: not asked",
    )
    recovery_days_max: float | None = Field(
        default=None, gt=0, le=365, description="days in which the array refills a used reserve; unset: any"
    )
    wind_design_m_s: float | None = Field(
        default=None, gt=0, le=120, description="gust that mounts and modules stand; unset: not checked"
    )
    system_voltages_v: tuple[Literal[12, 24, 48], ...] = Field(
        default=(12, 24, 48), min_length=1, description="nominal DC bus voltages a site may have"
    )
    load_margin: float = Field(
        default=0.10, ge=0, le=2, description="growth and doubt added to every load (common practice)"
    )
    uplink_ports: int = Field(
        default=1, ge=0, le=8, description="Ethernet or SFP ports kept for the uplink of a site"
    )
    uplink_medium: Literal["any", "copper", "fibre"] = Field(
        default="any", description="uplinks by copper ports, by SFP ports, or by SFP where copper is short"
    )
    controllers_max: int = Field(default=4, ge=1, le=16, description="most charge controllers at a site")
    enclosures_max: int = Field(
        default=2, ge=1, le=16, description="most enclosures at a site; batteries part over no more"
    )
    switches_max: int = Field(default=3, ge=1, le=8, description="most switches at a site")
    installation_cost: float = Field(
        default=0.0, ge=0, description="labour of one installation, scenario currency"
    )


class ClimateSettings(Group):
    """Irradiance and temperature."""

    margin: Share = Field(
        default=0.90, description="factor on built-in GHI; measured spread of the worst months is 10 %"
    )
    margin_unscaled: Share = Field(
        default=0.80, description="the same where no long-term mean scales the reanalysis"
    )
    margin_online: Share = Field(
        default=0.95,
        description="margin that fetched weather is written with: satellites differ 5 % (common practice)",
    )
    albedo: Fraction = Field(
        default=0.2, description="ground reflectance where a site states none (common practice)"
    )
    tilts_deg: tuple[Annotated[float, Field(ge=0, le=90)], ...] = Field(
        default=(10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0, 90.0),
        min_length=1,
        description="array tilts to choose from; 10 degrees lets rain wash the glass",
    )


class DemandSettings(Group):
    """Channels and converters."""

    poe_loop_ohm_per_100m: float = Field(
        default=12.5,
        gt=0,
        le=50,
        description="two pairs in parallel each way, worst case, hot (IEEE 802.3 Type 2)",
    )
    channel_max_m: float = Field(
        default=100.0, gt=0, le=200, description="longest Ethernet channel (ISO/IEC 11801)"
    )
    adapter_patch_m: float = Field(
        default=1.0,
        ge=0,
        le=100,
        description="cable from a PoE adapter to its device, the rest is before it (common practice)",
    )
    bus_cable_drop: Fraction = Field(
        default=0.03, description="greatest drop from battery to a box at maximum load"
    )
    dc_conductor_mm2: float = Field(
        default=1.5,
        gt=0,
        le=120,
        description="cross-section of the two conductors to a DC device (IEC 60228 size; common practice)",
    )
    copper_ohm_mm2_per_m: float = Field(
        default=0.0225,
        ge=0.017,
        le=0.04,
        description="resistivity of copper in service, warm (IEC 60364-5-52 annex G, from memory)",
    )


class ArraySettings(Group):
    """Losses between module and bus; they multiply."""

    soiling_loss: Fraction = Field(default=0.03, description="dirt on the glass (common practice)")
    mismatch_loss: Fraction = Field(
        default=0.02, description="unlike modules and tolerance (common practice)"
    )
    wiring_loss: Fraction = Field(default=0.02, description="array cable at full current (common practice)")
    ageing_loss: Fraction = Field(
        default=0.05, description="module power lost by mid-life, 0.5 % a year x 10 (common practice)"
    )
    wind_pressure_coefficient: float = Field(
        default=1.5, gt=0, le=5, description="net pressure on a module / wind's (common practice, no source)"
    )
    irradiance_factor_isc: float = Field(
        default=1.25, ge=1, le=1.5, description="bright-sky factor on short-circuit current (NEC 690.8(A))"
    )


class BatterySettings(Group):
    """Ageing, depth and temperature of batteries."""

    end_of_life_share: Share = Field(
        default=0.8, description="capacity left at end of life (IEEE 485, from memory)"
    )
    daily_depth_max_lead_acid: Share = Field(
        default=0.20, description="greatest daily discharge / rated capacity"
    )
    daily_depth_max_lfp: Share = Field(default=0.60, description="greatest daily discharge / rated capacity")
    equalise_required: bool = Field(
        default=False, description="a battery with an equalising voltage must be equalised"
    )
    temperature_derating: bool = Field(
        default=True, description="lead-acid capacity falls with cold (IEEE 485 table)"
    )
    enclosure_damping_k: float = Field(
        default=5.0,
        ge=0,
        le=30,
        description="how far the enclosure keeps a battery above the extreme minimum",
    )
    enclosure_rise_k: float = Field(
        default=5.0, ge=0, le=40, description="how far sun and boxes warm the enclosure above the air outside"
    )


class ReliabilitySettings(Group):
    """How weather-only energy availability is simulated and proven."""

    years: int = Field(
        default=100,
        ge=100,
        le=5000,
        description="years of weather that curves are made of, and as many fresh ones for the proof",
    )
    stream: int = Field(
        default=0, ge=0, le=999, description="which draw of years makes curves; the proof takes the next"
    )
    lag_one_correlation: float = Field(
        default=0.29,
        ge=0,
        lt=1,
        description="of daily clearness with the day before (Graham, Hollands and Huget 1988)",
    )
    reconnect_share: Share = Field(
        default=0.2,
        description="charge / usable energy at which a disconnected load comes back (common practice, "
        "no source)",
    )
    self_discharge_day: float = Field(
        default=0.001,
        ge=0,
        le=0.02,
        description="share of the charge that a battery loses a day (common practice, no source)",
    )
    low_charge: Share = Field(
        default=0.5, description="share of the usable energy under which days are counted as low"
    )
    confidence: float = Field(
        default=0.95, gt=0.5, lt=1, description="of the interval about what the proof met"
    )
    raise_share: float = Field(
        default=0.1,
        gt=0,
        le=1,
        description="battery days added where the proof misses, over the design's (common practice, "
        "no source)",
    )
    replans_max: int = Field(
        default=3, ge=0, le=10, description="times that a fleet is planned again after a missed proof"
    )


class LifetimeSettings(Group):
    """What a plan costs over the years: batteries replaced at the end of their life."""

    horizon_years: float = Field(
        default=15.0, gt=0, le=50, description="years that are looked at (common practice, no source)"
    )
    discount_rate: float = Field(
        default=0.05, ge=0, le=0.5, description="a year, on later spending (common practice, no source)"
    )
    years_lead_acid: float = Field(
        default=8.0, gt=0, le=40, description="calendar life at 25 C where a battery states none (common "
        "practice, no source)"
    )
    years_lfp: float = Field(default=12.0, gt=0, le=40, description="the same (common practice, no source)")
    full_cycles_lead_acid: float = Field(
        default=300.0, gt=0, le=50000, description="cycles x depth to the end of life where a battery states "
        "none (common practice, no source)"
    )
    full_cycles_lfp: float = Field(
        default=2800.0, gt=0, le=50000, description="the same (common practice, no source)"
    )


class PurchaseSettings(Group):
    """What one purchase for the whole fleet must keep to."""

    budget: float | None = Field(
        default=None,
        ge=0,
        description="most that the plan may cost, scenario currency; unset: the sum of `phases`, or no limit",
    )
    need_by: datetime.date | None = Field(
        default=None,
        description="day by which goods must arrive, ordered on plan_date; unset: lead times do not count",
    )
    one_chemistry_per_region: bool = Field(
        default=False, description="sites of a region have batteries of one chemistry"
    )
    keep_share: Fraction = Field(
        default=0.0,
        description="planned again `--from` an earlier plan: a site keeps its earlier design unless changing "
        "it saves more than this share of what the design cost there; 0: not asked",
    )
    labour_cost_h: float = Field(
        default=0.0, ge=0, description="an hour of installation labour, for install_h of the parts"
    )


class SolverSettings(Group):
    """How far to prove the plan."""

    gap: float = Field(default=0.005, ge=0, le=1, description="relative gap at which to stop")
    time_limit_s: float = Field(
        default=900.0,
        gt=0,
        description="time for choosing the fleet's designs; a run that it cuts short keeps its best plan",
    )
    threads: int = Field(default=1, ge=1, le=64, description="solver threads")


class Settings(Group):
    """All settings of a scenario."""

    name: str = Field(default="", max_length=200, description="title of the scenario")
    currency: str = Field(
        default="EUR", pattern=r"^[A-Z]{3}$", description="ISO 4217 code of all money in the plan"
    )
    plan_date: datetime.date = Field(description="day on which prices must be valid")
    catalogue: str = Field(
        default="built-in",
        min_length=1,
        description="`built-in`, or the catalogue's folder relative to the scenario's",
    )
    extends: str = Field(
        default="",
        description="scenario folder whose settings and tables this one changes, relative to it; blank: none",
    )
    objective: Literal["capital", "lifetime"] = Field(
        default="capital",
        description="what is least: capital cost, or that with the batteries replaced later, discounted",
    )
    policy: Policy = Policy()
    climate: ClimateSettings = ClimateSettings()
    demand: DemandSettings = DemandSettings()
    array: ArraySettings = ArraySettings()
    battery: BatterySettings = BatterySettings()
    reliability: ReliabilitySettings = ReliabilitySettings()
    lifetime: LifetimeSettings = LifetimeSettings()
    purchase: PurchaseSettings = PurchaseSettings()
    solver: SolverSettings = SolverSettings()


def flat_settings(settings: Settings) -> dict[str, Any]:
    """Settings by dotted name, in order of name, as plain values of JSON."""
    flat: dict[str, Any] = {}

    def add(values: Mapping[str, Any], prefix: str) -> None:
        for name, value in values.items():
            if isinstance(value, Mapping):
                add(value, f"{prefix}{name}.")
            else:
                flat[prefix + name] = value

    add(settings.model_dump(mode="json"), "")
    return dict(sorted(flat.items()))
