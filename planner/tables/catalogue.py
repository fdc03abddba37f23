"""Row models of the catalogue: what can be bought, with the data the physics needs.

Voltages, currents and powers are the maker's data-sheet values at 25 C unless said otherwise.
"""

from enum import StrEnum

from pydantic import Field

from planner.tables.rows import (
    BusGrounding,
    Fraction,
    Identifier,
    NonNegative,
    Positive,
    Row,
    Sku,
    SystemVoltage,
    Text,
)


class Chemistry(StrEnum):
    """Battery chemistry; AGM and gel are sealed lead-acid."""

    AGM = "agm"
    GEL = "gel"
    LFP = "lfp"


class ControllerKind(StrEnum):
    """How a charge controller joins array and battery."""

    PWM = "pwm"
    MPPT = "mppt"


class CommonTerminal(StrEnum):
    """The pole that a charge controller joins through from array and load to battery."""

    NEGATIVE = "negative"
    POSITIVE = "positive"
    NONE = "none"


class PseKind(StrEnum):
    """Whether a switch boosts its PoE ports itself, or passes its input voltage on to them."""

    NONE = "none"
    REGULATED = "regulated"
    PASSTHROUGH = "passthrough"


class PortKind(StrEnum):
    """A group of like ports of a switch."""

    POE = "poe"
    PASSIVE_POE = "passive_poe"
    DATA = "data"
    SFP = "sfp"


class ConverterKind(StrEnum):
    """Boxes between the bus and a load, and what plugs into a switch."""

    DC_DC = "dc_dc"
    POE_INJECTOR = "poe_injector"
    LOAD_DISCONNECT = "load_disconnect"
    INVERTER = "inverter"
    POE_ADAPTER = "poe_adapter"
    SFP_MODULE = "sfp_module"


class BalanceKind(StrEnum):
    """What holds the rest."""

    MOUNT = "mount"
    ENCLOSURE = "enclosure"


class SkuRow(Row):
    """What every SKU has."""

    sku: Sku = Field(description="key, as the maker writes it")
    maker: Text = Field(description="who makes it")
    maker_part_number: Text = Field("", description="the maker's own number")
    description: Text = Field("", description="for people")
    unit: Text = Field("each", description="what one unit is")
    weight_kg: Positive = Field(le=2000, description="weight of one unit")
    freight_kg: Positive | None = Field(
        None, le=5000, description="chargeable weight: bulky or dangerous goods pay more; blank: weight_kg"
    )
    install_h: NonNegative = Field(0.0, le=200, description="labour of installing one unit, hours")
    mtbf_years: Positive | None = Field(
        None, le=1000, description="mean time between failures, for spares; blank: not stated"
    )
    temp_min_c: float = Field(-40.0, ge=-80, le=25, description="lowest operating temperature")
    temp_max_c: float = Field(60.0, ge=25, le=120, description="highest operating temperature")

    @property
    def chargeable_kg(self) -> float:
        """Weight that freight is paid for."""
        return self.weight_kg if self.freight_kg is None else self.freight_kg


class ModuleRow(SkuRow):
    """A photovoltaic module at standard test conditions."""

    temp_max_c: float = Field(85.0, ge=25, le=120, description="highest temperature of its cells")
    nameplate_w: Positive = Field(le=1000, description="maximum power")
    v_oc_v: Positive = Field(le=200, description="open-circuit voltage")
    i_sc_a: Positive = Field(le=40, description="short-circuit current")
    v_mp_v: Positive = Field(le=200, description="voltage at maximum power")
    i_mp_a: Positive = Field(le=40, description="current at maximum power")
    beta_voc_per_k: float = Field(-0.003, ge=-0.01, lt=0, description="relative coefficient of v_oc, 1/K")
    gamma_pmp_per_k: float = Field(-0.004, ge=-0.01, lt=0, description="relative coefficient of power, 1/K")
    system_voltage_max_v: Positive = Field(600.0, le=2000, description="greatest string voltage")
    fuse_max_a: Positive = Field(15.0, le=60, description="greatest series fuse")
    pressure_max_pa: Positive | None = Field(
        None, le=20000, description="wind pressure it stands, front and back; blank: not checked"
    )
    length_m: Positive = Field(le=4, description="long side")
    width_m: Positive = Field(le=3, description="short side")


