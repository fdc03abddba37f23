"""The cheapest plan of one or two small sites over a whole catalogue, by loops over single parts.

Written from the rules, without the planner's enumeration: kits of profiles with at most one device on a
switch, arrays and batteries by `tests.designs.brute`, every tilt that some mount takes, mounts, enclosures,
price tiers. Shared with the planner are parsed tables and a site's irradiation at each tilt and temperatures.
Designs are skipped only where a bound on their cost, at the least price of every part, exceeds a budget.
"""

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from decimal import ROUND_HALF_UP, Decimal
from itertools import product
from math import ceil, floor, inf
from types import SimpleNamespace

from planner.designs import SiteInputs
from planner.scenario import Scenario
from tests.designs import builders
from tests.designs.brute import Brute
from tests.plan.brute_kits import kits

CENT = Decimal("0.01")
STEP_W = 0.5  # between the loads for which the least cost of other parts is known
#: A kit that asks for nothing but its load.
BARE = builders.kit(
    max_current_a=0.0, volume_l=0.0, input_min_v=0.0, input_max_v=inf, temp_min_c=-inf, temp_max_c=inf
)

NO_MODULE = SimpleNamespace(nameplate_w=0.0, i_sc_a=0.0)  # asks nothing of a battery, for bounds


class Shop:
    """Prices of the day in the scenario's currency: for each SKU its suppliers' tiers, packs and stock."""

    def __init__(self, scenario: Scenario) -> None:
        tables, day = scenario.tables, scenario.settings.plan_date
        rates = {row.currency: row.rate for row in tables.fx} | {scenario.settings.currency: Decimal(1)}
        self.tiers: dict[str, dict[str, list[tuple[int, Decimal, str]]]] = {}
        for row in tables.prices:
            if (row.valid_from or day) <= day <= (row.valid_to or day):
                price = (row.unit_price * rates[row.currency]).quantize(CENT, ROUND_HALF_UP)
                tiers = self.tiers.setdefault(row.sku, {}).setdefault(row.supplier, [])
                tiers.append((row.min_qty, price, row.tier_kind))
        self.terms = {(row.sku, row.supplier): row for row in tables.stock}
        self.known: dict[tuple[str, int], Decimal] = {}
        parts = (tables.modules, tables.batteries, tables.controllers, tables.switches, tables.converters)
        self.weight = {
            row.sku: Decimal(str(row.weight_kg)) for rows in (*parts, tables.balance) for row in rows
        }

    def least(self, sku: str) -> float:
        """Least price of a unit in any tier."""
        if sku not in self.tiers:
            return inf
        return float(min(price for tiers in self.tiers[sku].values() for _, price, _ in tiers))

    def cost(self, sku: str, need: int) -> Decimal:
        """Least cost of at least `need` units over every split between suppliers, order by order."""
        if (sku, need) not in self.known:
            best: dict[int, Decimal] = {0: Decimal(0)}  # by units so far, no more than the need
            for supplier, tiers in sorted(self.tiers[sku].items()):
                then = dict(best)
                for order, price in self._orders(sku, supplier, sorted(tiers), need):
                    for units, cost in best.items():
                        total = min(need, units + order)
                        then[total] = min(then.get(total, Decimal("Infinity")), cost + price)
                best = then
            self.known[sku, need] = best.get(need, Decimal("Infinity"))
        return self.known[sku, need]

    def _orders(
        self, sku: str, supplier: str, tiers: list[tuple[int, Decimal, str]], need: int
    ) -> Iterator[tuple[int, Decimal]]:
        """Orders that a supplier takes: whole packs, its least order, no more than it holds."""
        terms = self.terms.get((sku, supplier))
        pack, least = (terms.pack_qty, terms.min_order_qty) if terms else (1, 1)
        held = inf if terms is None or terms.stock_qty is None else terms.stock_qty
        most = max(need, least, tiers[-1][0]) + pack
        for order in range(pack, most + 1, pack):
            if order >= max(least, tiers[0][0]) and order <= held:
                yield order, self._price(tiers, order)

    def _price(self, tiers: list[tuple[int, Decimal, str]], order: int) -> Decimal:
        totals = []
        for i, (start, price, kind) in enumerate(tiers):
            if order < start:
                continue
            total = order * price
            if kind == "incremental":  # unit by unit, each at the last tier that it reaches
                total = sum(
                    (next(p for q, p, _ in reversed(tiers[: i + 1]) if q <= max(unit, tiers[0][0]))
                     for unit in range(1, order + 1)),
                    Decimal(0),
                )  # fmt: skip
            totals.append(total)
        return min(totals)


