"""The boxes of a site as the bus sees them: draw, window, temperatures, earthed poles."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf

from planner.referee.parts import NO_POLES, SHORT, FaultError, Parts, Poles, box_poles, through, tied
from planner.referee.power import GRADES, PSE_MAX_V
from planner.referee.taps import Tap, dc_low_v, passive_window
from planner.settings import Settings
from planner.tables.catalogue import ConverterKind, ConverterRow, PseKind, SwitchRow
from planner.tables.rows import Supply

FEEDS_SPLIT, FEEDS_WORD = "; ", " behind "
PACK_STEPS_MAX = 20_000  # ways to share converters that are tried
EPS = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """Something fed at one place: mean W while on by schedule, W around the clock, greatest W, window."""

    name: str
    means: Mapping[str, float]
    own_w: float
    max_w: float
    low_v: float
    high_v: float
    volume_l: float = 0.0
    temp_min_c: float = -inf
    temp_max_c: float = inf
    poles: Poles = NO_POLES
    alternating: bool = False
    hz: float | None = None
    surge_w: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Kit:
    """All boxes of a site.

    `boxes` stand on the bus, `fed` gives for each converter or inverter SKU the boxes behind it, `shared` the
    same parted over its units (None where they do not go on them), `disconnect` the load disconnect, if any.
    """

    boxes: Sequence[Box]
    fed: Mapping[str, Sequence[Box]]
    shared: Mapping[str, Sequence[Sequence[Box]] | None]
    disconnect: ConverterRow | None

    @property
    def low_v(self) -> float:
        """Lowest bus that every box takes."""
        return max(box.low_v for box in self.boxes)

    @property
    def high_v(self) -> float:
        """Highest bus that every box takes."""
        return min(box.high_v for box in self.boxes)

    @property
    def own_w(self) -> float:
        """Draw around the clock."""
        return sum(box.own_w for box in self.boxes)

    @property
    def max_w(self) -> float:
        """Greatest power at the bus."""
        return sum(box.max_w for box in self.boxes)

    @property
    def volume_l(self) -> float:
        """Volume of the boxes."""
        return sum(box.volume_l for box in self.boxes)

    @property
    def poles(self) -> Poles:
        """Poles that the boxes tie to earth."""
        return NO_POLES.union(*(box.poles for box in self.boxes))

    @property
    def inrush_w(self) -> float:
        """What the load of the largest inrush takes over its greatest power, for seconds."""
        return inrush_w(self.boxes)

    def means(self) -> dict[str, float]:
        """Mean power while on, by schedule."""
        watts: dict[str, float] = {}
        for box in self.boxes:
            for name, mean_w in box.means.items():
                watts[name] = watts.get(name, 0.0) + mean_w
        return watts


def make_kit(
    taps: Sequence[Tap], modules: Mapping[tuple[str, int], Sequence[ConverterRow]], units: Mapping[str, int],
    feeds: str, parts: Parts, settings: Settings,
) -> Kit:  # fmt: skip
    """The boxes of a site.

    Parameters
    ----------
    taps : sequence of Tap
        Its devices with what powers them.
    modules : mapping
        SFP modules in each switch, by SKU and number.
    units : mapping
        Switches and converters of its bill.
    feeds : str
        What stands behind a converter, as `site_designs` has it.

    Raises
    ------
    FaultError
        The feeds name what is not there.
    """
    rows = {sku: parts.by_sku[sku] for sku in units}
    switches = [row for row in rows.values() if isinstance(row, SwitchRow)]
    converters = [row for row in rows.values() if isinstance(row, ConverterRow)]
    feeders = [row for row in converters if row.kind in (ConverterKind.DC_DC, ConverterKind.INVERTER)]
    like: dict[str, list[Box]] = {}
    for switch in switches:
        for unit in range(1, units[switch.sku] + 1):
            place = switch.sku, unit
            hung = [t for t in taps if t.on_port and (t.row.switch_sku, t.row.switch_unit) == place]
            like.setdefault(switch.sku, []).append(_switch_box(switch, hung, modules.get(place, ())))
    for tap in taps:
        if tap.via is not None and tap.injected:
            like.setdefault(tap.via.sku, []).append(_injector_box(tap.via, tap))
        elif not tap.on_port:
            like.setdefault(tap.device.device, []).append(_device_box(tap, settings))
    behind = read_feeds(feeds, list(like), [row.sku for row in feeders])
    boxes = [box for name, some in like.items() if name not in behind for box in some]
    fed: dict[str, list[Box]] = {}
    for name, sku in behind.items():
        fed.setdefault(sku, []).extend(like[name])
    shared = {row.sku: share(fed.get(row.sku, ()), row, units[row.sku]) for row in feeders}
    for row in feeders:
        boxes += [_converter_box(row, some) for some in shared[row.sku] or [list(fed.get(row.sku, ()))]]
    disconnect = next((row for row in converters if row.kind is ConverterKind.LOAD_DISCONNECT), None)
    if disconnect is not None:
        boxes = [_behind(box, disconnect) for box in boxes] + [_bare_box(disconnect)]
    if not boxes:
        raise FaultError("nothing stands on the bus")
    return Kit(boxes=boxes, fed=fed, shared=shared, disconnect=disconnect)


def read_feeds(text: str, names: Sequence[str], converters: Sequence[str]) -> dict[str, str]:
    """Boxes and devices behind a converter: `NAME behind SKU; ...`; both may hold any text.

    Raises
    ------
    FaultError
        The text is not made of what is at the site.
    """
    pieces = {f"{name}{FEEDS_WORD}{sku}": (name, sku) for name in names for sku in converters}

    def read(at: int) -> list[tuple[str, str]] | None:
        for piece, pair in pieces.items():
            end = at + len(piece)
            if text.startswith(piece, at):
                if end == len(text):
                    return [pair]
                rest = read(end + len(FEEDS_SPLIT)) if text.startswith(FEEDS_SPLIT, end) else None
                if rest is not None:
                    return [pair, *rest]
        return None

    found = read(0) if text else []
    if found is None:
        raise FaultError(f"feeds {text!r} are not of boxes and converters at the site")
    return dict(found)


def _bare_box(row: SwitchRow | ConverterRow) -> Box:
    return Box(
        name=row.sku, means={}, own_w=row.own_draw_w, max_w=row.own_draw_w, low_v=row.input_min_v,
        high_v=row.input_max_v, volume_l=row.volume_l, temp_min_c=row.temp_min_c, temp_max_c=row.temp_max_c,
        poles=box_poles(row),
    )  # fmt: skip


def _switch_box(row: SwitchRow, hung: Sequence[Tap], modules: Sequence[ConverterRow]) -> Box:
    """A switch with what its ports feed; adapters and SFP modules live on it."""
    low, high, poles, means = row.input_min_v, row.input_max_v, box_poles(row), dict[str, float]()
    if row.poe_budget_low_w is not None and row.poe_budget_low_below_v is not None:
        drawn = sum(tap.allocated_w for tap in hung)
        low = max(low, row.poe_budget_low_below_v) if drawn > row.poe_budget_low_w + EPS else low
    for tap in hung:
        if row.pse_kind is PseKind.PASSTHROUGH:
            floor, top = port_window(tap)
            low, high = max(low, floor), min(high, top)
        if tap.device.supply is Supply.PASSIVE_POE and not tap.adapted and not row.isolated:
            earthed = tied(tap.device.case_ground)
            straight = row.pse_kind is PseKind.PASSTHROUGH
            poles |= earthed if straight else through(earthed, isolated=False)
        means[tap.device.schedule] = means.get(tap.device.schedule, 0.0) + tap.mean_w / row.pse_efficiency
    standing = row.own_draw_w + sum(module.own_draw_w for module in modules)
    others = [*modules, *(tap.via for tap in hung if tap.via is not None)]
    return replace(
        _bare_box(row),
        means=means,
        own_w=standing + sum(tap.standing_w for tap in hung) / row.pse_efficiency,
        max_w=standing + sum(tap.most_w for tap in hung) / row.pse_efficiency,
        low_v=low,
        high_v=high,
        temp_min_c=max([row.temp_min_c, *(other.temp_min_c for other in others)]),
        temp_max_c=min([row.temp_max_c, *(other.temp_max_c for other in others)]),
        poles=poles,
    )


def port_window(tap: Tap) -> tuple[float, float]:
    """Voltages that a port which passes its input on must keep: its 802.3 type's, or the passive device's."""
    if tap.poe_class in GRADES:
        return GRADES[tap.poe_class].pse_min_v, PSE_MAX_V
    return passive_window(tap.device, tap.row.cable_m or 0.0)


def _injector_box(row: ConverterRow, tap: Tap) -> Box:
    return replace(
        _bare_box(row),
        means={tap.device.schedule: tap.mean_w / row.efficiency},
        max_w=row.own_draw_w + tap.most_w / row.efficiency,
    )


def _device_box(tap: Tap, settings: Settings) -> Box:
    """A DC or AC device; an AC one is apart from the bus, if its inverter is."""
    row, alternating = tap.device, tap.device.supply is Supply.AC
    low = row.input_min_v or 0.0
    return Box(
        name=row.device,
        means={row.schedule: tap.mean_w},
        own_w=0.0,
        max_w=tap.most_w,
        low_v=low if alternating else dc_low_v(row, tap.row.cable_m or 0.0, settings),
        high_v=row.input_max_v or (inf if alternating else 0.0),
        poles=NO_POLES if alternating else tied(row.case_ground),
        alternating=alternating,
        hz=row.input_hz,
        surge_w=(row.surge_w or 0.0) if alternating else 0.0,
    )


def _converter_box(row: ConverterRow, boxes: Sequence[Box]) -> Box:
    """A converter with what it feeds."""
    means: dict[str, float] = {}
    for box in boxes:
        for name, mean_w in box.means.items():
            means[name] = means.get(name, 0.0) + mean_w / row.efficiency
    behind, inrush = NO_POLES.union(*(box.poles for box in boxes)), inrush_w(boxes) / row.efficiency
    most = row.own_draw_w + sum(box.max_w for box in boxes) / row.efficiency
    return replace(
        _bare_box(row),
        means=means,
        own_w=row.own_draw_w + sum(box.own_w for box in boxes) / row.efficiency,
        max_w=most,
        surge_w=most + inrush if inrush else 0.0,
        volume_l=row.volume_l + sum(box.volume_l for box in boxes),
        temp_min_c=max([row.temp_min_c, *(box.temp_min_c for box in boxes)]),
        temp_max_c=min([row.temp_max_c, *(box.temp_max_c for box in boxes)]),
        poles=box_poles(row) | (SHORT if len(behind) > 1 else through(behind, isolated=row.isolated)),
    )


def _behind(box: Box, disconnect: ConverterRow) -> Box:
    """A box as the battery sees it through the load disconnect."""
    left = disconnect.efficiency
    means = {name: watts / left for name, watts in box.means.items()}
    return replace(
        box, means=means, own_w=box.own_w / left, max_w=box.max_w / left, surge_w=box.surge_w / left
    )


def share(boxes: Sequence[Box], row: ConverterRow, units: int) -> list[list[Box]] | None:
    """Boxes parted over units of a converter that carry them, or None; by trying, the hardest first."""
    ranked = sorted(boxes, key=lambda box: (-box.max_w, -box.surge_w, box.name))
    steps = iter(range(PACK_STEPS_MAX))

    def place(at: int, bins: list[list[Box]]) -> list[list[Box]] | None:
        if at == len(ranked) or next(steps, None) is None:
            return bins if at == len(ranked) else None
        for i, some in enumerate(bins):
            if carries(row, [*some, ranked[at]]):
                done = place(at + 1, [*bins[:i], [*some, ranked[at]], *bins[i + 1 :]])
                if done is not None:
                    return done
            if not some:
                break  # empty units are alike
        return None

    return place(0, [[] for _ in range(units)])


def inrush_w(boxes: Sequence[Box]) -> float:
    """What the box of the largest inrush takes over its greatest power; one starts at a time."""
    return max([0.0, *(box.surge_w - box.max_w for box in boxes)])


def carries(row: ConverterRow, boxes: Sequence[Box]) -> bool:
    """Whether a unit feeds boxes together: all at their greatest while the one with most inrush starts."""
    total, output = sum(box.max_w for box in boxes), row.output_max_w or 0.0
    inrush = inrush_w(boxes)
    if total > output + EPS or (inrush > 0 and total + inrush > max(output, row.surge_w or 0.0) + EPS):
        return False
    return len(NO_POLES.union(*(box.poles for box in boxes))) < 2


def unfit(row: ConverterRow, boxes: Sequence[Box]) -> Iterator[str]:
    """Boxes that a converter's kind of current, voltage or frequency does not suit."""
    volts = row.output_v or 0.0
    for box in boxes:
        current = box.alternating == (row.kind is ConverterKind.INVERTER)
        if (
            not current
            or not box.low_v - EPS <= volts <= box.high_v + EPS
            or (box.hz is not None and box.hz != row.output_hz)
        ):
            yield box.name
