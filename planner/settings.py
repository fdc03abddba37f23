"""Settings of a scenario: every assumption by name, with its default, its unit and its source.

`scenario.toml` and `--set group.name=value` change them; the plan keeps each value with its origin.
"""

import datetime
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Fraction = Annotated[float, Field(ge=0, le=1)]
Share = Annotated[float, Field(gt=0, le=1)]


class Group(BaseModel):
    """A group of settings: immutable, no unknown names."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Policy(Group):
    """What the planner asks of every site, unless the site says otherwise."""

    autonomy_days: float = Field(
        default=5.0, gt=0, le=60, description="days of load the battery carries alone"
    )
    array_to_load_ratio: float = Field(
        default=1.1,
        ge=1,
        le=5,
        description="least array energy / load, every month (IEEE 1562, non-critical, from memory)",
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
    policy: Policy = Policy()
    climate: ClimateSettings = ClimateSettings()
    demand: DemandSettings = DemandSettings()
    array: ArraySettings = ArraySettings()
    battery: BatterySettings = BatterySettings()
    purchase: PurchaseSettings = PurchaseSettings()
    solver: SolverSettings = SolverSettings()