def carries(mount, module) -> int:
    """Whole modules on a mount, by area and by weight."""
    by_area = mount.module_area_max_m2 / (module.length_m * module.width_m)
    by_weight = inf if mount.weight_max_kg is None else mount.weight_max_kg / module.weight_kg
    return floor(min(by_area, by_weight) + 1e-9)


def mounts_at(scenario: Scenario, site, tilt_deg: float) -> list:
    """Mounts that can be set to a tilt and stand the site's gusts."""
    gust = site.wind_design_m_s
    gust = scenario.settings.policy.wind_design_m_s if gust is None else gust
    return [
        row
        for row in scenario.tables.balance
        if row.kind == "mount"
        and row.tilt_min_deg <= tilt_deg <= row.tilt_max_deg
        and not (gust and row.wind_max_m_s and row.wind_max_m_s < gust)
    ]


def tilts_of(scenario: Scenario, site) -> list[float]:
    """Every tilt of the settings, or the site's own."""
    own = site.surface_tilt_deg
    return sorted(set(scenario.settings.climate.tilts_deg)) if own is None else [own]


class Bounded(Brute):
    """Designs of one site at one voltage and tilt; strings are tried from a bound of their number upward."""

    def __init__(self, tilt_deg: float, mounts: list, *known) -> None:
        super().__init__(*known)
        self.tilt_deg, self.mounts = tilt_deg, mounts
        self.dark = self.darkest_first[:2]
        self._needs: dict[tuple, list[float]] = {}
        self._strings: dict[tuple[int, str, float], float] = {}
        self._heat: dict[tuple[str, int], float] = {}
        self._each: dict[tuple[str, str, float], list[float]] = {}

    def volts_of(self, battery, setpoint: float) -> float:
        """Mean charging voltage."""
        return (battery.nominal_v + setpoint) / 2 * self.blocks_in_series(battery)

    def heat(self, battery, month):
        """As there, computed once."""
        if (battery.sku, month) not in self._heat:
            self._heat[battery.sku, month] = super().heat(battery, month)
        return self._heat[battery.sku, month]

    def least_strings(self, k: int, battery, controller, number: int) -> float:
        """No design has fewer strings of batteries: no array, no heaters."""
        asked = (k, battery.sku, number * controller.own_draw_w)
        if asked not in self._strings:
            draw = SimpleNamespace(kind="mppt", output_max_a=inf, own_draw_w=asked[2])
            self._strings[asked] = self.storage(k, battery, NO_MODULE, draw, 1, 0, 0, 1.0, 0)
        return self._strings[asked]

    def strings_asked(
        self, k: int, battery, module, controller, number: int, volts: float, heated: int
    ) -> float:
        """What the darkest months ask at least in strings of one module: unclipped."""
        own_w = number * controller.own_draw_w
        of_load = (k, battery.round_trip_efficiency, own_w, *((battery.sku, heated) if heated else ()))
        if of_load not in self._needs:
            loads = self.loads_by_month(k, own_w, battery, heated)
            ratio, share = self.x.array_to_load_ratio, battery.round_trip_efficiency
            self._needs[of_load] = [
                ratio * (day + night / share) for day, night in (loads[month] for month in self.dark)
            ]
        of_one = (module.sku, controller.sku, volts if controller.kind == "pwm" else 0.0)
        if of_one not in self._each:
            free = SimpleNamespace(kind=controller.kind, efficiency=controller.efficiency, output_max_a=inf)
            self._each[of_one] = [self.energy(month, module, free, 1, 1, volts) for month in self.dark]
        asked = 0.0
        for need, each in zip(self._needs[of_load], self._each[of_one], strict=True):
            if need > 1e-6:
                asked = max(asked, (need - 1e-6) / each if each > 0 else inf)
        return asked

    def least(self, design, volts, most, heated):
        """Least strings, as there, but tried from the bound on."""
        k, battery, module, controller, number, series = design
        asked = self.strings_asked(k, battery, module, controller, number, volts, heated)
        asked /= series if controller.kind == "mppt" else 1  # PWM: a string's current is one module's
        if asked > most:
            return None
        return super().least(design, volts, most, heated, max(1, ceil(asked - 1e-9)))


