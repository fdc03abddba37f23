"""A whole plan rechecked from its own tables and the scenario's: kit, bus, battery, controller, array, mount.

Shared with the planner are parsed tables, and the sites' climate and irradiation of the plane; kits are
rechecked by `tests.plan.recheck`, the physics of heaters, loads and arrays by `tests.designs.brute`.
"""

from collections import Counter
from collections.abc import Mapping
from math import ceil, inf
from types import SimpleNamespace

from planner.climate import day_hours, lit_fraction
from planner.plan import Plan
from planner.scenario import Scenario
from planner.site_climates import site_conditions, site_planes
from planner.tables.plan_rows import PLAN_TABLES, PlanRow, SiteDesignRow
from planner.tables.rows import SiteRow
from tests.designs.brute import WRONG_POLES, Brute, class_v
from tests.plan.recheck import TOL, Kit, Recheck, inrush

LOOSE = 0.02  # of volts and amperes that the plan rounds to the second digit


def broken(scenario: Scenario, plan: Plan) -> list[str]:
    """What breaks a rule in a plan, in words; nothing in a good one."""
    sky = Sky(scenario, sorted(set(plan.tables["site_designs"]["surface_tilt_deg"])))
    rows = {
        name: by_site(name, plan)
        for name in ("site_designs", "bill_of_materials", "port_assignments", "energy_balance")
    }
    wrong = []
    for i, site in enumerate(scenario.tables.sites):
        if site.site_id in rows["site_designs"]:
            of_site = {name: found.get(site.site_id, []) for name, found in rows.items()}
            wrong += SiteCheck(scenario, sky, i, of_site).run()
        elif site.site_id not in plan.unserved:
            wrong.append(f"{site.site_id}: neither planned nor unserved")
    return wrong


def by_site(name: str, plan: Plan) -> dict[str, list[PlanRow]]:
    """Rows of a table of the plan by site."""
    columns, found = plan.tables[name], {}
    for values in zip(*columns.values(), strict=True):
        row = PLAN_TABLES[name].model_validate(dict(zip(columns, values, strict=True)))
        found.setdefault(row.site_id, []).append(row)
    return found


class Sky:
    """Climate of the sites, and their planes at the tilts of the plan."""

    def __init__(self, scenario: Scenario, tilts: list[float]) -> None:
        found = site_conditions(scenario)
        self.climate, latitude = found.climate, found.arrays.latitude_deg
        self.plane = site_planes(found, tilts) if tilts else None
        self.tilts = tilts
        self.lit, self.light = day_hours(latitude), lit_fraction(latitude)


