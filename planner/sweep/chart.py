"""The picture of a sweep as one SVG: what plans cost against the availability that they reach.

Where availability is the same in all plans, or known of none, cost stands against the first figure varied. A
line joins the plans that differ in that figure alone.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from html import escape

from planner.charts import MARGIN, STYLE, WIDTH, text_at
from planner.sweep.axes import Axis, Combination
from planner.sweep.scale import Scale, by_nines, in_order, rounded_marks
from planner.tables.rerun_rows import SweepRow

TOP, HEIGHT, LEFT, RIGHT = 92, 260, 116, 48  # of the drawing area
LEGEND_STEP, UNDER = 22, 60  # height of a line of the legend, and of what stands under the axis
LINES_MAX = 12  # lines in one picture; more cannot be told apart
CHARACTER, LINE, DOT = 8.0, 16.0, 5.0  # width and height of a character, radius of a dot, px
TITLE_MAX, SOFT_MAX, LEGEND_MAX, LABEL_MAX = 58, 76, 66, 16  # characters that fit

AVAILABILITY = "weather-only energy availability"
WHOSE = f"{AVAILABILITY}, mean of the sites, simulated"

#: Colours that people with colour blindness tell apart (Okabe and Ito, Color Universal Design).
COLOURS = ("#0072b2", "#e69f00", "#009e73", "#d55e00", "#cc79a7", "#56b4e9")
MARKS = """\
svg { max-width: 100%; height: auto; }
.line { fill: none; stroke-width: 3; }
.ring { fill: none; stroke-width: 2; }
.grid { stroke: #e4e7eb; }
.small { font-size: 14px; }
.tag { paint-order: stroke; stroke: #ffffff; stroke-width: 4px; stroke-linejoin: round; }
@media (prefers-color-scheme: dark) { .grid { stroke: #2d333b; } .tag { stroke: #161b22; } }"""
DASHES = ("", "7 4")  # a second round of the colours


@dataclass(frozen=True, slots=True, kw_only=True)
class Dot:
    """A plan in the picture: where it stands, what stands beside it, and in words what it is.

    `whole` says whether all sites are served: a plan that leaves some out is cheaper for no good reason.
    """

    x: float
    y: float
    label: str
    words: str
    whole: bool


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
    known = [row.availability_mean if row.total_cost is not None else None for row in rows]
    scale = by_nines(AVAILABILITY, known) or in_order(axes[0].name, axes[0].values, [c[0] for c in cases])
    names = list(dict.fromkeys(_others(axes, case) for case in cases))[:LINES_MAX]
    costs = [float(row.total_cost) for row in rows if row.total_cost is not None]
    up = _upward(costs)
    dots = [
        (_others(axes, case), _dot(axes, case, row, currency, place, up, labelled=scale.name == AVAILABILITY))
        for case, row, place in zip(cases, rows, scale.places, strict=True)
        if row.total_cost is not None and place is not None
    ]
    lines = [[dot for name, dot in dots if name == line] for line in names]
    if scale.name != AVAILABILITY:  # values need not be given in order
        lines = [sorted(line, key=lambda dot: dot.x) for line in lines]
    title = f"Total cost, {currency}, against {scale.name}"
    height = TOP + HEIGHT + UNDER + (len(names) * LEGEND_STEP if len(axes) > 1 else 0)
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height + MARGIN}" '
            f'width="{WIDTH}" height="{height + MARGIN}" role="img" aria-label="{escape(title)}">',
            f"<title>{escape(title)}</title>",
            f"<style>\n{STYLE}\n{MARKS}\n</style>",
            f'<rect class="panel" x="{MARGIN // 2}" y="{MARGIN // 2}" width="{WIDTH - MARGIN}" '
            f'height="{height}" rx="8"/>',
            text_at(MARGIN, 40, _cut(title, TITLE_MAX), "head"),
            text_at(MARGIN, 62, _cut(_said(axes, rows, scale), SOFT_MAX), "soft small"),
            *_axis(scale, costs, up),
            *(part for number, line in enumerate(lines) for part in _line(number, line)),
            *_labels([dot for line in lines for dot in line]),
            *(_legend(names) if len(axes) > 1 else ()),
            "</svg>\n",
        ]
    )


def _others(axes: Sequence[Axis], case: Combination) -> str:
    """The figures but the first, in words: those of a line."""
    return ", ".join(f"{axis.name} = {value}" for axis, value in zip(axes[1:], case[1:], strict=True))


def _said(axes: Sequence[Axis], rows: Sequence[SweepRow], scale: Scale) -> str:
    """The line under the title."""
    alike = {row.availability_mean for row in rows if row.availability_mean is not None}
    if scale.name == AVAILABILITY:
        first = f"beside a dot: {axes[0].name}"
    elif alike:
        first = f"availability, mean of the sites, simulated: {100 * min(alike):.6g} % in all plans"
    else:
        first = f"{AVAILABILITY} is not known"
    rings = "; a ring: some sites are not served" if any(row.sites_unserved for row in rows) else ""
    return first + rings


def _upward(costs: Sequence[float]) -> Callable[[float], float]:
    """Height of a cost in the picture, with some room under the least and over the greatest."""
    low, high = min(costs, default=0.0), max(costs, default=0.0)
    room = (high - low) or 1.0
    return lambda cost: TOP + HEIGHT - 24 - (cost - low) / room * (HEIGHT - 48)


def _across(place: float) -> float:
    return LEFT + place * (WIDTH - MARGIN - RIGHT - LEFT)


def _dot(
    axes: Sequence[Axis],
    case: Combination,
    row: SweepRow,
    currency: str,
    place: float,
    up: Callable[[float], float],
    *,
    labelled: bool,
) -> Dot:
    words = [f"{axis.name} = {value}" for axis, value in zip(axes, case, strict=True)]
    words.append(f"{row.total_cost} {currency}")
    if row.availability_mean is not None:
        words.append(f"availability {100 * row.availability_mean:.6g} %")
    if row.sites_unserved:
        words.append(f"sites not served: {row.sites_unserved}")
    return Dot(
        x=_across(place),
        y=up(float(row.total_cost or 0)),
        label=_cut(case[0], LABEL_MAX) if labelled else "",
        words=", ".join(words),
        whole=not row.sites_unserved,
    )


def _axis(scale: Scale, costs: Sequence[float], up: Callable[[float], float]) -> Iterator[str]:
    """Both axes with round marks; a word where there is no plan."""
    base, left, right = TOP + HEIGHT, LEFT - 16, WIDTH - MARGIN - RIGHT + 16
    for cost in rounded_marks(min(costs), max(costs)) if costs else ():
        yield f'<path class="grid" d="M {left} {up(cost):.1f} H {right}"/>'
        yield text_at(left - 6, up(cost) + 5, f"{cost:,.10g}", "end soft small")
    yield f'<path class="axis" d="M {left} {base} H {right}"/>'
    for place, label in scale.marks:
        yield f'<path class="axis" d="M {_across(place):.1f} {base} v 5"/>'
        yield text_at(_across(place), base + 22, _cut(label, LABEL_MAX), "mid small")
    name = WHOSE if scale.name == AVAILABILITY else scale.name
    yield text_at(_across(0.5), base + 46, _cut(name, SOFT_MAX), "mid soft small")
    if not costs:
        yield text_at(_across(0.5), TOP + HEIGHT / 2, "no plan was found", "mid")


def _line(number: int, dots: Sequence[Dot]) -> Iterator[str]:
    """A line in its colour; a full dot for a plan of all sites, a ring for one that leaves some out."""
    colour = COLOURS[number % len(COLOURS)]
    if dots:
        path = " L ".join(f"{dot.x:.1f} {dot.y:.1f}" for dot in dots)
        yield f'<path class="line" {_stroke(number)} d="M {path}"/>'
    for dot in dots:
        look = f'fill="{colour}"' if dot.whole else f'class="ring" stroke="{colour}"'
        at = f'cx="{dot.x:.1f}" cy="{dot.y:.1f}" r="{DOT:g}"'
        yield f"<circle {at} {look}><title>{escape(dot.words)}</title></circle>"


def _stroke(number: int) -> str:
    dash = DASHES[number // len(COLOURS) % len(DASHES)]
    return f'stroke="{COLOURS[number % len(COLOURS)]}"' + (f' stroke-dasharray="{dash}"' if dash else "")


#: Left, top, right and bottom of something drawn.
Box = tuple[float, float, float, float]
FRAME: Box = (LEFT - 16, TOP - 20, WIDTH - MARGIN, TOP + HEIGHT)


def _labels(dots: Sequence[Dot]) -> Iterator[str]:
    """A label beside each dot where there is room for it; without any, the title of the dot has to do."""
    taken: list[Box] = [(dot.x - DOT, dot.y - DOT, dot.x + DOT, dot.y + DOT) for dot in dots]
    for dot in dots:
        wide = CHARACTER * len(dot.label)
        for x, y in ((-wide / 2, -22.0), (-wide / 2, 7.0), (9.0, -LINE / 2), (-wide - 9, -LINE / 2)):
            box = (dot.x + x, dot.y + y, dot.x + x + wide, dot.y + y + LINE)
            if dot.label and _within(box, FRAME) and not any(_meet(box, other) for other in taken):
                taken.append(box)
                yield text_at(box[0] + wide / 2, box[3] - 3, dot.label, "mid small tag")
                break


def _within(one: Box, other: Box) -> bool:
    return one[0] >= other[0] and one[1] >= other[1] and one[2] <= other[2] and one[3] <= other[3]


def _meet(one: Box, other: Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def _legend(names: Sequence[str]) -> Iterator[str]:
    for number, name in enumerate(names):
        y = TOP + HEIGHT + UNDER + 12 + number * LEGEND_STEP
        yield f'<path class="line" {_stroke(number)} d="M {MARGIN} {y - 5} h 22"/>'
        yield text_at(MARGIN + 32, y, _cut(name, LEGEND_MAX), "small")


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"
