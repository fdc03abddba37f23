"""What boxes draw where they are fed: on the DC bus, behind a DC-DC converter, behind an inverter."""

from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import combinations, product

from planner.demand.bus import Bus, BusLoad, BusSpan, bottom_v, on_bus, whole_bus
from planner.demand.grounding import NONE, accepted, box_poles, through
from planner.demand.sharing import carries, inrush_w, share
from planner.tables.catalogue import ConverterKind, ConverterRow
from planner.tables.rows import BusGrounding

FEEDS_MAX = 250  # ways to feed a kit's boxes that are tried one by one; beyond, a guided choice


def feed_choices(load: BusLoad, bus: Bus) -> list[ConverterRow | None]:
    """The bus (None) if the box accepts it, and every converter on the bus that suits the box.

    A box that holds every battery's bus gains nothing from a converter, so it has no other choice.
    """
    direct = on_bus(load, bus.spans) and not load.alternating and bus.grounding in accepted(load.poles)
    clashes = bool(load.poles) and bus.grounding is BusGrounding.FLOATING  # with a box of the other pole
    if direct and not clashes and whole_bus(load, bus.spans):
        return [None]
    able = (row for row in bus.feeders if form_suits(row, load) and carries(row, [behind(load, row)]))
    return [None] * direct + [row for row in able if earth_suits(row, load, bus)]


def behind(load: BusLoad, row: ConverterRow) -> BusLoad:
    """A load as a converter sees it that gives a voltage within its window."""
    return load.fed_at(row.output_v or 0.0)


def form_suits(row: ConverterRow, load: BusLoad) -> bool:
    """Whether a converter gives the kind of current, the voltage and the frequency a box takes."""
    if (row.kind is ConverterKind.INVERTER) != load.alternating:
        return False
    frequency = load.hz is None or load.hz == row.output_hz
    return frequency and load.input_min_v <= (row.output_v or 0.0) <= load.input_max_v


def earth_suits(row: ConverterRow, load: BusLoad, bus: Bus) -> bool:
    return bus.grounding in accepted(box_poles(row) | through(load.poles, isolated=row.isolated))


def feedings(
    choices: Mapping[str, Sequence[ConverterRow | None]], loads: Mapping[str, Sequence[BusLoad]]
) -> list[dict[str, ConverterRow | None]]:
    """Ways to feed boxes, like boxes alike: all of them, or a guided choice where they are very many.

    The guided choice puts on the bus the boxes that hold a common window, for every such window, and
    everything else behind as few converter SKUs as do, at least up to two of them, each box behind the more
    efficient that suits it.
    """
    number = 1
    for options in choices.values():
        number *= len(options)
    if number <= FEEDS_MAX:
        return [dict(zip(choices, feeds, strict=True)) for feeds in product(*choices.values())]
    found: list[dict[str, ConverterRow | None]] = []
    for direct in _bus_sets(choices, loads):
        rest = [name for name in choices if name not in direct]
        found += _guided(direct, rest, choices)
    return found


def _bus_sets(
    choices: Mapping[str, Sequence[ConverterRow | None]], loads: Mapping[str, Sequence[BusLoad]]
) -> list[frozenset[str]]:
    able = [name for name, options in choices.items() if None in options]
    low = {name: max(load.input_min_v for load in loads[name]) for name in able}
    high = {name: min(load.input_max_v for load in loads[name]) for name in able}
    sets = [frozenset[str]()] + [
        frozenset(name for name in able if low[name] <= floor and high[name] >= top)
        for floor in sorted(set(low.values()))
        for top in sorted(set(high.values()))
    ]
    return list(dict.fromkeys(sets))


def _guided(
    direct: frozenset[str], rest: Sequence[str], choices: Mapping[str, Sequence[ConverterRow | None]]
) -> list[dict[str, ConverterRow | None]]:
    fed: dict[str, ConverterRow | None] = dict.fromkeys(sorted(direct))
    if not rest:
        return [fed]
    rows = {row.sku: row for name in rest for row in choices[name] if row is not None}
    ranked = sorted(rows.values(), key=lambda row: (-row.efficiency, row.own_draw_w, row.sku))
    found = []
    for size in range(1, len(ranked) + 1):
        for some in combinations(ranked, size):
            first = {name: next((row for row in some if row in choices[name]), None) for name in rest}
            if None not in first.values() and len({row.sku for row in first.values() if row}) == size:
                found.append(fed | first)
        if found and size >= 2:
            break
    return found


def converter_load(row: ConverterRow, loads: Sequence[BusLoad]) -> BusLoad:
    """A converter with what it feeds, as the bus sees it."""
    ties = NONE.union(*(load.poles for load in loads))
    most_w = row.own_draw_w + sum(load.max_w for load in loads) / row.efficiency
    inrush = inrush_w(loads) / row.efficiency
    return BusLoad(
        sku=row.sku,
        schedules=summed(loads, row.efficiency),
        own_w=row.own_draw_w + sum(load.own_w for load in loads) / row.efficiency,
        max_w=most_w,
        input_min_v=row.input_min_v,
        input_max_v=row.input_max_v,
        volume_l=row.volume_l + sum(load.volume_l for load in loads),
        temp_min_c=max([row.temp_min_c, *(load.temp_min_c for load in loads)]),
        temp_max_c=min([row.temp_max_c, *(load.temp_max_c for load in loads)]),
        poles=box_poles(row) | through(ties, isolated=row.isolated),
        surge_w=most_w + inrush if inrush else 0.0,
    )


def summed(loads: Sequence[BusLoad], efficiency: float = 1.0) -> tuple[tuple[str, float], ...]:
    """Mean power by schedule of loads behind one efficiency, sorted by schedule."""
    watts: dict[str, float] = {}
    for load in loads:
        for name, mean_w in load.schedules:
            watts[name] = watts.get(name, 0.0) + mean_w / efficiency
    return tuple(sorted(watts.items()))


class Fed:
    """Boxes of a plan fed one way or another; what shares a converter SKU is worked out once."""

    def __init__(self, loads: Mapping[str, Sequence[BusLoad]], spans: Sequence[BusSpan]) -> None:
        self._loads = loads
        self._direct = {
            name: [load.fed_at(bottom_v(load, spans)) for load in like] for name, like in loads.items()
        }
        self._behind: dict[tuple[str, ...], list[BusLoad]] = {}

    def on_bus(self, feeding: Mapping[str, ConverterRow | None]) -> tuple[Counter[str], list[BusLoad]]:
        """Converters taken, and what stands on the bus; boxes behind one converter SKU share its units."""
        units: Counter[str] = Counter()
        bus: list[BusLoad] = []
        after: dict[str, list[str]] = {}
        rows = {row.sku: row for row in feeding.values() if row is not None}
        for name, row in feeding.items():
            if row is None:
                bus += self._direct[name]
            else:
                after.setdefault(row.sku, []).append(name)
        for sku, names in sorted(after.items()):
            shared = self._shared(rows[sku], names)
            units[sku] += len(shared)
            bus += shared
        return units, bus

    def _shared(self, row: ConverterRow, names: Sequence[str]) -> list[BusLoad]:
        """The units of one converter SKU with what they feed."""
        key = (row.sku, *names)
        if key not in self._behind:
            together = [behind(load, row) for name in names for load in self._loads[name]]
            self._behind[key] = [converter_load(row, some) for some in share(together, row)]
        return self._behind[key]
