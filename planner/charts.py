"""A picture of a plan as one SVG: a site's energy over the year, and what the fleet costs.

`python -m planner.charts PLAN PICTURE.svg [SITE]` draws it from the tables in a plan's folder. It needs no
script, font or file beside it, and follows the reader's light or dark colours.
"""

import json
import sys
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from planner.errors import PlannerError
from planner.tables.plan_files import MANIFEST

WIDTH, MARGIN = 640, 24
CHART_TOP, CHART_HEIGHT = 104, 170  # of the year's bars
BAR_TOP, BAR_STEP, BAR_LEFT, BAR_RIGHT = 64, 26, 160, 92  # of the costs' bars
NAME_MAX = 32  # characters of a site's name that fit
CATEGORY_WORDS = {"balance": "mounts, enclosures", "access": "access to sites"}  # others speak for themselves
MONTH_NAMES = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

#: Colours that people with colour blindness tell apart (Okabe and Ito, Color Universal Design), on panels
#: of their own, as the page behind may be dark where the reader's system is light.
STYLE = """\
.panel { fill: #ffffff; stroke: #d0d4da; }
text { fill: #24292f; font: 15px system-ui, -apple-system, "Segoe UI", sans-serif; }
.head { font-size: 18px; font-weight: 600; }
.soft { fill: #57606a; }
.end { text-anchor: end; }
.mid { text-anchor: middle; }
.array { fill: #e69f00; }
.cost { fill: #0072b2; }
.load { stroke: #0072b2; stroke-width: 3; fill: none; }
.axis { stroke: #8c959f; }
.loadname { fill: #0072b2; }
@media (prefers-color-scheme: dark) {
  .panel { fill: #161b22; stroke: #3d444d; }
  text { fill: #e6edf3; }
  .soft { fill: #a5adb7; }
  .cost { fill: #56b4e9; }
  .load { stroke: #56b4e9; }
  .loadname { fill: #56b4e9; }
}"""


def draw(folder: Path, site_id: str = "") -> str:
    """SVG of the plan in a folder.

    Parameters
    ----------
    folder : Path
        Where `planner plan` wrote it.
    site_id : str, optional
        Whose energy is drawn; else the site with the least array-to-load ratio, the first of equals.

    Raises
    ------
    PlannerError
        The folder holds no plan, or the plan no design for the site.
    """
    if not (folder / MANIFEST).is_file():
        raise PlannerError(f"{folder} holds no plan")
    manifest = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    designs = {row["site_id"]: row for row in _rows(folder, "site_designs")}
    if not designs or site_id not in {"", *designs}:
        raise PlannerError(f"{folder} has no design for {site_id or 'any site'}")
    site_id = site_id or min(designs, key=lambda key: designs[key]["array_to_load_ratio"] or float("inf"))
    energy = [row for row in _rows(folder, "energy_balance") if row["site_id"] == site_id]
    costs = _costs(manifest)
    year_height = CHART_TOP + CHART_HEIGHT + 34
    cost_height = BAR_TOP + BAR_STEP * len(costs) + 10
    height = year_height + cost_height + 3 * MARGIN // 2
    parts = [
        *_panel(MARGIN // 2, year_height, _year(designs[site_id], energy)),
        *_panel(MARGIN + year_height, cost_height, _bars(manifest, costs)),
    ]
    title = f"{manifest['scenario'] or 'The plan'}: a site's energy over the year, and the fleet's cost"
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" '
            f'height="{height}" role="img">',
            f"<title>{escape(title)}</title>",
            f"<style>\n{STYLE}\n</style>",
            *parts,
            "</svg>\n",
        ]
    )


def _rows(folder: Path, name: str) -> list[dict[str, Any]]:
    import pyarrow.parquet as pq

    rows: list[dict[str, Any]] = pq.read_table(folder / f"{name}.parquet").to_pylist()
    return rows


def _costs(manifest: Mapping[str, Any]) -> list[tuple[str, float]]:
    """Categories with any cost, the greatest first."""
    costs = [(CATEGORY_WORDS.get(name, name), float(amount)) for name, amount in manifest["costs"].items()]
    return sorted(((name, amount) for name, amount in costs if amount), key=lambda cost: (-cost[1], cost[0]))


def _panel(top: int, height: int, parts: Iterator[str]) -> Iterator[str]:
    yield f'<g transform="translate({MARGIN // 2} {top})">'
    yield f'<rect class="panel" width="{WIDTH - MARGIN}" height="{height}" rx="8"/>'
    yield from parts
    yield "</g>"


