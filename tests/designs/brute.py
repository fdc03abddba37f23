"""Every design of a site in plain loops over single parts, from the rules, without the planner's own code."""

from bisect import bisect_left
from itertools import product
from math import ceil, inf

TEMPS, SIZES = (
    (-3.9, 4.4, 10.0, 15.6, 21.1, 25.0),
    (1.52, 1.30, 1.19, 1.11, 1.04, 1.0),
)  # IEEE 485, from memory
ICE_C, GRAVITY = (-67.8, -52.2, -26.7, -15.0, -7.2), (1.28, 1.25, 1.20, 1.15, 1.10)  # US Army manual


def line(x, xs, ys):
    """Value at x on the line through points, flat beyond its ends."""
    if x <= xs[0]:
        return ys[0]
    if x >= xs[-1]:
        return ys[-1]
    i = bisect_left(xs, x)
    return ys[i - 1] + (ys[i] - ys[i - 1]) * (x - xs[i - 1]) / (xs[i] - xs[i - 1])


class Brute:
    """Designs of one site at one voltage, by scalar arithmetic."""

    def __init__(self, inputs, catalogue, volts, settings):
        self.x, self.cat, self.volts, self.s = inputs, catalogue, volts, settings
        self.cold = inputs.temp_air_min_c + settings.battery.enclosure_damping_k
        self.hot = inputs.temp_air_max_c + settings.battery.enclosure_rise_k

    def designs(self):
        """(kit, battery, module, controller) to (series, strings, controllers, blocks, setpoint) rows."""
        found = {}
        parts = product(
            enumerate(self.x.kits), enumerate(self.cat.batteries), enumerate(self.cat.modules),
            enumerate(self.cat.controllers),
        )  # fmt: skip
        for (k, kit), (b, battery), (m, module), (c, controller) in parts:
            setpoint = self.setpoint(kit, battery, controller)
            if setpoint is None:
                continue
            rows = [
                row
                for number in range(1, (1 if kit.load_terminal else self.s.policy.controllers_max) + 1)
                for row in self.arrays(k, battery, module, controller, number, setpoint)
            ]
            if rows:
                found[k, b, m, c] = rows
        return found

    def stands(self, part, low, high):
        return part.temp_min_c <= low and part.temp_max_c >= high

    def blocks_in_series(self, battery):
        return round(self.volts / (12 * round(battery.nominal_v / 12)))

    def setpoint(self, kit, battery, controller):
        """Charge setpoint of a block, None where kit, battery and controller do not go together."""
        n = self.blocks_in_series(battery)
        if n < 1 or n > battery.batteries_series_max or n * 12 * round(battery.nominal_v / 12) != self.volts:
            return None
        if not all(self.stands(part, self.cold, self.hot) for part in (kit, battery, controller)):
            return None
        if battery.charge_temp_min_c > self.cold:
            return None
        if not controller.system_voltage_min_v <= self.volts <= controller.system_voltage_max_v:
            return None
        if kit.load_terminal and kit.max_current_a > (controller.load_terminal_max_a or 0.0):
            return None
        if battery.temp_compensation_v_per_k < 0 and not controller.temp_compensated:
            return None
        cap = controller.charge_max_v
        raised = -battery.temp_compensation_v_per_k * max(0.0, 25.0 - self.cold)
        setpoint = min(battery.charge_v, cap / n)
        if cap > kit.input_max_v:
            setpoint = min(setpoint, kit.input_max_v / n - raised)
        setpoint = max(setpoint, battery.charge_min_v)
        bottom = n * battery.disconnect_v * (1 - self.s.demand.bus_cable_drop)
        top = min(cap, n * (setpoint + raised))
        fits = kit.input_min_v <= bottom + 1e-9 and top <= kit.input_max_v + 1e-9
        return setpoint if fits and n * battery.charge_min_v <= cap + 1e-9 else None

    def loads(self, k, own_w, month):
        """Day and night load of a kit after other supply, Wh."""
        lit = self.x.day_hours[month]
        day = self.x.day_wh[k][month] + own_w * lit
        night = self.x.night_wh[k][month] + own_w * (24 - lit)
        other = self.x.other_supply_wh_day[month]
        return max(0.0, day - other), max(0.0, night - max(0.0, other - day))

    def energy(self, month, module, controller, series, strings, volts):
        """Energy at the bus behind one controller, Wh."""
        factor = controller.efficiency
        a = self.s.array
        for loss in (a.soiling_loss, a.mismatch_loss, a.wiring_loss, a.ageing_loss):
            factor *= 1 - loss
        if controller.kind == "pwm":
            return module.i_mp_a * strings * volts * self.x.poa_wh_m2_day[month] / 1000 * factor
        warm = 1 + module.gamma_pmp_per_k * (self.x.temp_cell_c[month] - 25)
        power = module.nameplate_w * series * strings * warm * factor
        if power == 0:
            return 0.0
        limit = 1000 * controller.output_max_a * volts / power
        grid = (0.0, *self.x.clip_irradiance_w_m2)
        return power * line(limit, grid, (0.0, *self.x.poa_clipped_wh_m2_day[month])) / 1000

    def carries(self, k, battery, module, controller, number, series, strings, volts):
        """The array gives the asked share of the load in every month."""
        each, over = divmod(strings, number)
        for month in range(12):
            day, night = self.loads(k, controller.own_draw_w * number, month)
            energy = over * self.energy(month, module, controller, series, each + 1, volts)
            energy += (number - over) * self.energy(month, module, controller, series, each, volts)
            need = self.x.array_to_load_ratio * (day + night / battery.round_trip_efficiency)
            if energy < need - 1e-6:
                return False
        return True

    def arrays(self, k, battery, module, controller, number, setpoint):
        """Least strings of every length with one number of controllers, and their least battery."""
        n, air = self.blocks_in_series(battery), (self.x.temp_air_min_c, self.x.temp_air_max_c)
        volts = (battery.nominal_v + setpoint) / 2 * n
        if not self.stands(module, *air):
            return
        bright = module.i_sc_a * self.s.array.irradiance_factor_isc
        amps = controller.pv_input_max_a
        if controller.kind == "pwm":
            amps = min(amps, controller.output_max_a)
        for series in range(1, 25):
            cold = series * module.v_oc_v * (1 + module.beta_voc_per_k * (air[0] - 25))
            hot = series * module.v_mp_v * (1 + module.gamma_pmp_per_k * max(0.0, air[1] + 30 - 25))
            if cold > min(controller.pv_input_max_v, module.system_voltage_max_v):
                break
            if hot - controller.headroom_v < n * setpoint - 1e-9:
                continue
            for strings in range(1, number * int(amps / bright + 1e-9) + 1):
                if self.carries(k, battery, module, controller, number, series, strings, volts):
                    area = strings * series * module.length_m * module.width_m
                    if self.x.module_area_max_m2 is None or area <= self.x.module_area_max_m2 + 1e-9:
                        blocks = self.storage(k, battery, module, controller, number, series, strings, volts)
                        if blocks <= battery.batteries_parallel_max:
                            yield series, strings, number, blocks, setpoint
                    break

    def storage(self, k, battery, module, controller, number, series, strings, volts):
        """Least battery strings."""
        n = self.blocks_in_series(battery)
        lead = battery.chemistry != "lfp"
        rated = battery.capacity_ah * battery.nominal_v * n
        size, depth = 1.0, battery.depth_of_discharge_max
        if lead:
            if self.s.battery.temperature_derating:
                size = line(self.x.temp_cold_spell_c, TEMPS, SIZES)
                size += max(0.0, -3.9 - self.x.temp_cold_spell_c) * (1.52 - 1.30) / (4.4 + 3.9)
            charge = (line(self.cold, ICE_C, GRAVITY) - 1.16) / 0.12
            depth = min(depth, 1 - min(1.0, max(0.0, charge)))
        usable = rated * depth * self.s.battery.end_of_life_share / size
        loads = [self.loads(k, controller.own_draw_w * number, month) for month in range(12)]
        daily = self.s.battery.daily_depth_max_lead_acid if lead else self.s.battery.daily_depth_max_lfp
        each, over = divmod(strings, number)
        if controller.kind == "pwm":
            current = module.i_sc_a * strings
        else:
            one = module.nameplate_w * series / volts
            top = controller.output_max_a
            current = over * min((each + 1) * one, top) + (number - over) * min(each * one, top)
        asks = (
            (self.x.autonomy_days * max(day + night for day, night in loads), usable),
            (max(night for _, night in loads), rated * daily),
            (self.x.kits[k].max_current_a, battery.discharge_current_max_a),
            (current, battery.charge_current_max_a),
        )
        return max(1, *(ceil(ask / give - 1e-9) if give > 0 else inf for ask, give in asks))
