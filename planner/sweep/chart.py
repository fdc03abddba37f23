"""The picture of a sweep as one SVG: cost against the first figure varied, a line for each of the others."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

from planner.charts import MARGIN, STYLE, WIDTH, text_at
from planner.sweep.axes import Axis, Combination
from planner.tables.rerun_rows import SweepRow

TOP, HEIGHT, LEFT, RIGHT = 72, 240, 88, 24  # of the drawing area
LEGEND_STEP = 22
LABELS_MAX = 8  # values named below the axis
LINES_MAX = 12  # lines in one picture; more cannot be told apart

#: Colours that people with colour blindness tell apart (Okabe and Ito, Color Universal Design).
COLOURS = ("#0072b2", "#e69f00", "#009e73", "#d55e00", "#cc79a7", "#56b4e9")
MARKS = ".line { fill: none; stroke-width: 3; }\n.ring { fill: none; stroke-width: 2; }"
DASHES = ("", "7 4")  # a second round of the colours


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """Costs over the first figure's values, for one combination of the others; None without a plan.

    `whole` says where all sites are served: a plan that leaves some out is cheaper for no good reason.
    """

    label: str
    costs: tuple[float | None, ...]
    whole: tuple[bool, ...]


def draw_sweep(
    axes: Sequence[Axis], cases: Sequence[Combination], rows: Sequence[SweepRow], currency: str
) -> str:
    """SVG of a sweep.

    Parameters
    ----------
    axes, cases, rows
        What was varied, the combinations, and what each plan came to.
    currency : str
        Of the costs.
    """
    lines = _lines(axes, cases, rows)[:LINES_MAX]
    x = _places(axes[0].values)
    legend = len(lines) * LEGEND_STEP if len(axes) > 1 else 0
    height = TOP + HEIGHT + 64 + legend
    title = f"Total cost, {currency}, against {axes[0].name}"
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height + MARGIN}" '
            f'width="{WIDTH}" height="{height + MARGIN}" role="img">',
            f"<title>{escape(title)}</title>",
            f"<style>\n{STYLE}\n{MARKS}\n</style>",
            f'<rect class="panel" x="{MARGIN // 2}" y="{MARGIN // 2}" width="{WIDTH - MARGIN}" '
            f'height="{height}" rx="8"/>',
            text_at(MARGIN, 40, title, "head"),
            text_at(MARGIN, 60, "a ring: some sites are not served", "soft"),
            *_axis(axes[0], x),
            *_costs(lines, x),
            *(_legend(lines) if legend else ()),
            "</svg>\n",
        ]
    )


def _lines(axes: Sequence[Axis], cases: Sequence[Combination], rows: Sequence[SweepRow]) -> list[Line]:
    found = dict(zip(cases, rows, strict=True))
    others = list(dict.fromkeys(case[1:] for case in cases))
    return [
        Line(
            label=", ".join(f"{axis.name} = {value}" for axis, value in zip(axes[1:], rest, strict=True)),
            costs=tuple(_cost(found[(value, *rest)]) for value in axes[0].values),
            whole=tuple(not found[(value, *rest)].sites_unserved for value in axes[0].values),
        )
        for rest in others
    ]


def _cost(row: SweepRow) -> float | None:
    return None if row.total_cost is None else float(row.total_cost)


def _places(values: Sequence[str]) -> list[float]:
    """Places along the axis, 0 to 1: by size where all are numbers, else evenly in their order."""
    try:
        numbers = [float(value) for value in values]
    except ValueError:
        numbers = [float(at) for at in range(len(values))]
    low, high = min(numbers), max(numbers)
    return [(number - low) / (high - low) if high > low else 0.5 for number in numbers]


def _across(place: float) -> float:
    return LEFT + place * (WIDTH - MARGIN - RIGHT - LEFT)


def _axis(axis: Axis, x: Sequence[float]) -> Iterator[str]:
    base = TOP + HEIGHT
    yield f'<path class="axis" d="M {LEFT} {base} H {WIDTH - MARGIN - RIGHT}"/>'
    every = -(-len(x) // LABELS_MAX)
    for at in range(0, len(x), every):
        yield text_at(_across(x[at]), base + 22, axis.values[at], "mid")
    yield text_at(_across(0.5), base + 46, axis.name, "mid soft")


def _costs(lines: Sequence[Line], x: Sequence[float]) -> Iterator[str]:
    """Lines over a scale from the least to the greatest cost, both named; nothing where there is no plan."""
    found = [cost for line in lines for cost in line.costs if cost is not None]
    if not found:
        yield text_at(_across(0.5), TOP + HEIGHT / 2, "no plan was found", "mid")
        return
    low, high = min(found), max(found)
    room = (high - low) or 1.0

    def up(cost: float) -> float:
        return TOP + HEIGHT - 20 - (cost - low) / room * (HEIGHT - 40)

    for named in dict.fromkeys((low, (low + high) / 2, high)):
        yield text_at(LEFT - 8, up(named) + 5, f"{named:,.0f}", "end soft")
    order = sorted(range(len(x)), key=lambda at: x[at])
    for number, line in enumerate(lines):
        points = [
            (_across(x[at]), up(cost), line.whole[at]) for at in order if (cost := line.costs[at]) is not None
        ]
        if points:
            path = " L ".join(f"{across:.1f} {down:.1f}" for across, down, _ in points)
            yield f'<path class="line" {_stroke(number)} d="M {path}"/>'
        for across, down, whole in points:
            yield f'<circle cx="{across:.1f}" cy="{down:.1f}" r="5" {_dot(number, whole=whole)}/>'


def _colour(number: int) -> str:
    return COLOURS[number % len(COLOURS)]


def _dot(number: int, *, whole: bool) -> str:
    """A full dot for a plan of all sites, a ring for one that leaves some out."""
    return f'fill="{_colour(number)}"' if whole else f'class="ring" stroke="{_colour(number)}"'


def _stroke(number: int) -> str:
    dash = DASHES[number // len(COLOURS) % len(DASHES)]
    return f'stroke="{_colour(number)}"' + (f' stroke-dasharray="{dash}"' if dash else "")


def _legend(lines: Sequence[Line]) -> Iterator[str]:
    for number, line in enumerate(lines):
        y = TOP + HEIGHT + 70 + number * LEGEND_STEP
        yield f'<path class="line" {_stroke(number)} d="M {MARGIN} {y - 5} h 22"/>'
        yield text_at(MARGIN + 32, y, line.label)
