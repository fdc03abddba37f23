"""A site of the plan, opened up: its rows, its parts, its kit, its loads by month, all counted again."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from planner.referee import store
from planner.referee.kit import Kit, make_kit
from planner.referee.months import Months
from planner.referee.parts import FaultError, Parts
from planner.referee.sky import Plane
from planner.referee.taps import Tap, make_tap
from planner.settings import Settings
from planner.tables.catalogue import (
    BalanceRow,
    BatteryRow,
    ControllerKind,
    ControllerRow,
    ConverterRow,
    ModuleRow,
    SwitchRow,
)
from planner.tables.plan_rows import DESIGN_COUNTS, BillRow, EnergyRow, PortRow, SiteDesignRow
from planner.tables.rows import SiteRow
from planner.units import HOURS_PER_DAY, MONTHS, TEMP_STC_C

BUS_MIN_V_PER_12 = 11.0  # bus at which currents are taken at most, per 12 V (common practice, no source)
CELL_RISE_K = 30.0  # cell above air in full sun, open rack (common practice)


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteRows:
    """What the plan says of a site."""

    design: SiteDesignRow
    lines: Sequence[BillRow]
    ports: Sequence[PortRow]
    energy: Sequence[EnergyRow]

    @property
    def bill(self) -> dict[str, int]:
        """Units of each SKU at the site."""
        return {line.sku: line.quantity for line in self.lines}


@dataclass(frozen=True, kw_only=True)
class SiteCase:
    """A planned site with what the rules weigh.

    Lists run over the twelve months; energies are Wh a day at the bus.
    """

    site: SiteRow
    rows: SiteRows
    parts: Parts
    settings: Settings
    months: Months
    taps: Sequence[Tap]
    kit: Kit
    module: ModuleRow
    battery: BatteryRow
    controller: ControllerRow
    mount: BalanceRow
    enclosure: BalanceRow

    @property
    def id(self) -> str:
        """The site's key."""
        return self.site.site_id

    @property
    def design(self) -> SiteDesignRow:
        """Its row of `site_designs`."""
        return self.rows.design

    @property
    def switches(self) -> dict[str, int]:
        """Switches of its bill."""
        return {s: n for s, n in self.rows.bill.items() if isinstance(self.parts.by_sku[s], SwitchRow)}

    @property
    def pwm(self) -> bool:
        """Whether the controller joins array and battery directly."""
        return self.controller.kind is ControllerKind.PWM

    @property
    def damping_k(self) -> float:
        """How far the inside of the enclosure stays above the lowest air."""
        own = self.site.enclosure_damping_k
        return self.settings.battery.enclosure_damping_k if own is None else own

    @property
    def coldest_c(self) -> float:
        """Coldest hour inside the enclosure."""
        return self.months.temp_min_c + self.damping_k

    @property
    def rise_k(self) -> float:
        """How far the enclosure is above the air."""
        own = self.site.enclosure_rise_k
        return self.settings.battery.enclosure_rise_k if own is None else own

    @property
    def hottest_c(self) -> float:
        """Hottest hour inside the enclosure."""
        return self.months.temp_max_c + self.rise_k

    @property
    def wind_m_s(self) -> float | None:
        """Gust to stand."""
        own = self.site.wind_design_m_s
        return self.settings.policy.wind_design_m_s if own is None else own

    @property
    def autonomy_days(self) -> float:
        """Days of load that the battery is asked to carry."""
        own = self.site.autonomy_days
        return self.settings.policy.autonomy_days if own is None else own

    @property
    def ratio(self) -> float:
        """Array energy asked over load."""
        own = self.site.array_to_load_ratio
        return self.settings.policy.array_to_load_ratio if own is None else own

    @property
    def recovery_days_max(self) -> float | None:
        """Days in which the reserve is to be refilled."""
        own = self.site.recovery_days_max
        return self.settings.policy.recovery_days_max if own is None else own

    @property
    def plane(self) -> Plane:
        """The array's plane."""
        return Plane(
            latitude_deg=self.site.latitude_deg,
            tilt_deg=self.design.surface_tilt_deg,
            azimuth_deg=self.design.surface_azimuth_deg,
            horizon=self.parts.horizon.get(self.id, ()),
        )

    @property
    def modules(self) -> int:
        """Modules of the array."""
        return self.design.modules_series * self.design.modules_parallel

    @property
    def blocks(self) -> int:
        """Battery blocks."""
        return self.design.batteries_series * self.design.batteries_parallel

    @property
    def current_bus_v(self) -> float:
        """Bus at which load currents are taken."""
        return min(BUS_MIN_V_PER_12 * self.design.system_voltage_v / 12.0, self.design.bus_lowest_v)

    @property
    def load_a(self) -> float:
        """Greatest load current."""
        return self.kit.max_w / self.current_bus_v

    @property
    def surge_a(self) -> float:
        """The same for seconds, while the device of the largest inrush starts."""
        return (self.kit.max_w + self.kit.inrush_w) / self.current_bus_v

    @property
    def setpoint_v(self) -> float:
        """Charge setpoint of a block at 25 C."""
        return self.design.charge_setpoint_v / self.design.batteries_series

    @property
    def charging_v(self) -> float:
        """Mean voltage of a string while charging: midway between nominal and setpoint."""
        return (self.battery.nominal_v + self.setpoint_v) / 2.0 * self.design.batteries_series

    @property
    def rated_wh(self) -> float:
        """Rated energy of all blocks."""
        return self.battery.capacity_ah * self.battery.nominal_v * self.blocks

    @property
    def strings_each(self) -> list[int]:
        """Strings on each controller."""
        each, over = divmod(self.design.modules_parallel, self.design.controllers)
        return [each + (i < over) for i in range(self.design.controllers)]

    @property
    def array_left(self) -> float:
        """What soiling, mismatch, wiring and ageing leave of the array's energy."""
        s = self.settings.array
        return (1 - s.soiling_loss) * (1 - s.mismatch_loss) * (1 - s.wiring_loss) * (1 - s.ageing_loss)

    @cached_property
    def usable_wh(self) -> float:
        """Energy in the coldest spell at the end of life."""
        s = self.settings.battery
        factor = (
            store.size_factor(self.battery, self.months.temp_cold_spell_c) if s.temperature_derating else 1.0
        )
        return self.rated_wh * store.depth(self.battery, self.coldest_c) * s.end_of_life_share / factor

    @cached_property
    def heat_wh(self) -> list[float]:
        """What the heaters of all blocks draw."""
        each = store.heater_wh(self.battery, self.coldest_c, self.months.temp_air_c)
        return [self.blocks * wh for wh in each]

    @cached_property
    def loads_wh(self) -> list[tuple[float, float]]:
        """Load by day and by night, controllers' draw and margin included, heaters not."""
        margin, own = 1.0 + self.settings.policy.load_margin, self.kit.own_w
        draw_w = self.design.controllers * self.controller.own_draw_w
        means, loads = self.kit.means(), []
        for m in range(MONTHS):
            lit = self.months.day_hours[m]
            day, night = own * lit, own * (HOURS_PER_DAY - lit)
            for schedule, watts in means.items():
                by_day, by_night = self._hours(schedule, m)
                day, night = day + watts * by_day, night + watts * by_night
            loads.append((margin * day + draw_w * lit, margin * night + draw_w * (HOURS_PER_DAY - lit)))
        return loads

    def _hours(self, schedule: str, m: int) -> tuple[float, float]:
        """Hours that a schedule is on with the sun up, and down."""
        lit = self.months.day_hours[m]
        if schedule in ("always", "day", "night"):
            return (0.0 if schedule == "night" else lit), (0.0 if schedule == "day" else HOURS_PER_DAY - lit)
        row = self.parts.schedules[schedule]
        up = on = 0.0
        for hour in range(24):
            share = getattr(row, f"h{hour:02d}")
            if share:
                on += share
                up += share * max(0.0, min(hour + 1.0, 12.0 + lit / 2) - max(hour, 12.0 - lit / 2))
        factor = getattr(row, f"m{m + 1:02d}")
        return factor * up, factor * (on - up)

    @cached_property
    def net_wh(self) -> list[tuple[float, float]]:
        """Day and night load less other supply, heaters at work by day."""
        return [self._net(m, self.heat_wh[m]) for m in range(MONTHS)]

    @cached_property
    def rested_wh(self) -> list[float]:
        """Load of a day less other supply while the reserve is used: heaters rest."""
        return [sum(self._net(m, 0.0)) for m in range(MONTHS)]

    def _net(self, m: int, heat_wh: float) -> tuple[float, float]:
        """Other supply serves the day first, then the night."""
        day, night = self.loads_wh[m]
        left = day + heat_wh - self.months.other_supply_wh[m]
        return max(left, 0.0), max(night + min(left, 0.0), 0.0)

    @cached_property
    def need_wh(self) -> list[float]:
        """What the array must bring for the load alone: the night's part passes the battery."""
        return [day + night / self.battery.round_trip_efficiency for day, night in self.net_wh]


