"""Plans under rules that the bundled fleet does not need pass their audit: nothing sound is called broken."""

from collections.abc import Callable
from pathlib import Path

import pytest

from planner.pipeline import plan_folder
from tests.plan.fleets import Cut

AC = {
    "device": "pump",
    "supply": "ac",
    "input_min_v": "220",
    "input_max_v": "240",
    "average_w": "6",
    "max_w": "60",
    "surge_w": "150",
    "data_ports": "1",
    "power_allocation": "class",
    "schedule": "day",
}


def loads(cut: Cut, *rows: tuple[str, str, int]) -> None:
    more = [
        {"load_profile": profile, "device": device, "quantity": str(n), "cable_m": "30"}
        for profile, device, n in rows
    ]
    cut.change("loads", lambda known: [*known, *more])


def inverters(cut: Cut) -> None:
    cut.change("devices", lambda rows: [*rows, dict.fromkeys(rows[0], "") | AC])
    loads(cut, ("avalanche", "pump", 1), ("hub", "pump", 2))


def several_switches(cut: Cut) -> None:
    loads(cut, ("snow-camera", "camera-4", 3), ("hub", "camera-3", 4), ("avalanche", "radio-48", 3))


def floating(cut: Cut) -> None:
    cut.change("sites", lambda rows: [row | {"bus_grounding": "floating"} for row in rows])


def kroner(cut: Cut) -> None:
    rates = {"NOK": ("EUR", "11.6"), "USD": ("USD", "10.7")}
    cut.change(
        "catalogue/fx",
        lambda rows: [
            row
            | dict(
                zip(
                    ("currency", "rate"),
                    rates.get(row["currency"], (row["currency"], row["rate"])),
                    strict=True,
                )
            )
            for row in rows
        ],
    )


def as_it_is(cut: Cut) -> None:
    """Only settings differ."""


@pytest.mark.parametrize(
    ("edit", "settings"),
    [
        (inverters, {}),
        (several_switches, {"policy.uplink_ports": "2"}),
        (floating, {"policy.uplink_medium": "fibre"}),
        (kroner, {"currency": "NOK"}),
        (as_it_is, {"policy.wind_design_m_s": "45", "policy.recovery_days_max": "40"}),
    ],
)
def test_a_plan_passes(edit: Callable[[Cut], None], settings: dict[str, str], tmp_path: Path) -> None:
    cut = Cut(tmp_path / "scenario", ("finse", "grotli", "cairnwell"))
    edit(cut)
    plan, _ = plan_folder(cut.folder, tmp_path / "plan", overrides={"solver.gap": "0.1", **settings})
    assert plan.manifest["sites_planned"] == 3
    assert plan.manifest["audit"]["passed"], plan.manifest["audit"]["first_broken"]
