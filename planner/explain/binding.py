"""The rules that bind a site's design: those of the audit that it comes nearest to, in words."""

from collections.abc import Mapping, Sequence
from math import isfinite
from pathlib import Path
from typing import Any

from planner.referee import Check, audit_site
from planner.scenario import Scenario
from planner.tables.explained_rows import BindingRuleRow

SHOWN = 10  # rules
KEPT, BROKEN = "still kept", "broken"
KELVIN_SPAN = 50.0  # what a margin of temperature is a share of, as 0 C is no measure

#: Rules that a design can come near, in words; the audit's other limits are met by whole numbers or choice.
MEANINGS: Mapping[str, str] = {
    "adapter-power": "power behind an adapter of passive PoE",
    "array-to-load-ratio": "array energy of the month over the load",
    "autonomy": "usable energy of the battery over the reserve that the days ask",
    "battery-cold": "coldest battery over its lowest temperature",
    "battery-heat": "hottest battery under its highest temperature",
    "battery-parallel": "battery strings in parallel",
    "battery-series": "battery blocks in a string",
    "box-cold": "coldest enclosure over the box's lowest temperature",
    "box-heat": "hottest enclosure under the box's highest temperature",
    "bus-window-high": "charged cold battery under the highest voltage that the box takes",
    "bus-window-low": "bus at the load disconnect over the lowest voltage that the box takes",
    "channel-length": "length of an Ethernet channel",
    "charge-cold": "coldest battery over its lowest charging temperature",
    "charge-current": "charge current under what the battery takes",
    "class-power": "power of a PoE device under what its class delivers over the cable",
    "controller-cold": "coldest enclosure over the controller's lowest temperature",
    "controller-heat": "hottest enclosure under the controller's highest temperature",
    "controller-input": "array's short-circuit current under the controller's input limit",
    "controller-output": "array's current under the controller's output limit",
    "controllers-max": "controllers in parallel",
    "converter-power": "power behind a converter or inverter",
    "daily-depth": "longest night's discharge of the battery",
    "discharge-current": "load current under what the battery gives",
    "disconnect-current": "load current under what the load disconnect carries",
    "disconnect-inrush": "inrush under what the load disconnect bears for seconds",
    "enclosure-block": "volume of a block under that of an enclosure",
    "enclosure-damping": "enclosure's damping of the cold",
    "enclosure-volume": "volume of what stands inside the enclosures",
    "enclosures-max": "enclosures over which batteries part",
    "injector-power": "power behind a PoE injector",
    "module-area": "area of all modules under the site's room for them",
    "module-cold": "coldest air over the module's lowest temperature",
    "module-heat": "hottest cells under the module's highest temperature",
    "module-wind": "wind pressure under what the module bears",
    "mount-tilt": "tilt within the mount's range",
    "mount-wind": "gust under what the mount stands",
    "mounts": "modules that the mounts carry",
    "passive-power": "power of a passive PoE port",
    "passive-voltage-high": "voltage of passive PoE under the device's highest",
    "passive-voltage-low": "voltage of passive PoE over the device's lowest",
    "poe-budget": "PoE power of a switch under its budget",
    "recovery": "energy to spare that refills the reserve in the days asked",
    "string-cold": "open-circuit voltage of a string on the coldest dawn under the limit",
    "string-hot": "maximum-power voltage of a hot string over what charging takes",
    "switches-max": "switches at the site",
}
#: Figures of the battery that go with its strings in parallel, and those that go against them.
WITH_STRINGS, AGAINST_STRINGS = ("autonomy",), ("daily-depth", "charge-current", "discharge-current")


def binding_rules(plan: Path, scenario: Scenario, design: Any) -> list[BindingRuleRow]:
    """The rules that a site's design (its row in the plan) comes nearest to, each where it is nearest.

    Those that a string less would break come first: parts are whole, so their margins may be wide.
    """
    nearest: dict[str, Check] = {}
    for check in audit_site(plan, scenario, design.site_id):
        known = check.rule in MEANINGS and check.weighed and check.limit is not None
        if known and (check.rule not in nearest or _share(check) < _share(nearest[check.rule])):
            nearest[check.rule] = check
    rows = [_row(check, design) for check in nearest.values() if isfinite(_share(check))]
    rows.sort(key=lambda row: (not row.one_less.endswith(BROKEN), row.margin_share, row.rule))
    return rows[:SHOWN]


def _share(check: Check) -> float:
    """Margin over the limit."""
    scale = KELVIN_SPAN if check.unit == "C" else abs(check.limit or 0.0)
    return (check.margin or 0.0) / scale if scale else abs(check.margin or 0.0)


def _row(check: Check, design: Any) -> BindingRuleRow:
    assert check.value is not None
    assert check.limit is not None
    return BindingRuleRow(
        rule=check.rule,
        meaning=MEANINGS[check.rule],
        subject=check.subject,
        value=float(f"{check.value:.6g}"),
        limit=float(f"{check.limit:.6g}"),
        unit=check.unit,
        margin=float(f"{check.margin:.4g}"),
        margin_share=round(_share(check), 4),
        one_less=one_less(check, design),
    )


def one_less(check: Check, design: Any) -> str:
    """What a string of modules or of batteries less makes of a figure, taken in proportion."""
    strings: Sequence[tuple[tuple[str, ...], str, int, bool]] = (
        (("array-to-load-ratio",), "modules", design.modules_parallel, True),
        (WITH_STRINGS, "batteries", design.batteries_parallel, True),
        (AGAINST_STRINGS, "batteries", design.batteries_parallel, False),
    )
    for rules, what, number, along in strings:
        if check.rule in rules and check.value is not None and check.limit is not None:
            if number <= 1:
                return f"it is the only string of {what}"
            left = (number - 1) / number
            value = check.value * left if along else check.value / left
            kept = value >= check.limit if along else value <= check.limit
            return f"with a string of {what} less about {value:.4g}: {KEPT if kept else BROKEN}"
    return ""