def open_case(site: SiteRow, rows: SiteRows, parts: Parts, settings: Settings, months: Months) -> SiteCase:
    """A site with its parts and kit.

    Raises
    ------
    FaultError
        The plan names what is not there, or counts that cannot be.
    """
    design = rows.design
    for name in DESIGN_COUNTS:
        if getattr(design, name) < 1:
            raise FaultError(f"{name} is {getattr(design, name)}")
    if min(design.system_voltage_v, design.charge_setpoint_v, design.bus_lowest_v) <= 0:
        raise FaultError("the bus has no voltage")
    if [row.month for row in rows.energy] != list(range(1, MONTHS + 1)):
        raise FaultError("the energy balance does not have each month once")
    for sku, quantity in rows.bill.items():
        if sku not in parts.by_sku:
            raise FaultError(f"{sku!r} is in no table of the catalogue")
        if quantity < 1:
            raise FaultError(f"the bill has {quantity} of {sku!r}")
    taps = [make_tap(row, parts, settings, design.bus_lowest_v) for row in rows.ports if row.role == "power"]
    return SiteCase(
        site=site,
        rows=rows,
        parts=parts,
        settings=settings,
        months=months,
        taps=taps,
        kit=make_kit(taps, _modules(rows, parts), rows.bill, design.feeds, parts, settings),
        module=parts.part(design.module_sku, ModuleRow),
        battery=parts.part(design.battery_sku, BatteryRow),
        controller=parts.part(design.controller_sku, ControllerRow),
        mount=parts.part(design.mount_sku, BalanceRow),
        enclosure=parts.part(design.enclosure_sku, BalanceRow),
    )


def _modules(rows: SiteRows, parts: Parts) -> dict[tuple[str, int], list[ConverterRow]]:
    """SFP modules in each switch."""
    found: dict[tuple[str, int], list[ConverterRow]] = {}
    for row in rows.ports:
        if row.role in ("uplink", "link") and row.via_sku:
            key = row.switch_sku, row.switch_unit or 0
            found.setdefault(key, []).append(parts.part(row.via_sku, ConverterRow))
    return found


def warm_share(gamma_pmp_per_k: float, temp_cell_c: float) -> float:
    """Power at a cell temperature over that at 25 C."""
    return max(0.0, 1.0 + gamma_pmp_per_k * (temp_cell_c - TEMP_STC_C))
