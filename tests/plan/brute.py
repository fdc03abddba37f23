"""The cheapest plan of one or two small sites over a whole catalogue, by loops over single parts.

Written from the rules, without the planner's enumeration: kits of profiles with at most one device on a
switch, arrays and batteries by `tests.designs.brute`, mounts, enclosures, price tiers. Shared with the
planner are parsed tables and the irradiation, temperatures and tilt of a site. Designs are skipped only
where a bound on their cost, at the least price of every part, exceeds a budget.
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
from tests.designs.brute import Brute
from tests.plan.brute_kits import kits

CENT = Decimal("0.01")

#: Parts that ask for nothing, for bounds.
FREE = SimpleNamespace(kind="mppt", own_draw_w=0.0, output_max_a=inf, efficiency=1.0)
NO_MODULE = SimpleNamespace(nameplate_w=0.0, i_sc_a=0.0)


class Shop:
    """Prices of the day in the scenario's currency: for each SKU its suppliers' tiers."""

    def __init__(self, scenario: Scenario) -> None:
        tables, day = scenario.tables, scenario.settings.plan_date
        rates = {row.currency: row.rate for row in tables.fx} | {scenario.settings.currency: Decimal(1)}
        self.tiers: dict[str, dict[str, list[tuple[int, Decimal, str]]]] = {}
        for row in tables.prices:
            if (row.valid_from or day) <= day <= (row.valid_to or day):
                price = (row.unit_price * rates[row.currency]).quantize(CENT, ROUND_HALF_UP)
                tiers = self.tiers.setdefault(row.sku, {}).setdefault(row.supplier, [])
                tiers.append((row.min_qty, price, row.tier_kind))
        parts = (tables.modules, tables.batteries, tables.controllers, tables.switches, tables.converters)
        self.weight = {
            row.sku: Decimal(str(row.weight_kg)) for rows in (*parts, tables.balance) for row in rows
        }

    def least(self, sku: str) -> float:
        """Least price of a unit in any tier."""
        return float(min(price for tiers in self.tiers[sku].values() for _, price, _ in tiers))

    def cost(self, sku: str, need: int) -> Decimal:
        """Least cost of at least `need` units from one supplier."""
        return min(self._supplier(sorted(tiers), need) for tiers in self.tiers[sku].values())

    def _supplier(self, tiers: list[tuple[int, Decimal, str]], need: int) -> Decimal:
        totals = []
        for i, (start, price, kind) in enumerate(tiers):
            bought = max(need, start)
            total = bought * price
            if kind == "incremental":  # unit by unit, each at the last tier that it reaches
                total = sum(
                    (next(p for q, p, _ in reversed(tiers[: i + 1]) if q <= max(unit, tiers[0][0]))
                     for unit in range(1, bought + 1)),
                    Decimal(0),
                )  # fmt: skip
            totals.append(total)
        return min(totals)


def carries(mount, module) -> int:
    """Whole modules on a mount."""
    return floor(mount.module_area_max_m2 / (module.length_m * module.width_m) + 1e-9)


class Site:
    """Designs of one site, within a budget."""

    def __init__(
        self, scenario: Scenario, shop: Shop, site, tilt_deg: float, inputs: dict[int, SiteInputs]
    ) -> None:
        """`inputs` by system voltage; their kits and loads are replaced by those made here."""
        self.shop, self.site, self.tilt_deg = shop, site, tilt_deg
        self.settings, tables = scenario.settings, scenario.tables
        sold = shop.tiers
        self.parts = SimpleNamespace(
            batteries=[row for row in tables.batteries if row.sku in sold],
            modules=[row for row in tables.modules if row.sku in sold],
            controllers=[row for row in tables.controllers if row.sku in sold],
        )
        balance = [row for row in tables.balance if row.sku in sold]
        self.mounts = [
            row for row in balance if row.kind == "mount" and row.tilt_min_deg <= tilt_deg <= row.tilt_max_deg
        ]
        self.boxes = [row for row in balance if row.kind == "enclosure"]
        self._landed: dict[str, float] = {}
        kinds = (self.parts.batteries, self.parts.modules, self.parts.controllers, self.mounts, self.boxes)
        self.spare = sum(min((self.landed(row.sku) for row in rows), default=inf) for rows in kinds)
        self.brutes: dict[int, Brute] = {}
        for volts, one in inputs.items():
            made = [
                kit
                for kit in kits(scenario, site.load_profile, volts)
                if set(dict(kit[0].units)) <= set(sold)
            ]
            hours = 1 + self.settings.policy.load_margin
            lit = [[mean * hours * h for h in one.day_hours] for _, mean in made]
            dark = [[mean * hours * (24 - h) for h in one.day_hours] for _, mean in made]
            mine = replace(one, kits=tuple(kit for kit, _ in made), day_wh=lit, night_wh=dark)
            self.dark = sorted(range(12), key=lambda month: mine.poa_wh_m2_day[month])[:2]
            self.brutes[volts] = Brute(mine, self.parts, volts, self.settings)

    def landed(self, sku: str) -> float:
        """Least cost of a unit at the site."""
        if sku not in self._landed:
            freight = float(self.shop.weight[sku] * self.site.freight_per_kg)
            self._landed[sku] = self.shop.least(sku) + freight
        return self._landed[sku]

    def fixed(self) -> float:
        return float(self.site.access_cost) + self.settings.policy.installation_cost

    def designs(self, budget: float) -> list[tuple[float, dict[str, int]]]:
        """(cost at the least prices, units) of every design that may cost no more than the budget."""
        found: dict[tuple[tuple[str, int], ...], float] = {}
        for brute in self.brutes.values():
            for k, kit in enumerate(brute.x.kits):
                base = self.fixed() + sum(n * self.landed(sku) for sku, n in kit.units)
                if base + self.spare > budget:
                    continue
                for units, cost in self._of_kit(brute, k, kit, budget - base):
                    merged = Counter(dict(kit.units)) + units
                    found[tuple(sorted(merged.items()))] = base + cost
        return sorted(((cost, dict(units)) for units, cost in found.items()), key=lambda one: one[0])

    def _of_kit(self, brute: Brute, k: int, kit, room: float) -> Iterator[tuple[Counter, float]]:
        """Everything but the kit, for one kit; parts are skipped by the least that they can cost together."""
        for battery in self.parts.batteries:
            chargers = [
                (c, v) for c in self.parts.controllers if (v := brute.setpoint(kit, battery, c)) is not None
            ]
            if not chargers:
                continue
            blocks = brute.blocks_in_series(battery) * brute.storage(
                k, battery, NO_MODULE, FREE, 1, 0, 0, 1.0
            )
            left = room - blocks * self.landed(battery.sku) if blocks < inf else -1.0
            left -= self._enclosed(kit.volume_l + blocks * battery.volume_l) if left >= 0 else 0.0
            for module in self.parts.modules if left >= 0 else ():
                for controller, setpoint in chargers:
                    rest = left - self.landed(controller.sku)
                    if rest < self.landed(module.sku):
                        continue
                    modules = self._least_modules(brute, k, battery, module, controller)
                    if rest >= modules * self.landed(module.sku) + self._mounted(modules, module):
                        yield from self._built(brute, k, battery, module, controller, setpoint, left, room)

    def _built(
        self, brute: Brute, k: int, battery, module, controller, setpoint: float, left: float, room: float
    ) -> Iterator[tuple[Counter, float]]:
        """Designs of one part of each category: any number of controllers, any length of strings."""
        kit, policy = brute.x.kits[k], self.settings.policy
        for number in range(1, (1 if kit.load_terminal else policy.controllers_max) + 1):
            if number * self.landed(controller.sku) > left:
                break
            for series, strings, _, n, _ in brute.arrays(k, battery, module, controller, number, setpoint):
                core = {battery.sku: n * brute.blocks_in_series(battery), controller.sku: number}
                litres = kit.volume_l + number * controller.volume_l + core[battery.sku] * battery.volume_l
                yield from self._housed(core, module, series * strings, battery.volume_l, litres, room)

    def _enclosed(self, litres: float) -> float:
        """Least cost of enclosing a volume."""
        return min(self.landed(box.sku) * ceil(litres / box.volume_max_l - 1e-9) for box in self.boxes)

    def _mounted(self, modules: int, module) -> float:
        """Least cost of mounts."""
        return min(
            (
                self.landed(row.sku) * ceil(modules / carries(row, module))
                for row in self.mounts
                if carries(row, module)
            ),
            default=inf,
        )

    def _least_modules(self, brute: Brute, k: int, battery, module, controller) -> int:
        """No design has fewer modules: what the darkest months ask, unclipped, no controller's draw."""
        volts = (battery.nominal_v + battery.charge_v) / 2 * brute.blocks_in_series(battery)
        free = SimpleNamespace(kind=controller.kind, efficiency=controller.efficiency, output_max_a=inf)
        least = 1
        for month in self.dark:
            day, night = brute.loads(k, 0.0, month)
            need = brute.x.array_to_load_ratio * (day + night / battery.round_trip_efficiency)
            each = brute.energy(month, module, free, 1, 1, volts)
            least = max(least, ceil(need / each - 1e-6) if each > 0 else 10**6)
        return least

    def _housed(
        self, core: dict[str, int], module, modules: int, block_l: float, litres: float, room: float
    ) -> Iterator[tuple[Counter, float]]:
        """A design with every mount and enclosure."""
        core = core | {module.sku: modules}
        cost = sum(n * self.landed(sku) for sku, n in core.items())
        for mount, box in product(self.mounts, self.boxes):
            if not carries(mount, module) or block_l > box.volume_max_l:
                continue
            fit = {
                mount.sku: ceil(modules / carries(mount, module)),
                box.sku: ceil(litres / box.volume_max_l - 1e-9),
            }
            total = cost + sum(n * self.landed(sku) for sku, n in fit.items())
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
