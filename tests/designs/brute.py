"""Every design of a site in plain loops over single parts, from the rules, without the planner's own code."""

from bisect import bisect_left
from itertools import product
from math import ceil, erf, exp, inf, pi, sqrt

TEMPS, SIZES = (
    (-3.9, 4.4, 10.0, 15.6, 21.1, 25.0),
    (1.52, 1.30, 1.19, 1.11, 1.04, 1.0),
)  # IEEE 485, from memory
#: Earthed pole and common pole that do not go together.
WRONG_POLES = {("negative", "positive"), ("positive", "negative")}
ICE_C, GRAVITY = (-67.8, -52.2, -26.7, -15.0, -7.2), (1.28, 1.25, 1.20, 1.15, 1.10)  # US Army manual


def line(x, xs, ys):
    """Value at x on the line through points, flat beyond its ends."""
    if x <= xs[0]:
        return ys[0]
    if x >= xs[-1]:
        return ys[-1]
    i = bisect_left(xs, x)
    return ys[i - 1] + (ys[i] - ys[i - 1]) * (x - xs[i - 1]) / (xs[i] - xs[i - 1])


def class_v(battery):
    """Blocks count as multiples of 12 V; single cells of lead as 2 V, of LFP (3.2 V, four to 12 V) as 3 V."""
    return 12 * round(battery.nominal_v / 12) or round(battery.nominal_v)


