"""Columns of buses, batteries, mounts and sites: faults are named, oddities get a second look."""

from pathlib import Path

import pytest

from planner.errors import Severity
from planner.scenario import check_scenario, read_scenario
from tests.support import with_cell, write_scenario

MOUNT = {
    "sku": "MT", "maker": "Ostrel", "weight_kg": "9", "kind": "mount", "module_area_max_m2": "3",
    "wind_max_m_s": "45", "weight_max_kg": "40",
}  # fmt: skip


@pytest.mark.parametrize(
    ("name", "column", "value", "code"),
    [
        ("sites", "bus_grounding", "minus", "not-a-choice"),
        ("sites", "recovery_days_max", "0", "out-of-range"),
        ("sites", "wind_design_m_s", "160", "out-of-range"),  # km/h
        ("sites", "enclosure_rise_k", "-1", "out-of-range"),
        ("sites", "enclosure_damping_k", "warm", "not-a-number"),
        ("catalogue/controllers", "common_terminal", "earth", "not-a-choice"),
        ("catalogue/batteries", "heater_w", "-5", "out-of-range"),
        ("catalogue/modules", "pressure_max_pa", "0", "out-of-range"),
    ],
)
def test_faulty_cells_are_named(tmp_path: Path, name: str, column: str, value: str, code: str) -> None:
    found = check_scenario(write_scenario(tmp_path, tables=with_cell(name, 0, **{column: value})))
    assert [(p.code, p.column, p.line) for p in found if p.severity is Severity.ERROR] == [(code, column, 2)]


def test_faulty_mount_is_named(tmp_path: Path) -> None:
    found = check_scenario(
        write_scenario(tmp_path, tables={"catalogue/balance": [MOUNT | {"wind_max_m_s": "-1"}]})
    )
    assert ("out-of-range", "wind_max_m_s") in {(p.code, p.column) for p in found}


@pytest.mark.parametrize(
    ("name", "cells", "code", "column"),
    [
        ("catalogue/batteries", {"heater_w": "20", "temp_min_c": "-20"}, "heater-idle", "heater_w"),
        ("catalogue/modules", {"pressure_max_pa": "2.4"}, "implausible", "pressure_max_pa"),  # kPa
    ],
)
def test_odd_parts_get_a_second_look(
    tmp_path: Path, name: str, cells: dict[str, str], code: str, column: str
) -> None:
    found = check_scenario(write_scenario(tmp_path, tables=with_cell(name, 0, **cells)))
    assert [(p.code, p.column) for p in found if p.severity is Severity.WARNING] == [(code, column)]


def test_lithium_that_charges_in_frost_gets_a_second_look(tmp_path: Path) -> None:
    cells = {
        "chemistry": "lfp", "nominal_v": "12.8", "cells": "4", "charge_v": "14.2", "charge_min_v": "14",
        "charge_max_v": "14.6", "disconnect_v": "12", "weight_kg": "12", "temp_compensation_v_per_k": "0",
    }  # fmt: skip
    frost = check_scenario(write_scenario(tmp_path, tables=with_cell("catalogue/batteries", 0, **cells)))
    assert [(p.code, p.column) for p in frost] == [("implausible", "charge_temp_min_c")]
    heated = cells | {"charge_temp_min_c": "0", "heater_w": "30"}
    folder = write_scenario(tmp_path / "heated", tables=with_cell("catalogue/batteries", 0, **heated))
    assert check_scenario(folder) == []


def test_wind_of_an_enclosure_is_not_asked(tmp_path: Path) -> None:
    box = {
        "sku": "BX", "maker": "Ostrel", "weight_kg": "9", "kind": "enclosure", "volume_max_l": "60",
        "wind_max_m_s": "45",
    }  # fmt: skip
    found = check_scenario(write_scenario(tmp_path, tables={"catalogue/balance": [box]}))
    assert ("not-used", "wind_max_m_s") in {(p.code, p.column) for p in found}


def test_policies_are_read(tmp_path: Path) -> None:
    scenario = read_scenario(
        write_scenario(tmp_path),
        overrides={"policy.recovery_days_max": "21", "battery.equalise_required": "true"},
    )
    assert scenario.settings.policy.recovery_days_max == 21.0
    assert scenario.settings.battery.equalise_required is True
    assert scenario.settings.policy.wind_design_m_s is None


def test_damping_is_asked_of_enclosures_only(tmp_path: Path) -> None:
    found = check_scenario(
        write_scenario(tmp_path, tables={"catalogue/balance": [MOUNT | {"damping_k": "15"}]})
    )
    assert ("not-used", "damping_k") in {(p.code, p.column) for p in found}