class BatteryRow(SkuRow):
    """A battery block. Voltages are per block at 25 C."""

    chemistry: Chemistry = Field(description="agm, gel or lfp")
    nominal_v: Positive = Field(le=60, description="nominal voltage of the block")
    cells: int = Field(ge=1, le=24, description="cells in series in the block")
    capacity_ah: Positive = Field(le=5000, description="rated capacity at rate_h, never longer than C/100")
    rate_h: Positive = Field(20.0, le=100, description="discharge time of the rating")
    charge_v: Positive = Field(le=80, description="recommended absorption setpoint")
    charge_min_v: Positive = Field(le=80, description="lowest setpoint that still charges fully")
    charge_max_v: Positive = Field(le=80, description="highest setpoint allowed")
    equalise_v: Positive | None = Field(None, le=80, description="equalising voltage, blank if not used")
    temp_compensation_v_per_k: float = Field(
        0.0, ge=-0.5, le=0, description="change of the block's setpoint per K above 25 C"
    )
    disconnect_v: Positive = Field(le=60, description="load disconnect voltage")
    charge_current_max_a: Positive = Field(le=2000, description="greatest charge current")
    discharge_current_max_a: Positive = Field(le=5000, description="greatest discharge current")
    depth_of_discharge_max: Fraction = Field(gt=0, description="deepest discharge in the autonomy reserve")
    round_trip_efficiency: float = Field(gt=0.3, le=1, description="energy out / energy in")
    charge_temp_min_c: float = Field(-40.0, ge=-60, le=20, description="no charging below this temperature")
    heater_w: NonNegative = Field(
        0.0, le=1000, description="built-in heater that lets it charge down to temp_min_c; blank: none"
    )
    batteries_series_max: int = Field(4, ge=1, le=24, description="most blocks in series")
    batteries_parallel_max: int = Field(4, ge=1, le=64, description="most strings in parallel")
    volume_l: Positive = Field(le=2000, description="outer volume of a block")
    life_years: Positive | None = Field(
        None, le=40, description="calendar life at 25 C; blank: lifetime.years of its chemistry"
    )
    cycle_life: Positive | None = Field(
        None, le=50000, description="cycles of cycle_depth to the end of life; blank: by its chemistry"
    )
    cycle_depth: Fraction | None = Field(None, gt=0, description="depth of those cycles / rated capacity")


class ControllerRow(SkuRow):
    """A solar charge controller."""

    kind: ControllerKind = Field(description="pwm or mppt")
    system_voltage_min_v: SystemVoltage = Field(description="lowest nominal battery voltage")
    system_voltage_max_v: SystemVoltage = Field(description="highest nominal battery voltage")
    pv_input_max_v: Positive = Field(le=1000, description="greatest array open-circuit voltage")
    pv_input_max_a: Positive = Field(le=200, description="greatest array short-circuit current")
    output_max_a: Positive = Field(le=200, description="greatest charge current")
    headroom_v: NonNegative = Field(1.0, le=20, description="array voltage needed above the charging voltage")
    efficiency: float = Field(gt=0.5, le=1, description="energy out / energy in")
    own_draw_w: NonNegative = Field(le=50, description="own consumption, around the clock")
    charge_max_v: Positive = Field(
        le=80, description="highest charging voltage it makes, compensation included"
    )
    common_terminal: CommonTerminal = Field(
        CommonTerminal.NEGATIVE, description="pole joined through it: negative, positive, none"
    )
    temp_compensated: bool = Field(True, description="follows the battery's temperature")
    load_terminal_max_a: Positive | None = Field(
        None, le=200, description="load terminals' current; blank: none"
    )
    load_terminal_surge_a: Positive | None = Field(
        None, le=2000, description="what they bear for seconds; blank: inrush is not checked"
    )
    volume_l: Positive = Field(le=100, description="outer volume")


class SwitchRow(SkuRow):
    """A DC-input network switch; its ports stand in `switch_ports`."""

    input_min_v: Positive = Field(le=80, description="lowest input voltage")
    input_max_v: Positive = Field(le=80, description="highest input voltage")
    own_draw_w: NonNegative = Field(le=200, description="consumption with no PoE load")
    pse_kind: PseKind = Field(description="none, regulated or passthrough")
    pse_efficiency: float = Field(1.0, gt=0.5, le=1, description="PoE power out / power in")
    poe_budget_w: NonNegative = Field(0.0, le=3000, description="PoE power over all ports")
    poe_budget_low_w: NonNegative | None = Field(
        None, le=3000, description="PoE budget where the input is under poe_budget_low_below_v"
    )
    poe_budget_low_below_v: Positive | None = Field(
        None, le=80, description="input voltage under which the lower budget holds; blank: one budget"
    )
    poe_derate_above_c: float | None = Field(
        None, ge=-40, le=120, description="air temperature over which the PoE budget falls; blank: none"
    )
    poe_derate_w_per_k: Positive | None = Field(None, le=100, description="how fast it falls, W per K")
    measured_allocation: bool = Field(False, description="can budget a port by its device's stated maximum")
    isolated: bool = Field(False, description="input is galvanically apart from case and ports")
    case_ground: BusGrounding = Field(
        BusGrounding.NEGATIVE, description="pole of its input that case and shields are tied to"
    )
    volume_l: Positive = Field(le=100, description="outer volume")


