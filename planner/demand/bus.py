"""The DC bus: what its batteries ask of the boxes on it, and what a box asks of it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf

from planner.demand.channel import source_w
from planner.demand.grounding import NONE, Poles, box_poles
from planner.scenario import Tables
from planner.settings import DemandSettings, Settings
from planner.tables.catalogue import ConverterKind, ConverterRow, SwitchRow
from planner.tables.rows import BusGrounding

#: Bus assumed where no battery of the catalogue suits the voltage, per 12 V: disconnect, absorption
#: (lead-acid, common practice, no source).
SPAN_V_PER_12 = (11.5, 14.1)
COLDEST_C = -80.0  # no site is colder; bounds the compensated charging voltage
NOMINAL_TOLERANCE = 0.1  # 12.8 V blocks make a 12 V bus
EPS = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class BusSpan:
    """What a battery asks of the boxes on its bus: lowest, least charging and highest voltage."""

    low_v: float
    charge_v: float
    top_v: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Bus:
    """A nominal bus: its batteries, the boxes that can be bought for it, which pole is earthed."""

    system_voltage_v: int
    spans: tuple[BusSpan, ...]
    converters: tuple[ConverterRow, ...]
    feeders: tuple[ConverterRow, ...]  # DC-DC converters and inverters that live on this bus
    grounding: BusGrounding
    hottest_c: float  # no battery works above it, so no box need
    demand: DemandSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class BusLoad:
    """Something fed at one place: mean power in while on, by schedule, own draw, greatest power, window.

    `poles` are those of its input that its case, or a case behind it, ties to earth. An alternating load
    names its frequency (None for any); `surge_w` is its greatest power for seconds, inrush included, 0 where
    nothing behind it starts with more than `max_w`. Powers are those at the end of a cable of `loop_ohm`, the
    window is that at its source; `fed_at` gives the powers there.
    """

    sku: str
    schedules: tuple[tuple[str, float], ...]
    own_w: float
    max_w: float
    input_min_v: float
    input_max_v: float
    volume_l: float
    temp_min_c: float
    temp_max_c: float
    poles: Poles = NONE
    alternating: bool = False
    hz: float | None = None
    surge_w: float = 0.0
    loop_ohm: float = 0.0

    def fed_at(self, volts: float) -> "BusLoad":
        """The load as its source sees it at a voltage within its window."""
        if not self.loop_ohm:
            return self
        ohm = self.loop_ohm
        return replace(
            self,
            schedules=tuple((name, source_w(watts, volts, ohm)) for name, watts in self.schedules),
            max_w=source_w(self.max_w, volts, ohm),
            loop_ohm=0.0,
        )


def make_bus(
    tables: Tables,
    sold: frozenset[str] | None,
    system_voltage_v: int,
    settings: Settings,
    grounding: BusGrounding = BusGrounding.NEGATIVE,
) -> Bus:
    """The bus of a nominal voltage with the parts that can be bought; all of them where `sold` is None."""
    spans = bus_spans(tables, sold, system_voltage_v, settings)
    converters = tuple(row for row in tables.converters if sold is None or row.sku in sold)
    feeding = (ConverterKind.DC_DC, ConverterKind.INVERTER)
    return Bus(
        system_voltage_v=system_voltage_v,
        spans=spans,
        converters=converters,
        feeders=tuple(row for row in converters if row.kind in feeding and on_bus(box_load(row), spans)),
        grounding=grounding,
        hottest_c=max((row.temp_max_c for row in tables.batteries), default=inf),
        demand=settings.demand,
    )


def box_load(row: SwitchRow | ConverterRow) -> BusLoad:
    """A box with nothing behind it."""
    return BusLoad(
        sku=row.sku,
        schedules=(),
        own_w=row.own_draw_w,
        max_w=row.own_draw_w,
        input_min_v=row.input_min_v,
        input_max_v=row.input_max_v,
        volume_l=row.volume_l,
        temp_min_c=row.temp_min_c,
        temp_max_c=row.temp_max_c,
        poles=box_poles(row),
    )


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


def bottom_v(load: BusLoad, spans: Sequence[BusSpan]) -> float:
    """Lowest bus voltage at which a load may be: of any battery, and of its own window."""
    return max(load.input_min_v, min(span.low_v for span in spans))


def on_bus(load: BusLoad, spans: Sequence[BusSpan]) -> bool:
    """Whether a box accepts the bus of at least one battery."""
    return holds(load.input_min_v, load.input_max_v, spans)


def holds(input_min_v: float, input_max_v: float, spans: Sequence[BusSpan]) -> bool:
    """Whether a window holds the bus of at least one battery."""
    return any(input_min_v <= span.low_v + EPS and input_max_v >= span.charge_v - EPS for span in spans)


def whole_bus(load: BusLoad, spans: Sequence[BusSpan]) -> bool:
    """Whether a box accepts the bus of every battery at every site."""
    return load.input_min_v <= min(span.low_v for span in spans) and load.input_max_v >= max(
        span.top_v for span in spans
    )
