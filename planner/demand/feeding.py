"""What boxes draw where they are fed: on the DC bus, or behind a DC-DC converter."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, product
from math import inf

from planner.errors import Refusal
from planner.scenario import Tables
from planner.settings import Settings
from planner.tables.catalogue import ConverterKind, ConverterRow

#: Bus assumed where no battery of the catalogue suits the voltage, per 12 V: disconnect, absorption
#: (lead-acid, common practice, no source).
SPAN_V_PER_12 = (11.5, 14.1)
COLDEST_C = -80.0  # no site is colder; bounds the compensated charging voltage
NOMINAL_TOLERANCE = 0.1  # 12.8 V blocks make a 12 V bus
FEEDS_MAX = 250  # ways to feed a kit's boxes that are tried one by one; beyond, a guided choice
EPS = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class BusSpan:
    """What a battery asks of the boxes on its bus: lowest, least charging and highest voltage."""

    low_v: float
    charge_v: float
    top_v: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BusLoad:
    """Something fed at one place: mean power in while on, by schedule, own draw, greatest power, window."""

    sku: str
    schedules: tuple[tuple[str, float], ...]
    own_w: float
    max_w: float
    input_min_v: float
    input_max_v: float
    volume_l: float
    temp_min_c: float
    temp_max_c: float


def bus_spans(
    tables: Tables, sold: frozenset[str] | None, system_voltage_v: int, settings: Settings
) -> tuple[BusSpan, ...]:
    """What each battery that can be bought asks of a bus of this nominal voltage.

    The least charging voltage is at 25 C, where compensation adds nothing; the highest is at the coldest
    any site may be. A box that holds no battery's span holds none at any site.
    """
    spans = set()
    for row in tables.batteries:
        series = round(system_voltage_v / row.nominal_v)
        if sold is not None and row.sku not in sold:
            continue
        if not 1 <= series <= row.batteries_series_max:
            continue
        if abs(series * row.nominal_v / system_voltage_v - 1) > NOMINAL_TOLERANCE:
            continue
        highest = row.charge_max_v + row.temp_compensation_v_per_k * (COLDEST_C - 25.0)
        spans.add(
            (
                series * row.disconnect_v * (1 - settings.demand.bus_cable_drop),
                series * row.charge_min_v,
                series * max(highest, row.equalise_v or 0.0),
            )
        )
    if not spans:
        low, top = (volts * system_voltage_v / 12 for volts in SPAN_V_PER_12)
        spans.add((low, top, top))
    return tuple(BusSpan(low_v=low, charge_v=charge, top_v=top) for low, charge, top in sorted(spans))


def on_bus(load: BusLoad, spans: Sequence[BusSpan]) -> bool:
    """Whether a box accepts the bus of at least one battery."""
    return any(
        load.input_min_v <= span.low_v + EPS and load.input_max_v >= span.charge_v - EPS for span in spans
    )


def feed_choices(
    load: BusLoad, converters: Sequence[ConverterRow], spans: Sequence[BusSpan]
) -> list[ConverterRow | None]:
    """The bus (None) if the box accepts it, and every DC-DC converter on the bus that suits the box."""
    return [None] * on_bus(load, spans) + [
        row
        for row in converters
        if row.kind is ConverterKind.DC_DC
        and load.input_min_v <= (row.output_v or 0.0) <= load.input_max_v
        and load.max_w <= (row.output_max_w or 0.0) + EPS
        and on_bus(converter_load(row, []), spans)
    ]


def no_feed(
    load: BusLoad, converters: Sequence[ConverterRow], spans: Sequence[BusSpan], system_voltage_v: int
) -> Refusal:
    """Why neither the bus nor a converter feeds a box: the converter's power, or the window."""
    roomy = [
        row
        for row in converters
        if row.kind is ConverterKind.DC_DC
        and load.input_min_v <= (row.output_v or 0.0) <= load.input_max_v
        and on_bus(converter_load(row, []), spans)
    ]
    if roomy:
        best = max(roomy, key=lambda row: row.output_max_w or 0.0)
        return Refusal(
            rule="converter-power",
            subject=load.sku,
            value=best.output_max_w,
            limit=load.max_w,
            unit="W",
            message=f"takes up to {load.max_w:.1f} W, converter {best.sku} gives {best.output_max_w:g} W",
        )
    low, charge = max(span.low_v for span in spans), min(span.charge_v for span in spans)
    over = load.input_max_v < charge
    return Refusal(
        rule="bus-window",
        subject=load.sku,
        value=load.input_max_v if over else load.input_min_v,
        limit=charge if over else low,
        unit="V",
        message=f"takes {load.input_min_v:g} to {load.input_max_v:g} V; a {system_voltage_v} V bus falls to "
        f"{low:.1f} V and charges at {charge:.1f} V, and no converter on it suits",
    )