class SiteCheck:
    """One site of a plan."""

    def __init__(self, scenario: Scenario, sky: Sky, i: int, rows: Mapping[str, list]) -> None:
        self.scenario, self.sky, self.i, self.rows = scenario, sky, i, rows
        self.s = scenario.settings
        self.site: SiteRow = scenario.tables.sites[i]
        self.design: SiteDesignRow = rows["site_designs"][0]
        tables, design = scenario.tables, self.design
        self.module = next(row for row in tables.modules if row.sku == design.module_sku)
        self.battery = next(row for row in tables.batteries if row.sku == design.battery_sku)
        self.controller = next(row for row in tables.controllers if row.sku == design.controller_sku)
        climate = sky.climate
        self.air = float(climate.temp_air_min_c[i]), float(climate.temp_air_max_c[i])
        self.damping = self.own("enclosure_damping_k", self.s.battery.enclosure_damping_k)
        self.cold = self.air[0] + self.damping
        self.hot = self.air[1] + self.own("enclosure_rise_k", self.s.battery.enclosure_rise_k)
        self.wrong: list[str] = []

    def own(self, name: str, default):
        value = getattr(self.site, name)
        return default if value is None else value

    def expect(self, holds: bool, sentence: str) -> None:
        if not holds:
            self.wrong.append(f"{self.site.site_id}: {sentence}")

    def run(self) -> list[str]:
        rows = self.rows
        self.bus_v = self.bus()
        tables = rows["port_assignments"], rows["bill_of_materials"]
        kit = Recheck(self.scenario, self.site, self.design, *tables, self.bus_v, self.hot).run()
        self.wrong += kit.wrong
        self.bill(kit)
        self.temperatures(kit)
        self.array()
        self.currents(kit)
        self.energy(kit)
        self.housing(kit)
        return self.wrong

    def bus(self) -> tuple[float, float]:
        """Lowest and highest voltage at a box; setpoint in the maker's range and the controller's."""
        b, c, d = self.battery, self.controller, self.design
        n = d.batteries_series
        self.expect(d.system_voltage_v in self.voltages(), f"has a bus of {d.system_voltage_v} V")
        self.expect(
            n * class_v(b) == d.system_voltage_v and n <= b.batteries_series_max,
            f"{n} x {b.sku}",
        )
        self.expect(
            c.system_voltage_min_v <= d.system_voltage_v <= c.system_voltage_max_v, f"{c.sku} on the bus"
        )
        setpoint, slope = d.charge_setpoint_v / n, -b.temp_compensation_v_per_k
        raise_v, fall_v = slope * max(0.0, 25 - self.cold), slope * max(0.0, self.hot - 25)
        if c.temp_compensated:
            low, high, follows = b.charge_min_v, b.charge_max_v, raise_v
        else:
            low, high, follows = b.charge_min_v + raise_v, b.charge_max_v - fall_v, 0.0
        self.expect(
            low - LOOSE <= setpoint <= high + LOOSE, f"charges {b.sku} at {setpoint:.2f} V of {low}-{high} V"
        )
        self.expect(n * setpoint <= c.charge_max_v + LOOSE, f"{c.sku} does not make {n * setpoint:.2f} V")
        top = min(c.charge_max_v, n * (setpoint + follows))
        if d.equalise_v is not None:
            self.expect(
                abs(d.equalise_v - n * (b.equalise_v or 0)) < LOOSE, f"equalises {b.sku} at {d.equalise_v} V"
            )
            self.expect(d.equalise_v <= c.charge_max_v + LOOSE, f"{c.sku} does not make {d.equalise_v} V")
            top = max(top, min(c.charge_max_v, d.equalise_v + n * follows))
        elif b.equalise_v and self.s.battery.equalise_required:
            self.expect(False, "does not equalise")
        bottom = n * b.disconnect_v * (1 - self.s.demand.bus_cable_drop)
        self.expect(abs(d.bus_low_v - bottom) < LOOSE and abs(d.bus_high_v - top) < n * LOOSE,
                    f"bus {d.bus_low_v}-{d.bus_high_v} V is {bottom:.2f}-{top:.2f} V")  # fmt: skip
        return bottom, top - n * 0.005  # the setpoint is rounded

    def voltages(self) -> tuple[int, ...]:
        own = self.site.system_voltage_v
        return self.s.policy.system_voltages_v if own is None else (own,)

    def bill(self, kit: Kit) -> None:
        """The bill is the kit, the design's parts, and nothing else."""
        d, asked = self.design, Counter(kit.units)
        for sku, number in (
            (d.module_sku, d.modules_series * d.modules_parallel), (d.controller_sku, d.controllers),
            (d.battery_sku, d.batteries_series * d.batteries_parallel), (d.mount_sku, d.mounts),
            (d.enclosure_sku, d.enclosures),
        ):  # fmt: skip
            asked[sku] += number
        bill = Counter({row.sku: row.quantity for row in self.rows["bill_of_materials"]})
        self.expect(+asked == bill, f"needs {+asked}, buys {bill}")

    def temperatures(self, kit: Kit) -> None:
        for box in (*kit.boxes, self.battery, self.controller):
            span = f"{box.temp_min_c} to {box.temp_max_c}"
            low = box.temp_min_c <= self.cold + TOL
            self.expect(
                low and box.temp_max_c >= self.hot - TOL,
                f"{box.sku} of {span} C at {self.cold} to {self.hot}",
            )
        b, m = self.battery, self.module
        self.expect(
            b.charge_temp_min_c <= self.cold or b.heater_w > 0, f"{b.sku} is charged at {self.cold} C"
        )
        stands = m.temp_min_c <= self.air[0] and m.temp_max_c >= self.air[1] + 30
        self.expect(stands, f"{m.sku} at {self.air} C")

    def array(self) -> None:
        """String voltages cold and hot, currents of the input, wind and room."""
        d, m, c = self.design, self.module, self.controller
        cold = d.modules_series * m.v_oc_v * (1 + m.beta_voc_per_k * (self.air[0] - 25))
        self.expect(
            cold <= min(c.pv_input_max_v, m.system_voltage_max_v) + 1e-6,
            f"cold string of {cold:.1f} V on {c.sku}",
        )
        hot = d.modules_series * m.v_mp_v * (1 + m.gamma_pmp_per_k * max(0.0, self.air[1] + 30 - 25))
        self.expect(
            hot - c.headroom_v >= d.charge_setpoint_v - LOOSE, f"hot string of {hot:.1f} V on {c.sku}"
        )
        strings = ceil(d.modules_parallel / d.controllers)
        amps = strings * m.i_sc_a * self.s.array.irradiance_factor_isc
        limit = min(c.pv_input_max_a, c.output_max_a) if c.kind == "pwm" else c.pv_input_max_a
        self.expect(amps <= limit + 1e-6, f"{amps:.2f} A into {c.sku}")
        self.expect(d.controllers <= self.s.policy.controllers_max, f"{d.controllers} controllers")
        self.expect(
            (self.site.bus_grounding, c.common_terminal) not in WRONG_POLES, f"{c.sku} on an earthed bus"
        )
        area, room = (
            d.modules_series * d.modules_parallel * m.length_m * m.width_m,
            self.site.module_area_max_m2,
        )
        self.expect(room is None or area <= room + 1e-6, f"{area:.2f} m2 of modules")

    def currents(self, kit: Kit) -> None:
        """Discharge, charge, and the load terminals of a controller without a disconnect."""
        d, b, c, m = self.design, self.battery, self.controller, self.module
        load_a = sum(draw.most_w for draw in kit.draws) / self.bus_v[0]
        self.expect(
            load_a <= b.discharge_current_max_a * d.batteries_parallel + TOL, f"{load_a:.2f} A from {b.sku}"
        )
        if d.load_disconnect != "its own box":
            self.expect(d.controllers == 1, "load terminals of several controllers")
            self.expect(load_a <= (c.load_terminal_max_a or 0.0) + TOL, f"{load_a:.2f} A through {c.sku}")
            starts = load_a + inrush(kit.draws) / self.bus_v[0]
            self.expect(starts <= (c.load_terminal_surge_a or inf) + TOL, f"{starts:.2f} A for seconds")
        each, more = divmod(d.modules_parallel, d.controllers)
        volts = self.charging_v()
        one = m.i_sc_a if c.kind == "pwm" else m.nameplate_w * d.modules_series / volts
        charge_a = sum(min(n * one, c.output_max_a if c.kind == "mppt" else inf)
                       for n in [each + 1] * more + [each] * (d.controllers - more))  # fmt: skip
        most = b.charge_current_max_a * d.batteries_parallel
        self.expect(charge_a <= most * (1 + 1e-3), f"charges {b.sku} with {charge_a:.2f} A of {most:.2f} A")
        self.expect(
            d.batteries_parallel <= b.batteries_parallel_max, f"{d.batteries_parallel} strings of {b.sku}"
        )

    def charging_v(self) -> float:
        return (self.battery.nominal_v * self.design.batteries_series + self.design.charge_setpoint_v) / 2

    def energy(self, kit: Kit) -> None:
        """Load by month, array energy, ratio, recovery, autonomy and daily depth, worked out anew."""
        d, b, t = self.design, self.battery, self.sky.tilts.index(self.design.surface_tilt_deg)
        plane, i = self.sky.plane, self.i
        day, night = zip(*(self.load(kit, month) for month in range(12)), strict=True)
        x = SimpleNamespace(
            temp_air_min_c=self.air[0], temp_air_max_c=self.air[1], temp_air_c=self.sky.climate.temp_air_c[i],
            temp_cold_spell_c=float(self.sky.climate.temp_cold_spell_c[i]), day_hours=self.sky.lit[i],
            poa_wh_m2_day=plane.poa_wh_m2_day[i, :, t],
            poa_clipped_wh_m2_day=plane.poa_clipped_wh_m2_day[i, :, t],
            clip_irradiance_w_m2=plane.clip_irradiance_w_m2, temp_cell_c=plane.temp_cell_c[i, :, t],
            day_wh=[day], night_wh=[night], other_supply_wh_day=self.other(),
            autonomy_days=self.own("autonomy_days", self.s.policy.autonomy_days),
            array_to_load_ratio=self.own("array_to_load_ratio", self.s.policy.array_to_load_ratio),
            recovery_days_max=self.own("recovery_days_max", self.s.policy.recovery_days_max),
            enclosure_damping_k=self.site.enclosure_damping_k, enclosure_rise_k=self.site.enclosure_rise_k,
            units_least={}, units_most={}, kits=[SimpleNamespace(max_current_a=0.0)],
        )  # fmt: skip
        # What the plan rounds must not fail it: a thousandth of the ratio, the days and the load.
        brute = Brute(x, None, d.system_voltage_v, self.s)
        heated = d.batteries_parallel if b.heater_w else 0
        own_w = self.controller.own_draw_w * d.controllers
        for month, row in enumerate(sorted(self.rows["energy_balance"], key=lambda row: row.month)):
            load = day[month] + night[month] + 24 * own_w + heated * brute.heat(b, month)
            close = abs(row.load_wh_day - load) <= 0.06 + 1e-3 * load
            self.expect(
                close or (not kit.exact and load <= row.load_wh_day <= 1.1 * load),
                f"{load:.1f} Wh, not {row.load_wh_day}",
            )
            self.expect(abs(row.poa_wh_m2_day - x.poa_wh_m2_day[month]) < 0.1, f"plane in month {month + 1}")
        series = (d.modules_series, d.modules_parallel, self.charging_v())
        kept = SimpleNamespace(**vars(x))
        kept.array_to_load_ratio *= 1 - 1e-3
        kept.recovery_days_max = x.recovery_days_max and x.recovery_days_max * 1.01
        parts = (0, b, self.module, self.controller, d.controllers)
        loose = Brute(kept, None, d.system_voltage_v, self.s)
        self.expect(
            loose.carries(*parts, *series, heated), "the array does not carry a month, or refills late"
        )
        kept.autonomy_days = x.autonomy_days * (1 - 1e-3)
        dry = SimpleNamespace(nameplate_w=0.0, i_sc_a=0.0)  # charge is checked by itself
        need = loose.storage(0, b, dry, self.controller, d.controllers, *series, heated)
        self.expect(
            need <= d.batteries_parallel, f"{d.batteries_parallel} strings of {b.sku}, {need} are needed"
        )

    def other(self) -> list[float]:
        other = [0.0] * 12
        for row in self.scenario.tables.site_months:
            if row.site_id == self.site.site_id:
                other[row.month - 1] = row.other_supply_wh_day or 0.0
        return other

    def load(self, kit: Kit, month: int) -> tuple[float, float]:
        """Load of the kit by day and by night, Wh, margin included."""
        lit = float(self.sky.lit[self.i, month])
        day = night = 0.0
        for draw in kit.draws:
            for name, watts in (("always", draw.own_w), *draw.on_w):
                by_day, by_night = self.hours(name, month, lit)
                day, night = day + watts * by_day, night + watts * by_night
        grown = 1 + self.s.policy.load_margin
        return day * grown, night * grown

    def hours(self, name: str, month: int, lit: float) -> tuple[float, float]:
        if name in ("always", "day", "night"):
            return (0.0 if name == "night" else lit), (0.0 if name == "day" else 24 - lit)
        row = next(row for row in self.scenario.tables.schedules if row.schedule == name)
        factor = getattr(row, f"m{month + 1:02d}")
        light = self.sky.light[self.i, month]
        on = [getattr(row, f"h{hour:02d}") * factor for hour in range(24)]
        by_day = sum(on[hour] * float(light[hour]) for hour in range(24))
        return by_day, sum(on) - by_day

    def housing(self, kit: Kit) -> None:
        """Mounts carry the modules at the tilt and in the wind; enclosures hold the boxes, damp the cold."""
        d, m = self.design, self.module
        balance = {row.sku: row for row in self.scenario.tables.balance}
        mount, box = balance[d.mount_sku], balance[d.enclosure_sku]
        each = int(
            min(
                mount.module_area_max_m2 / (m.length_m * m.width_m),
                (mount.weight_max_kg or inf) / m.weight_kg,
            )
            + 1e-9
        )
        self.expect(each * d.mounts >= d.modules_series * d.modules_parallel, f"{d.mounts} x {mount.sku}")
        self.expect(
            mount.tilt_min_deg <= d.surface_tilt_deg <= mount.tilt_max_deg,
            f"{mount.sku} at {d.surface_tilt_deg}",
        )
        gust = self.own("wind_design_m_s", self.s.policy.wind_design_m_s)
        self.expect(not gust or gust <= (mount.wind_max_m_s or inf), f"{mount.sku} in {gust} m/s")
        litres = sum(
            one.volume_l for one in kit.boxes if getattr(one, "kind", "") not in ("sfp_module", "poe_adapter")
        )
        litres += d.controllers * self.controller.volume_l
        litres += d.batteries_series * d.batteries_parallel * self.battery.volume_l
        self.expect(
            litres <= d.enclosures * box.volume_max_l + 1e-6, f"{litres:.1f} l in {d.enclosures} x {box.sku}"
        )
        self.expect(box.damping_k is None or box.damping_k >= self.damping, f"{box.sku} damps too little")