class Site:
    """Designs of one site at any of its tilts, within a budget."""

    def __init__(
        self, scenario: Scenario, shop: Shop, site, inputs: dict[float, dict[int, SiteInputs]]
    ) -> None:
        """`inputs` by tilt and system voltage; their kits and loads are replaced by those made here."""
        self.shop, self.site = shop, site
        self.settings, tables = scenario.settings, scenario.tables
        rows = [row for row in tables.existing if row.site_id == site.site_id]
        self.there = {row.sku: row.quantity for row in rows}
        self.must = {row.sku: row.quantity for row in rows if row.keep == "must"}
        sold = {*shop.tiers, *self.there}
        self.parts = SimpleNamespace(
            batteries=self._parts(tables.batteries, sold),
            modules=self._parts(tables.modules, sold),
            controllers=self._parts(tables.controllers, sold),
        )
        damping = self.settings.battery.enclosure_damping_k
        damping = damping if site.enclosure_damping_k is None else site.enclosure_damping_k
        enclosures = [row for row in tables.balance if row.kind == "enclosure" and row.sku in sold]
        self.boxes = [row for row in enclosures if row.damping_k is None or row.damping_k >= damping]
        self._landed: dict[str, float] = {}
        self._mounts: dict[tuple[float, int, str], float] = {}
        self._asked: dict[tuple, list[tuple[float, Bounded, object]]] = {}
        kinds = (self.parts.batteries, self.parts.modules, self.parts.controllers, self.boxes)
        self.spare = sum(min((self.priced(row.sku, 1) for row in rows), default=inf) for rows in kinds)
        switches = {row.sku for row in tables.switches}
        made = {
            volts: [
                (kit, mean)
                for kit, mean in kits(scenario, site.load_profile, volts)
                if all(n <= self.there.get(sku, 0) or sku in shop.tiers for sku, n in kit.units)
                and all(dict(kit.units).get(sku, 0) >= n for sku, n in self.must.items() if sku in switches)
            ]
            for volts in {volts for known in inputs.values() for volts in known}
        }
        self.means = {volts: [mean for _, mean in some] for volts, some in made.items()}
        self._floors: dict[tuple[int, int], float] = {}
        for some in made.values():
            steps = int(max((mean for _, mean in some), default=0.0) / STEP_W) + 1
            some += [(BARE, step * STEP_W) for step in range(steps)]
        self.planes = {
            volts: [
                Bounded(
                    tilt,
                    [row for row in mounts_at(scenario, site, tilt) if row.sku in sold],
                    self._loaded(known[volts], made[volts]),
                    self.parts,
                    volts,
                    self.settings,
                )
                for tilt, known in inputs.items()
            ]
            for volts in made
        }

    def _loaded(self, inputs: SiteInputs, made: list) -> SiteInputs:
        """The site's sky and temperatures with the kits made here and their loads."""
        hours = 1 + self.settings.policy.load_margin
        lit = [[mean * hours * h for h in inputs.day_hours] for _, mean in made]
        dark = [[mean * hours * (24 - h) for h in inputs.day_hours] for _, mean in made]
        return replace(inputs, kits=tuple(kit for kit, _ in made), day_wh=lit, night_wh=dark)

    def _parts(self, rows, sold) -> list:
        """What a design may have of one kind: where a part must be kept, that one alone."""
        kept = [row for row in rows if row.sku in self.must]
        return kept or [row for row in rows if row.sku in sold]

    def bought(self, units: Counter) -> dict[str, int]:
        """What does not stand at the site yet."""
        left = {sku: n - self.there.get(sku, 0) for sku, n in units.items()}
        return {sku: n for sku, n in left.items() if n > 0}

    def priced(self, sku: str, number: float) -> float:
        """Least cost of a number of units at the site, of which some may stand there."""
        left = number - self.there.get(sku, 0)
        return left * self.landed(sku) if left > 0 else 0.0

    def landed(self, sku: str) -> float:
        """Least cost of a unit bought for the site."""
        if sku not in self._landed:
            freight = float(self.shop.weight[sku] * self.site.freight_per_kg)
            self._landed[sku] = self.shop.least(sku) + freight
        return self._landed[sku]

    def fixed(self) -> float:
        return float(self.site.access_cost) + self.settings.policy.installation_cost

    def designs(self, budget: float) -> list[tuple[float, dict[str, int]]]:
        """(cost at the least prices, units to buy) of every design that may cost no more than the budget."""
        found: dict[tuple[tuple[str, int], ...], float] = {}
        for volts, planes in self.planes.items() if self.spare <= budget else ():
            for k, mean in enumerate(self.means[volts]):
                kit = planes[0].x.kits[k]
                base = self.fixed() + sum(self.priced(sku, n) for sku, n in kit.units)
                if base + self.spare > budget or base + self._floor(volts, mean) > budget:
                    continue
                for units, cost in self._of_kit(planes, k, kit, budget - base):
                    merged = self.bought(Counter(dict(kit.units)) + units)
                    found[tuple(sorted(merged.items()))] = base + cost
        return sorted(((cost, dict(units)) for units, cost in found.items()), key=lambda one: one[0])

    def _floor(self, volts: int, mean_w: float) -> float:
        """No kit of a mean load needs cheaper parts: those of a bare kit that suits everything.

        Its load is taken down to a step. A kit can only lower the setpoint, and so PWM's energy.
        """
        at, planes = int(mean_w / STEP_W), self.planes[volts]
        if (volts, at) not in self._floors:
            k, least = len(self.means[volts]) + at, inf
            for battery, controller in product(self.parts.batteries, self.parts.controllers):
                setpoint = planes[0].setpoint(BARE, battery, controller)
                if setpoint is None:
                    continue
                strings = planes[0].least_strings(k, battery, controller, 1)
                stored = self._stored(planes[0], k, battery, controller, 1, strings)
                parts = (k, battery, controller, 1, setpoint, 0)
                arrays = self._arrays(planes, *parts) if stored < least else []
                least = min(least, stored + arrays[0][0] if arrays else inf)
            self._floors[volts, at] = least
        return self._floors[volts, at]

    def _of_kit(self, planes: list[Bounded], k: int, kit, room: float) -> Iterator[tuple[Counter, float]]:
        """Everything but the kit, for one kit; parts are skipped by the least that they can cost together.

        Only the array's energy and the mounts depend on the tilt.
        """
        most = 1 if kit.load_terminal else self.settings.policy.controllers_max
        numbers = range(1, most + 1)
        for battery, controller in product(self.parts.batteries, self.parts.controllers):
            setpoint = planes[0].setpoint(kit, battery, controller)
            for number in numbers if setpoint is not None else ():
                strings = planes[0].least_strings(k, battery, controller, number)
                left = room - self._stored(planes[0], k, battery, controller, number, strings)
                if left < 0:
                    break
                heated = int(strings) if battery.heater_w else 0
                parts = (k, battery, controller, number, setpoint, heated)
                for least, plane, module in self._arrays(planes, *parts):
                    if least > left:
                        break
                    chosen = (k, battery, module, controller, number, setpoint)
                    yield from self._built(plane, chosen, room)

    def _arrays(
        self, planes: list[Bounded], k: int, battery, controller, number: int, setpoint: float, heated: int
    ) -> list[tuple[float, Bounded, object]]:
        """Least cost of modules and mounts of every tilt and module, the cheapest first."""
        volts = planes[0].volts_of(battery, setpoint) if controller.kind == "pwm" else 1.0
        of_one = (planes[0].volts, k, battery.round_trip_efficiency, controller.sku, number, volts)
        of_one += (battery.sku, heated) if heated else ()
        if of_one not in self._asked:
            found = []
            for plane, module in product(planes, self.parts.modules):
                asked = plane.strings_asked(k, battery, module, controller, number, volts, heated)
                if asked < inf:
                    modules = max(1, ceil(asked - 1e-9))
                    cost = self.priced(module.sku, modules) + self._mounted(plane, modules, module)
                    found.append((cost, plane, module))
            self._asked[of_one] = sorted(found, key=lambda one: one[0])
        return self._asked[of_one]

    def _stored(self, plane: Bounded, k: int, battery, controller, number: int, strings: float) -> float:
        """Cost of a number of controllers and of battery strings in their enclosure."""
        kit, blocks = plane.x.kits[k], strings * plane.blocks_in_series(battery)
        if blocks == inf:
            return inf
        litres = kit.volume_l + number * controller.volume_l + blocks * battery.volume_l
        parts = self.priced(controller.sku, number) + self.priced(battery.sku, blocks)
        return parts + self._enclosed(litres)

    def _built(self, plane: Bounded, chosen: tuple, room: float) -> Iterator[tuple[Counter, float]]:
        """Designs of one part of each category and a number of controllers: any length of strings."""
        k, battery, module, controller, number, _ = chosen
        for series, strings, _, n, _ in plane.arrays(*chosen):
            core = {battery.sku: n * plane.blocks_in_series(battery), controller.sku: number}
            litres = plane.x.kits[k].volume_l + number * controller.volume_l
            litres += core[battery.sku] * battery.volume_l
            yield from self._housed(plane, core, module, series * strings, battery.volume_l, litres, room)

    def _enclosed(self, litres: float) -> float:
        """Least cost of enclosing a volume."""
        numbers = ((box, self._boxes(box, litres)) for box in self.boxes)
        return min((self.priced(box.sku, number) for box, number in numbers if number), default=inf)

    def _boxes(self, box, litres: float) -> int:
        """Enclosures that hold a volume; 0 where a site may not have so many."""
        number = ceil(litres / box.volume_max_l - 1e-9)
        return number if number <= self.settings.policy.enclosures_max else 0

    def _mounted(self, plane: Bounded, modules: int, module) -> float:
        """Least cost of mounts."""
        asked = (plane.tilt_deg, modules, module.sku)
        if asked not in self._mounts:
            held = [(row, carries(row, module)) for row in plane.mounts]
            costs = (self.priced(row.sku, ceil(modules / each)) for row, each in held if each)
            self._mounts[asked] = min(costs, default=inf)
        return self._mounts[asked]

    def _housed(
        self, plane: Bounded, core: dict[str, int], module, modules: int, block_l: float, litres: float,
        room: float,
    ) -> Iterator[tuple[Counter, float]]:  # fmt: skip
        """A design with every mount and enclosure."""
        core = core | {module.sku: modules}
        cost = sum(self.priced(sku, n) for sku, n in core.items())
        for mount, box in product(plane.mounts, self.boxes):
            if not carries(mount, module) or block_l > box.volume_max_l or not self._boxes(box, litres):
                continue
            fit = {
                mount.sku: ceil(modules / carries(mount, module)),
                box.sku: self._boxes(box, litres),
            }
            total = cost + sum(self.priced(sku, n) for sku, n in fit.items())
            if total <= room:
                yield Counter(core | fit), total

    def other_cost(self, units: dict[str, int]) -> Decimal:
        """Freight, access and installation, each rounded to the cent."""
        weight = sum(n * self.shop.weight[sku] for sku, n in units.items())
        access, work = self.site.access_cost, Decimal(str(self.settings.policy.installation_cost))
        return sum(
            (
                cost.quantize(CENT, ROUND_HALF_UP)
                for cost in (weight * self.site.freight_per_kg, access, work)
            ),
            Decimal(0),
        )


def cheapest(sites: list[Site], shop: Shop, shares: list[float]) -> Decimal:
    """Least cost of one design for each site, if it is no more than the sum of the shares.

    `shares` are what the sites cost in some plan: each site's cheapest design at the least prices costs no
    more than its share, and what the others' leave of the sum is the most that a design may cost.
    """
    offers = [site.designs(share) for site, share in zip(sites, shares, strict=True)]
    if len(sites) > 1:
        spared = sum(shares) - sum(offer[0][0] for offer in offers)
        offers = [site.designs(offer[0][0] + spared) for site, offer in zip(sites, offers, strict=True)]
    best = Decimal("Infinity")
    for combination in product(*offers):
        if sum(cost for cost, _ in combination) > min(sum(shares), float(best)) + 0.01 * len(sites):
            continue
        need: Counter[str] = Counter()
        for _, units in combination:
            need.update(units)
        total = sum((shop.cost(sku, n) for sku, n in need.items()), Decimal(0))
        total += sum(site.other_cost(units) for site, (_, units) in zip(sites, combination, strict=True))
        best = min(best, total)
    return best