def feedings(
    choices: Mapping[str, Sequence[ConverterRow | None]], loads: Mapping[str, Sequence[BusLoad]]
) -> list[dict[str, ConverterRow | None]]:
    """Ways to feed boxes, like boxes alike: all of them, or a guided choice where they are very many.

    The guided choice puts on the bus the boxes that hold a common window, for every such window, and
    everything else behind one or two converter SKUs, each box behind the more efficient that suits it.
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


def share(loads: Sequence[BusLoad], output_max_w: float) -> list[list[BusLoad]]:
    """Loads in as few converters as first fit by falling power finds."""
    bins: list[list[BusLoad]] = []
    for load in sorted(loads, key=lambda load: (-load.max_w, load.sku)):
        room = (b for b in bins if sum(x.max_w for x in b) + load.max_w <= output_max_w + EPS)
        together = next(room, None)
        if together is None:
            bins.append([load])
        else:
            together.append(load)
    return bins


def converter_load(row: ConverterRow, loads: Sequence[BusLoad]) -> BusLoad:
    """A converter with what it feeds, as the bus sees it."""
    return BusLoad(
        sku=row.sku,
        schedules=summed(loads, row.efficiency),
        own_w=row.own_draw_w + sum(load.own_w for load in loads) / row.efficiency,
        max_w=row.own_draw_w + sum(load.max_w for load in loads) / row.efficiency,
        input_min_v=row.input_min_v,
        input_max_v=row.input_max_v,
        volume_l=row.volume_l + sum(load.volume_l for load in loads),
        temp_min_c=max([row.temp_min_c, *(load.temp_min_c for load in loads)]),
        temp_max_c=min([row.temp_max_c, *(load.temp_max_c for load in loads)]),
    )


def summed(loads: Sequence[BusLoad], efficiency: float = 1.0) -> tuple[tuple[str, float], ...]:
    """Mean power by schedule of loads behind one efficiency, sorted by schedule."""
    watts: dict[str, float] = {}
    for load in loads:
        for name, mean_w in load.schedules:
            watts[name] = watts.get(name, 0.0) + mean_w / efficiency
    return tuple(sorted(watts.items()))


def fed_loads(
    feeding: Mapping[str, ConverterRow | None], loads: Mapping[str, Sequence[BusLoad]]
) -> tuple[Counter[str], list[BusLoad]]:
    """Converters taken, and what stands on the bus; boxes behind the same converter SKU share its units."""
    units: Counter[str] = Counter()
    bus: list[BusLoad] = []
    behind: dict[str, list[BusLoad]] = {}
    rows = {row.sku: row for row in feeding.values() if row is not None}
    for name, row in feeding.items():
        if row is None:
            bus += loads[name]
        else:
            behind.setdefault(row.sku, []).extend(loads[name])
    for sku, together in sorted(behind.items()):
        for some in share(together, rows[sku].output_max_w or inf):
            units[sku] += 1
            bus.append(converter_load(rows[sku], some))
    return units, bus
