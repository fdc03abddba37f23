"""Rules of ports: every device powered and connected, classes, pairs, budgets, voltages, links."""

from collections import Counter
from collections.abc import Iterator

from planner.referee.case import SiteCase
from planner.referee.check import Check, agrees, at_least, at_most, holds
from planner.referee.power import CLOSURE_W, GRADES, at_source_w, loop_ohm, served_class
from planner.referee.taps import Tap, patch_window
from planner.tables.catalogue import ConverterKind, ConverterRow, PortKind, PseKind, SwitchRow
from planner.tables.plan_rows import PortRow
from planner.tables.rows import Supply

WATTS_WITHIN = 0.0006  # the plan rounds to a milliwatt
EPS_V = 1e-9


def devices_served(case: SiteCase) -> Iterator[Check]:
    """Every device of the load profile, or one that powers it another way, takes its power once."""
    found = Counter(
        (tap.device.alternative_to or tap.device.device, tap.row.cable_m) for tap in case.taps
    ) + Counter((tap.device.device, tap.row.cable_m) for tap in case.taps if tap.device.alternative_to)
    asked: Counter[tuple[str, float | None]] = Counter()
    for load in case.parts.loads.get(case.site.load_profile, ()):
        asked[load.device, load.cable_m] += load.quantity
    for (device, cable_m), quantity in sorted(asked.items(), key=str):
        subject = f"{device} at {cable_m:g} m"
        yield agrees("device-powered", case.id, subject, found[device, cable_m], quantity, "devices")
    yield agrees("device-powered", case.id, "all devices", len(case.taps), asked.total(), "devices")
    numbers: dict[str, list[int]] = {}
    for tap in case.taps:
        numbers.setdefault(tap.device.device, []).append(tap.row.instance or 0)
    wrong = [name for name, some in numbers.items() if sorted(some) != list(range(1, len(some) + 1))]
    yield holds("device-numbered", case.id, "", not wrong, f"{wrong[:1]} are not numbered from 1")


def rows_apart(case: SiteCase) -> Iterator[Check]:
    """A row says nothing that its role does not have: links a number, devices theirs, power its watts."""
    power = ("device_w", "port_w", "port_max_w", "allocated_w", "supply")
    for row in case.rows.ports:
        of_device = row.role in ("power", "data")
        blank = [] if row.role == "power" else [getattr(row, name) for name in power]
        blank += [] if of_device else [row.device or None, row.instance, row.cable_m]
        blank += [] if row.role == "link" else [row.link]
        blank += [row.via_sku or None] if row.role == "data" else []
        apart = all(cell is None for cell in blank)
        note = "states what its role does not have"
        yield holds("port-row", case.id, f"{row.role} {row.port}", apart, note)


def supplies_stated(case: SiteCase) -> Iterator[Check]:
    """A device's kind of supply as its own table has it."""
    for tap in case.taps:
        ok = tap.row.supply is tap.device.supply
        yield holds("device-supply", case.id, _name(tap), ok, f"is {tap.device.supply.value}")


def ports_fit(case: SiteCase) -> Iterator[Check]:
    """A device stands on a port of its kind, of its class or higher, with the pairs of its class."""
    for tap in case.taps:
        socket = tap.socket
        if socket is None:
            continue
        if tap.injected:
            yield holds(
                "port-kind", case.id, _name(tap), socket.copper, f"{socket.name} carries no data alone"
            )
            continue
        wanted = PortKind.PASSIVE_POE if tap.poe_class < 0 else PortKind.POE
        yield holds(
            "port-kind",
            case.id,
            _name(tap),
            socket.kind is wanted,
            f"{socket.name} is no {wanted.value} port",
        )
        if tap.poe_class in GRADES:
            yield at_least("port-class", case.id, _name(tap), socket.poe_class, tap.poe_class, "class")
            given = GRADES[socket.poe_class].pairs if socket.poe_class in GRADES else 0
            yield at_least("four-pairs", case.id, _name(tap), given, GRADES[tap.poe_class].pairs, "pairs")


def class_power(case: SiteCase) -> Iterator[Check]:
    """A device, cable included, asks no more than its class gives; an injector gives what it states too."""
    for tap in case.taps:
        if tap.poe_class in GRADES:
            limit = GRADES[tap.poe_class].pse_w
            yield at_most("class-power", case.id, _name(tap), tap.most_w, limit, "W", slack=CLOSURE_W)
        if tap.injected and tap.via is not None:
            yield at_least(
                "injector-class", case.id, _name(tap), served_class(tap.via.poe_class), tap.poe_class, "class"
            )
            if tap.via.output_max_w is not None:
                yield at_most(
                    "injector-power",
                    case.id,
                    _name(tap),
                    tap.most_w,
                    tap.via.output_max_w,
                    "W",
                    slack=CLOSURE_W,
                )