class Brute:
    """Designs of one site at one voltage, by scalar arithmetic."""

    def __init__(self, inputs, catalogue, volts, settings):
        self.x, self.cat, self.volts, self.s = inputs, catalogue, volts, settings
        damping, rise = inputs.enclosure_damping_k, inputs.enclosure_rise_k
        stores = settings.battery
        self.cold = inputs.temp_air_min_c + (stores.enclosure_damping_k if damping is None else damping)
        self.hot = inputs.temp_air_max_c + (stores.enclosure_rise_k if rise is None else rise)
        self.darkest_first = sorted(range(12), key=lambda month: inputs.poa_wh_m2_day[month])
        self._loads = {}

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

    def kept(self, part):
        """Units of a part that every design with it has."""
        return self.x.units_least.get(part.sku, 0)

    def there(self, part):
        """Units of a part that there are."""
        return self.x.units_most.get(part.sku, inf)

    def blocks_in_series(self, battery):
        return round(self.volts / class_v(battery))

    def setpoint(self, kit, battery, controller):
        """Charge setpoint of a block, None where kit, battery and controller do not go together."""
        n = self.blocks_in_series(battery)
        if n < 1 or n > battery.batteries_series_max or n * class_v(battery) != self.volts:
            return None
        if not all(self.stands(part, self.cold, self.hot) for part in (kit, battery, controller)):
            return None
        if battery.charge_temp_min_c > self.cold and battery.heater_w == 0:
            return None
        ground = self.x.bus_grounding
        if ground not in kit.groundings or (ground, controller.common_terminal) in WRONG_POLES:
            return None
        if not controller.system_voltage_min_v <= self.volts <= controller.system_voltage_max_v:
            return None
        if kit.load_terminal and kit.max_current_a > (controller.load_terminal_max_a or 0.0):
            return None
        cap, least, recommended = controller.charge_max_v, battery.charge_min_v, battery.charge_v
        raised = -battery.temp_compensation_v_per_k * max(0.0, 25.0 - self.cold)
        if not controller.temp_compensated:
            least += raised
            most = battery.charge_max_v + battery.temp_compensation_v_per_k * max(0.0, self.hot - 25.0)
            if least > most + 1e-9:
                return None
            raised, recommended = 0.0, min(max(recommended, least), most)
        setpoint = min(recommended, cap / n)
        if cap > kit.input_max_v:
            setpoint = min(setpoint, kit.input_max_v / n - raised)
        setpoint = max(setpoint, least)
        bottom = n * battery.disconnect_v * (1 - self.s.demand.bus_cable_drop)
        top = min(cap, n * (setpoint + raised))
        if self.s.battery.equalise_required and battery.equalise_v:
            if n * battery.equalise_v > cap + 1e-9:
                return None
            top = max(top, min(cap, n * (battery.equalise_v + raised)))
        fits = kit.input_min_v <= bottom + 1e-9 and top <= kit.input_max_v + 1e-9
        return setpoint if fits and n * least <= cap + 1e-9 else None

    def heat(self, battery, month):
        """Daily energy of the heaters of one string, Wh."""
        keep, least = battery.charge_temp_min_c, battery.temp_min_c
        if keep <= self.cold or keep <= least:
            return 0.0
        spread = max(min(self.x.temp_air_c) - self.cold, 0.0) / 2.5 + 0.5

        def under(base):
            z = (base - self.x.temp_air_c[month]) / spread
            return spread * (z * (1 + erf(z / sqrt(2))) / 2 + exp(-z * z / 2) / sqrt(2 * pi))

        duty = (under(keep) - under(least)) / (keep - least)
        return battery.heater_w * 24 * duty * self.blocks_in_series(battery)

    def loads(self, k, own_w, month, heat=0.0):
        """Day and night load of a kit after other supply, heaters by day, Wh."""
        lit = self.x.day_hours[month]
        day = self.x.day_wh[k][month] + own_w * lit + heat
        night = self.x.night_wh[k][month] + own_w * (24 - lit)
        other = self.x.other_supply_wh_day[month]
        return max(0.0, day - other), max(0.0, night - max(0.0, other - day))

    def loads_by_month(self, k, own_w, battery, heated):
        """The same of all months, with so many heated strings of a battery; computed once."""
        asked = (k, own_w, *((battery.sku, heated) if heated else ()))
        if asked not in self._loads:
            heats = [heated * self.heat(battery, month) if heated else 0.0 for month in range(12)]
            self._loads[asked] = [self.loads(k, own_w, month, heat) for month, heat in enumerate(heats)]
        return self._loads[asked]

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

    def carries(self, k, battery, module, controller, number, series, strings, volts, heated):
        """The array gives the asked share of the load in every month, and refills the reserve in time."""
        each, over = divmod(strings, number)
        own_w, days = controller.own_draw_w * number, self.x.recovery_days_max
        loads = self.loads_by_month(k, own_w, battery, heated)
        cold = self.loads_by_month(k, own_w, battery, 0)
        for month in self.darkest_first:
            day, night = loads[month]
            energy = (number - over) * self.energy(month, module, controller, series, each, volts)
            if over:
                energy += over * self.energy(month, module, controller, series, each + 1, volts)
            need = day + night / battery.round_trip_efficiency
            if energy < self.x.array_to_load_ratio * need - 1e-6:
                return False
            if days is not None:
                used = self.x.autonomy_days * sum(cold[month]) / battery.round_trip_efficiency
                if energy - need < used / days - 1e-6:
                    return False
        return True

    def arrays(self, k, battery, module, controller, number, setpoint):
        """Least strings of every length with one number of controllers, and their least battery."""
        if not self.kept(controller) <= number <= self.there(controller):
            return
        n, air = self.blocks_in_series(battery), (self.x.temp_air_min_c, self.x.temp_air_max_c)
        volts = (battery.nominal_v + setpoint) / 2 * n
        if not self.stands(module, air[0], air[1] + 30):
            return
        wind = self.x.wind_design_m_s
        if wind and module.pressure_max_pa:
            pressure = self.s.array.wind_pressure_coefficient * 1.25 / 2 * wind**2
            if pressure > module.pressure_max_pa:
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
            heated = battery.heater_w > 0 and any(self.heat(battery, month) for month in range(12))
            for fixed in range(1, battery.batteries_parallel_max + 1) if heated else (0,):
                most = min(number * int(amps / bright + 1e-9), self.there(module) // series)
                design = (k, battery, module, controller, number, series)
                strings = self.least(design, volts, most, fixed)
                if strings is None:
                    continue
                blocks = self.storage(*design, strings, volts, fixed)
                limit = min(battery.batteries_parallel_max, self.there(battery) // n)
                if blocks <= min(fixed or limit, limit):
                    yield series, strings, number, fixed or blocks, setpoint
                    break

    def least(self, design, volts, most, heated, first=1):
        """Least strings, of `first` or more, that carry the load and so many heated battery strings.

        None without room.
        """
        module, series = design[2], design[5]
        for strings in range(max(first, ceil(self.kept(module) / series)), int(most) + 1):
            if self.carries(*design, strings, volts, heated):
                area = strings * series * module.length_m * module.width_m
                room = self.x.module_area_max_m2
                return strings if room is None or area <= room + 1e-9 else None
        return None

    def storage(self, k, battery, module, controller, number, series, strings, volts, heated=0):
        """Least battery strings, of which so many are heated."""
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
        own_w = controller.own_draw_w * number
        loads = self.loads_by_month(k, own_w, battery, 0)
        warmed = self.loads_by_month(k, own_w, battery, heated)
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
            (max(night for _, night in warmed), rated * daily),
            (self.x.kits[k].max_current_a, battery.discharge_current_max_a),
            (current, battery.charge_current_max_a),
        )
        kept = ceil(self.kept(battery) / n)
        return max(1, kept, *(ceil(ask / give - 1e-9) if give > 0 else inf for ask, give in asks))