def text_at(x: float, y: float, text: str, kind: str = "") -> str:
    style = f' class="{kind}"' if kind else ""
    return f'<text x="{x:g}" y="{y:g}"{style}>{escape(text)}</text>'


def _bar(x: float, y: float, width: float, height: float, kind: str) -> str:
    return f'<rect class="{kind}" x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}"/>'


def _year(design: Mapping[str, Any], energy: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """Array energy of a mean day as bars, the load as a line, their ratio above each bar."""
    step = (WIDTH - 2 * MARGIN) / len(MONTH_NAMES)
    most = max(max(row["array_wh_day"], row["load_wh_day"]) for row in energy)
    base = CHART_TOP + CHART_HEIGHT
    scale = CHART_HEIGHT / most if most else 0.0
    yield text_at(MARGIN / 2, 28, f"{_cut(design['name'])}: energy of a mean day", "head")
    yield text_at(
        MARGIN / 2,
        50,
        f"{design['array_w']:,.0f} W of modules and {design['battery_wh']:,.0f} Wh of batteries on "
        f"{design['system_voltage_v']} V; {design['autonomy_days'] or 0:.1f} days without sun",
        "soft",
    )
    yield f'<rect class="array" x="{MARGIN / 2:g}" y="62" width="14" height="14"/>'
    yield text_at(MARGIN / 2 + 20, 75, "array, with its ratio to the load")
    path = f"M {MARGIN / 2 + 284:g} 69 h 22"
    yield f'<path class="load" d="{path}"/>'
    yield text_at(MARGIN / 2 + 312, 75, f"load, {_span(row['load_wh_day'] for row in energy)} Wh", "loadname")
    line = []
    for m, row in enumerate(energy):
        x, tall = MARGIN / 2 + m * step, row["array_wh_day"] * scale
        middle, ratio = x + step / 2, row["array_to_load_ratio"]
        yield _bar(x + 5, base - tall, step - 10, tall, "array")
        raised = max(tall, row["load_wh_day"] * scale + 3)
        yield text_at(middle, base - raised - 6, "" if ratio is None else f"{ratio:.3g}", "mid")
        kind = "mid" if m + 1 == design["design_month"] else "mid soft"
        yield text_at(middle, base + 20, MONTH_NAMES[row["month"] - 1], kind)
        line.append(f"{x:.1f} {base - row['load_wh_day'] * scale:.1f} h {step:.1f}")
    yield f'<path class="axis" d="M {MARGIN / 2:g} {base} h {step * len(energy):g}"/>'
    yield f'<path class="load" d="M {" L ".join(line)}"/>'


def _cut(name: str) -> str:
    return name if len(name) <= NAME_MAX else name[: NAME_MAX - 1] + "…"


def _span(values: Iterator[float]) -> str:
    """`217`, or `180 to 217` where it changes over the year."""
    numbers = sorted(values)
    low, high = f"{numbers[0]:,.0f}", f"{numbers[-1]:,.0f}"
    return low if low == high else f"{low} to {high}"


def _bars(manifest: Mapping[str, Any], costs: Sequence[tuple[str, float]]) -> Iterator[str]:
    """What the fleet costs by category."""
    currency, total = manifest["currency"], float(manifest["total_cost"])
    wide = WIDTH - MARGIN - BAR_LEFT - BAR_RIGHT - MARGIN
    most = max((amount for _, amount in costs), default=1.0)
    sites = manifest["sites_planned"]
    yield text_at(MARGIN / 2, 28, f"{sites} site{'s' * (sites != 1)}: {total:,.0f} {currency}", "head")
    yield text_at(
        MARGIN / 2,
        50,
        f"no plan can cost less than {float(manifest['best_bound']):,.0f} {currency}, "
        f"{100 * manifest['mip_gap']:.1f} % under it",
        "soft",
    )
    for i, (name, amount) in enumerate(costs):
        y = BAR_TOP + i * BAR_STEP
        length = wide * amount / most
        yield text_at(BAR_LEFT, y + 16, name, "end")
        yield _bar(BAR_LEFT + 10, y + 2, length, 18, "cost")
        yield text_at(BAR_LEFT + length + 18, y + 16, f"{amount:,.0f}")


def main(arguments: Sequence[str]) -> int:
    """Draw a plan's picture from the command line."""
    if len(arguments) not in (2, 3):
        print("usage: python -m planner.charts PLAN PICTURE.svg [SITE]", file=sys.stderr)
        return 2
    try:
        Path(arguments[1]).write_text(draw(Path(arguments[0]), *arguments[2:]), encoding="utf-8")
    except PlannerError as error:
        print(f"planner: {error}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