def passive_voltages(case: SiteCase) -> Iterator[Check]:
    """A passive device gets its nominal voltage, within its window at the end of its cable, and its power."""
    for tap in case.taps:
        device, socket = tap.device, tap.socket
        if device.supply is not Supply.PASSIVE_POE or socket is None:
            continue
        if tap.adapted and tap.via is not None:
            yield from _adapter(case, tap, tap.via)
            continue
        yield agrees("passive-voltage", case.id, _name(tap), socket.passive_v, device.passive_v, "V")
        yield at_most("passive-power", case.id, _name(tap), tap.most_w, socket.max_w, "W")
        if tap.switch is not None and tap.switch.pse_kind is not PseKind.PASSTHROUGH:
            low, high = patch_window(device, device.passive_v or 0.0, tap.row.cable_m or 0.0)
            yield at_least("passive-voltage-low", case.id, _name(tap), device.passive_v or 0.0, low, "V")
            yield at_most("passive-voltage-high", case.id, _name(tap), device.passive_v or 0.0, high, "V")


def _adapter(case: SiteCase, tap: Tap, row: ConverterRow) -> Iterator[Check]:
    device, volts = tap.device, row.output_v or 0.0
    patch_m = min(tap.row.cable_m or 0.0, case.settings.demand.adapter_patch_m)
    low, high = patch_window(device, volts, patch_m)
    yield agrees("passive-voltage", case.id, _name(tap), row.output_v, device.passive_v, "V")
    yield at_least("passive-voltage-low", case.id, _name(tap), volts, low, "V")
    yield at_most("passive-voltage-high", case.id, _name(tap), volts, high, "V")
    out_w = at_source_w(device.max_w, volts, loop_ohm(patch_m))
    yield at_most("adapter-power", case.id, _name(tap), out_w, row.output_max_w or 0.0, "W")


def budgets(case: SiteCase) -> Iterator[Check]:
    """What a switch's ports set aside fits its budget at the lowest voltage and the greatest heat it sees."""
    for sku, units in case.switches.items():
        row = case.parts.part(sku, SwitchRow)
        for unit in range(1, units + 1):
            hung = [
                t for t in case.taps if t.on_port and (t.row.switch_sku, t.row.switch_unit) == (sku, unit)
            ]
            used = sum(tap.allocated_w for tap in hung)
            if used:
                yield at_most("poe-budget", case.id, f"{sku} #{unit}", used, _budget_w(case, row), "W")


def _budget_w(case: SiteCase, row: SwitchRow) -> float:
    """A switch's budget where it stands: behind a converter it sees that one's output."""
    feeder = next((sku for sku, boxes in case.kit.fed.items() if any(b.name == row.sku for b in boxes)), None)
    volts = bus_low_v(case)
    if feeder is not None:
        volts = case.parts.part(feeder, ConverterRow).output_v or 0.0
    budget = row.poe_budget_w
    if row.poe_budget_low_w is not None and row.poe_budget_low_below_v is not None:
        budget = row.poe_budget_low_w if volts < row.poe_budget_low_below_v - EPS_V else budget
    if row.poe_derate_above_c is not None and row.poe_derate_w_per_k is not None:
        budget -= max(0.0, case.hottest_c - row.poe_derate_above_c) * row.poe_derate_w_per_k
    return max(0.0, budget)


def bus_low_v(case: SiteCase) -> float:
    """Lowest voltage at a box: the load disconnect less the cable's drop."""
    drop = 1.0 - case.settings.demand.bus_cable_drop
    return case.battery.disconnect_v * case.design.batteries_series * drop


def channels(case: SiteCase) -> Iterator[Check]:
    """No Ethernet channel is longer than allowed."""
    for tap in case.taps:
        if tap.socket is not None or tap.injected or tap.device.data_ports:
            limit = case.settings.demand.channel_max_m
            yield at_most("channel-length", case.id, _name(tap), tap.row.cable_m or 0.0, limit, "m")


def ports_once(case: SiteCase) -> Iterator[Check]:
    """Every port is there and in use once; every switch unit of the bill is in use, and no other."""
    used: Counter[tuple[str, int, str]] = Counter()
    units: dict[str, set[int]] = {}
    for row in case.rows.ports:
        if row.switch_sku:
            socket = case.parts.socket(row.switch_sku, row.port.removesuffix(" + injector"))
            used[row.switch_sku, row.switch_unit or 0, socket.name] += 1
            units.setdefault(row.switch_sku, set()).add(row.switch_unit or 0)
    for (sku, unit, name), count in used.items():
        if count > 1:
            yield at_most("port-once", case.id, f"{sku} #{unit} {name}", count, 1, "uses")
    yield holds(
        "port-once", case.id, "all ports", max(used.values(), default=1) == 1, "a port is taken twice"
    )
    for sku in sorted(units.keys() | case.switches.keys()):
        numbers = set(range(1, case.switches.get(sku, 0) + 1))
        yield holds(
            "switch-in-use",
            case.id,
            sku,
            units.get(sku, set()) == numbers,
            "units in use are not those of the bill",
        )
    yield at_most(
        "switches-max",
        case.id,
        "",
        sum(case.switches.values()),
        case.settings.policy.switches_max,
        "switches",
    )