class SwitchPortRow(Row):
    """A group of like ports of a switch."""

    sku: Sku = Field(description="switch in `switches`")
    port_kind: PortKind = Field(description="poe, passive_poe, data or sfp")
    quantity: int = Field(ge=1, le=128, description="ports in the group")
    poe_class: int | None = Field(None, ge=0, le=8, description="highest class a PoE port feeds")
    passive_v: float | None = Field(None, gt=0, le=60, description="voltage of a passive port")
    port_max_w: Positive | None = Field(None, le=120, description="greatest power at a passive port")


class ConverterRow(SkuRow):
    """A box between bus and load, or one that plugs into a switch.

    An adapter is a powered device of `poe_class` and gives `output_v` to a passive device; an SFP module
    lives on its switch.
    """

    kind: ConverterKind = Field(
        description="dc_dc, poe_injector, load_disconnect, inverter, poe_adapter or sfp_module"
    )
    input_min_v: Positive = Field(le=400, description="lowest input voltage")
    input_max_v: Positive = Field(le=400, description="highest input voltage")
    output_v: Positive | None = Field(
        None, le=400, description="regulated output, AC as rms; blank where there is none"
    )
    output_hz: float | None = Field(None, ge=40, le=70, description="frequency of an inverter's output")
    output_max_w: Positive | None = Field(None, le=5000, description="greatest output power, continuous")
    surge_w: Positive | None = Field(
        None, le=15000, description="power an inverter gives for seconds; blank: output_max_w"
    )
    current_max_a: Positive | None = Field(None, le=500, description="greatest current of a disconnect")
    surge_a: Positive | None = Field(
        None, le=2000, description="current a disconnect bears for seconds; blank: inrush is not checked"
    )
    efficiency: float = Field(1.0, gt=0.5, le=1, description="energy out / energy in")
    own_draw_w: NonNegative = Field(0.0, le=50, description="consumption with no load")
    poe_class: int | None = Field(
        None, ge=0, le=8, description="highest class an injector feeds; class an adapter asks of its port"
    )
    isolated: bool = Field(False, description="input and output are galvanically apart")
    case_ground: BusGrounding = Field(
        BusGrounding.NEGATIVE, description="pole of its input that the case is tied to"
    )
    volume_l: Positive = Field(le=100, description="outer volume")


class BalanceRow(SkuRow):
    """Mounts by module area and tilt, enclosures by inner volume."""

    kind: BalanceKind = Field(description="mount or enclosure")
    module_area_max_m2: Positive | None = Field(None, le=200, description="area a mount carries")
    tilt_min_deg: float = Field(0.0, ge=0, le=90, description="flattest tilt of a mount")
    tilt_max_deg: float = Field(90.0, ge=0, le=90, description="steepest tilt of a mount")
    wind_max_m_s: Positive | None = Field(
        None, le=120, description="gust that a mount stands; blank: not checked"
    )
    weight_max_kg: Positive | None = Field(
        None, le=5000, description="modules' weight that a mount carries; blank: not checked"
    )
    volume_max_l: Positive | None = Field(None, le=5000, description="volume an enclosure holds")
    damping_k: NonNegative | None = Field(
        None,
        le=30,
        description="how far an enclosure, batteries inside, stays above the lowest air temperature; "
        "blank: not checked",
    )


#: Switches and controllers name their SKU columns alike, so the planner looks a part up by its SKU alone.
Part = ModuleRow | BatteryRow | ControllerRow | SwitchRow | ConverterRow | BalanceRow

__all__ = [
    "BalanceKind",
    "BalanceRow",
    "BatteryRow",
    "Chemistry",
    "CommonTerminal",
    "ControllerKind",
    "ControllerRow",
    "ConverterKind",
    "ConverterRow",
    "Identifier",
    "ModuleRow",
    "Part",
    "PortKind",
    "PseKind",
    "SkuRow",
    "SwitchPortRow",
    "SwitchRow",
]