def data_ports(case: SiteCase) -> Iterator[Check]:
    """Every device has the Ethernet ports it needs, on copper ports of the switches."""
    given = Counter((r.device, r.instance) for r in case.rows.ports if r.role == "data")
    for row in case.rows.ports:
        if row.role == "data":
            copper = case.parts.socket(row.switch_sku, row.port).copper
            yield holds(
                "data-port", case.id, f"{row.device} #{row.instance}", copper, f"{row.port} is no copper port"
            )
    for tap in case.taps:
        found = given.pop((tap.device.device, tap.row.instance), 0) + (tap.socket is not None)
        asked = max(tap.device.data_ports, int(tap.on_port))
        yield agrees("data-ports", case.id, _name(tap), found, asked, "ports")
    yield holds("data-port", case.id, "all data ports", not given, "data of a device that is not there")


def network(case: SiteCase) -> Iterator[Check]:
    """Where anything talks: the asked uplinks by their medium, and links that join all switches."""
    talks = any(tap.device.data_ports for tap in case.taps)
    policy = case.settings.policy
    uplinks = [row for row in case.rows.ports if row.role == "uplink"]
    yield agrees("uplinks", case.id, "", len(uplinks), policy.uplink_ports if talks else 0, "ports")
    for row in uplinks:
        fibre = case.parts.socket(row.switch_sku, row.port).kind is PortKind.SFP
        allowed = {"any": True, "copper": not fibre, "fibre": fibre}[policy.uplink_medium]
        yield holds("uplink-medium", case.id, row.port, allowed, f"uplinks are by {policy.uplink_medium}")
    units = {(sku, unit) for sku, number in case.switches.items() for unit in range(1, number + 1)}
    yield from _tree(case, units if talks else set())
    for row in case.rows.ports:
        if row.role in ("uplink", "link"):
            yield _module(case, row)


def _tree(case: SiteCase, units: set[tuple[str, int]]) -> Iterator[Check]:
    """Links, each of two ends alike on two switches, that join all of them."""
    links: dict[int, list[PortRow]] = {}
    for row in case.rows.ports:
        if row.role == "link":
            links.setdefault(row.link or 0, []).append(row)
    joined = {unit: {unit} for unit in units}
    for number, ends in sorted(links.items()):
        places = [(row.switch_sku, row.switch_unit or 0) for row in ends]
        kinds = {case.parts.socket(row.switch_sku, row.port).kind is PortKind.SFP for row in ends}
        ok = len(places) == 2 and places[0] != places[1] and len(kinds) == 1 and set(places) <= units
        yield holds("link-ends", case.id, f"link {number}", ok, "is no pair of like ports on two switches")
        if ok:
            group = joined[places[0]] | joined[places[1]]
            joined |= dict.fromkeys(group, group)
    whole = all(group == units for group in joined.values())
    yield holds("links-join", case.id, f"{len(units)} switches", whole, "are not all joined")


def _module(case: SiteCase, row: PortRow) -> Check:
    """An SFP port in use has a module, a copper port none."""
    socket = case.parts.socket(row.switch_sku, row.port)
    part = case.parts.by_sku.get(row.via_sku)
    has = isinstance(part, ConverterRow) and part.kind is ConverterKind.SFP_MODULE
    fits = has if socket.kind is PortKind.SFP else socket.copper and not row.via_sku
    return holds(
        "sfp-module",
        case.id,
        f"{row.switch_sku} {row.port}",
        fits,
        "wants an SFP module in an SFP port alone",
    )


def port_figures(case: SiteCase) -> Iterator[Check]:
    """Power at the device and at its port, and its share of the budget, as stated."""
    for tap in case.taps:
        row = tap.row
        pairs = (
            ("device_w", row.device_w, tap.device.average_w),
            ("port_w", row.port_w, tap.mean_w + tap.standing_w),
            ("port_max_w", row.port_max_w, tap.most_w),
            ("allocated_w", row.allocated_w, tap.allocated_w),
        )
        for name, stated, own in pairs:
            yield agrees(
                "port-figure", case.id, f"{_name(tap)} {name}", stated, own, "W", within=WATTS_WITHIN
            )


def cables(case: SiteCase) -> Iterator[Check]:
    """A device's data cables are as long as the one that powers it."""
    lengths = {(tap.device.device, tap.row.instance): tap.row.cable_m for tap in case.taps}
    for row in case.rows.ports:
        if row.role == "data":
            own = lengths.get((row.device, row.instance))
            yield agrees("data-cable", case.id, f"{row.device} #{row.instance}", row.cable_m, own, "m")


def _name(tap: Tap) -> str:
    return f"{tap.device.device} #{tap.row.instance}"


PORT_RULES = (
    devices_served,
    rows_apart,
    supplies_stated,
    ports_fit,
    class_power,
    passive_voltages,
    budgets,
    channels,
    ports_once,
    data_ports,
    network,
    port_figures,
    cables,
)
