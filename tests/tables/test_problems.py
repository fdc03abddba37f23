"""One test for each kind of problem: its code and the place it names.

The faults are the inputs themselves; what must be reported follows from where they were planted.
"""

import os
from collections.abc import Mapping
from pathlib import Path

import pytest

from planner.errors import InputError, Problem, Severity
from planner.fleet import make_market
from planner.scenario import check_scenario, read_scenario
from tests.support import SETTINGS, Rows, table, with_cell, write_rows, write_scenario

ERROR, WARNING = Severity.ERROR, Severity.WARNING


def problems_of(folder: Path, *, tables: Mapping[str, Rows | str | bytes] | None = None) -> list[Problem]:
    return check_scenario(write_scenario(folder, tables=tables))


def only(problems: list[Problem]) -> Problem:
    assert len(problems) == 1, "\n".join(map(str, problems))
    return problems[0]


def without(name: str, column: str) -> dict[str, Rows]:
    return {name: [{k: v for k, v in row.items() if k != column} for row in table(name)]}


def more(name: str, *rows: dict[str, str]) -> dict[str, Rows]:
    return {name: [*table(name), *rows]}


def test_the_minimal_scenario_has_no_problem(tmp_path: Path) -> None:
    assert problems_of(tmp_path) == []


CELLS = [
    # table, row from 0, column, value, code, words of the remedy
    ("sites", 0, "latitude_deg", "91", "out-of-range", "swapped"),
    ("sites", 0, "longitude_deg", "-181", "out-of-range", "swapped"),
    ("sites", 1, "latitude_deg", "4,5", "decimal-comma", "4.5"),
    ("sites", 1, "elevation_m", "1 800", "thousands-separator", "1800"),
    ("sites", 1, "elevation_m", "1,800.5", "thousands-separator", "1800.5"),
    ("sites", 1, "elevation_m", "450 m", "not-a-number", "450"),
    ("sites", 1, "elevation_m", "high", "not-a-number", "decimal mark"),
    ("sites", 1, "elevation_m", "nan", "not-finite", "number"),
    ("sites", 1, "elevation_m", "inf", "not-finite", "number"),
    ("sites", 1, "autonomy_days", "-1", "out-of-range", "days"),
    ("sites", 1, "site_id", "-a", "bad-format", "letter"),
    ("sites", 1, "site_id", "a" * 65, "too-long", "64"),
    ("sites", 0, "system_voltage_v", "36", "not-a-choice", "12, 24 or 48"),
    ("loads", 0, "quantity", "1.5", "not-a-whole-number", "decimals"),
    ("loads", 0, "quantity", "0", "out-of-range", "how many"),
    ("devices", 0, "supply", "poee", "not-a-choice", "'poe'"),
    ("devices", 0, "poe_class", "9", "out-of-range", "class"),
    ("catalogue/switches", 0, "measured_allocation", "maybe", "not-a-boolean", "true or false"),
    ("catalogue/prices", 0, "valid_from", "31.03.2026", "not-a-date", "2026-03-31"),
    ("catalogue/prices", 0, "valid_from", "0", "not-a-date", "2026-03-31"),
    ("catalogue/prices", 0, "valid_from", "2026-02-30", "not-a-date", "2026-03-31"),
    ("catalogue/prices", 0, "unit_price", "1.23456", "too-many-digits", "decimals"),
    ("catalogue/prices", 0, "unit_price", "12,50", "decimal-comma", "12.50"),
    ("catalogue/prices", 0, "currency", "eur", "bad-format", "ISO 4217"),
    ("catalogue/modules", 0, "sku", "M–100", "bad-format", "ASCII"),
]


@pytest.mark.parametrize(("name", "row", "column", "value", "code", "remedy"), CELLS)
def test_a_faulty_cell_is_named(
    tmp_path: Path, name: str, row: int, column: str, value: str, code: str, remedy: str
) -> None:
    found = problems_of(tmp_path, tables=with_cell(name, row, **{column: value}))
    problem = next(p for p in found if p.column == column and p.file == f"{name}.csv")
    assert (problem.code, problem.line, problem.severity) == (code, row + 2, ERROR)
    assert problem.value in (value, value[:119] + "…")
    assert remedy in problem.remedy


CONTRADICTIONS = [
    # table, row from 0, cells, code, column, severity
    ("sites", 0, {"latitude_deg": "0", "longitude_deg": "0.0"}, "site-at-zero", "latitude_deg", ERROR),
    ("sites", 0, {"temp_air_min_c": "5", "temp_air_max_c": "-5"}, "contradiction", "temp_air_min_c", ERROR),
    ("sites", 0, {"autonomy_days": "24"}, "implausible", "autonomy_days", WARNING),
    ("sites", 0, {"elevation_m": "5906"}, "implausible", "elevation_m", WARNING),
    ("sites", 0, {"load_profile": "camrea"}, "unknown-reference", "load_profile", ERROR),
    ("loads", 0, {"device": "cam4"}, "unknown-reference", "device", ERROR),
    ("loads", 1, {"load_profile": "spare"}, "not-used", "load_profile", WARNING),
    ("devices", 0, {"schedule": "nights"}, "unknown-reference", "schedule", ERROR),
    ("devices", 0, {"poe_class": ""}, "missing-value", "poe_class", ERROR),
    ("devices", 1, {"passive_v": ""}, "missing-value", "passive_v", ERROR),
    ("devices", 2, {"input_min_v": ""}, "missing-value", "input_min_v", ERROR),
    ("devices", 2, {"input_max_v": ""}, "missing-value", "input_max_v", ERROR),
    ("devices", 2, {"input_min_v": "31"}, "contradiction", "input_min_v", ERROR),
    ("devices", 2, {"supply": "ac"}, "supply-not-served", "supply", WARNING),
    ("devices", 0, {"poe_class": "8"}, "supply-not-served", "supply", WARNING),
    ("devices", 1, {"passive_v": "48"}, "supply-not-served", "supply", WARNING),
    (
        "devices",
        2,
        {"supply": "ac", "input_min_v": "", "input_max_v": ""},
        "missing-value",
        "input_min_v",
        ERROR,
    ),
    ("devices", 2, {"surge_w": "90"}, "not-used", "surge_w", WARNING),
    ("devices", 2, {"supply": "ac", "surge_w": "0.5"}, "contradiction", "max_w", ERROR),
    ("catalogue/batteries", 0, {"cycle_life": "500"}, "missing-value", "cycle_depth", ERROR),
    ("catalogue/batteries", 0, {"cycle_depth": "0.5"}, "missing-value", "cycle_life", ERROR),
    ("devices", 2, {"input_hz": "50"}, "not-used", "input_hz", WARNING),
    ("devices", 2, {"input_hz": "30"}, "out-of-range", "input_hz", ERROR),
    ("devices", 2, {"case_ground": "minus"}, "not-a-choice", "case_ground", ERROR),
    ("sites", 0, {"bus_grounding": "plus"}, "not-a-choice", "bus_grounding", ERROR),
    ("catalogue/switches", 0, {"poe_budget_low_w": "10"}, "missing-value", "poe_budget_low_below_v", ERROR),
    (
        "catalogue/switches",
        0,
        {"poe_budget_low_w": "5000", "poe_budget_low_below_v": "20"},
        "out-of-range",
        "poe_budget_low_w",
        ERROR,
    ),
    (
        "catalogue/switches",
        0,
        {"poe_budget_low_w": "2999", "poe_budget_low_below_v": "20"},
        "contradiction",
        "poe_budget_low_w",
        ERROR,
    ),
    (
        "catalogue/switches",
        0,
        {"poe_budget_low_w": "10", "poe_budget_low_below_v": "5"},
        "contradiction",
        "input_min_v",
        ERROR,
    ),
    ("catalogue/switches", 0, {"poe_derate_above_c": "50"}, "missing-value", "poe_derate_w_per_k", ERROR),
    (
        "catalogue/switches",
        0,
        {"poe_derate_above_c": "110", "poe_derate_w_per_k": "2"},
        "not-used",
        "poe_derate_above_c",
        WARNING,
    ),
    ("catalogue/converters", 0, {"kind": "inverter", "output_v": "230"}, "missing-value", "output_hz", ERROR),
    (
        "catalogue/converters",
        0,
        {"kind": "inverter", "output_v": "230", "output_hz": "50", "output_max_w": "90", "surge_w": "80"},
        "contradiction",
        "output_max_w",
        ERROR,
    ),
    (
        "catalogue/converters",
        0,
        {"kind": "poe_adapter", "output_v": "24"},
        "missing-value",
        "poe_class",
        ERROR,
    ),
    # IEEE 802.3-2022: class 3 gives a device 12.95 W.
    (
        "catalogue/converters",
        0,
        {"kind": "poe_adapter", "output_v": "24", "poe_class": "3", "output_max_w": "13"},
        "class-exceeded",
        "output_max_w",
        WARNING,
    ),
    ("devices", 0, {"average_w": "21"}, "contradiction", "average_w", ERROR),
    ("devices", 0, {"average_w": "0.008"}, "implausible", "average_w", WARNING),
    ("devices", 2, {"average_w": "600", "max_w": "700"}, "implausible", "average_w", WARNING),
    # IEEE 802.3-2022: power at the device is 12.95 W for class 3, 25.5 W for class 4.
    ("devices", 0, {"poe_class": "3"}, "class-exceeded", "max_w", ERROR),
    ("devices", 0, {"max_w": "25.6"}, "class-exceeded", "max_w", ERROR),
    ("catalogue/modules", 0, {"v_mp_v": "22.5", "i_mp_a": "4.44"}, "contradiction", "v_mp_v", ERROR),
    ("catalogue/modules", 0, {"i_sc_a": "5.5"}, "contradiction", "i_mp_a", ERROR),
    ("catalogue/modules", 0, {"nameplate_w": "120"}, "implausible", "nameplate_w", WARNING),
    ("catalogue/modules", 0, {"length_m": "3.2"}, "implausible", "nameplate_w", WARNING),
    ("catalogue/modules", 0, {"system_voltage_max_v": "21"}, "contradiction", "v_oc_v", ERROR),
    ("catalogue/batteries", 0, {"charge_v": "14.0"}, "contradiction", "charge_min_v", ERROR),
    ("catalogue/batteries", 0, {"charge_max_v": "14.3"}, "contradiction", "charge_v", ERROR),
    ("catalogue/batteries", 0, {"disconnect_v": "12.2"}, "contradiction", "disconnect_v", ERROR),
    ("catalogue/batteries", 0, {"equalise_v": "14.2"}, "contradiction", "charge_v", ERROR),
    ("catalogue/batteries", 0, {"cells": "5"}, "contradiction", "nominal_v", ERROR),
    ("catalogue/batteries", 0, {"chemistry": "lfp"}, "contradiction", "nominal_v", ERROR),
    ("catalogue/batteries", 0, {"capacity_ah": "1200"}, "implausible", "capacity_ah", WARNING),
    (
        "catalogue/controllers",
        0,
        {"system_voltage_max_v": "12", "system_voltage_min_v": "24"},
        "contradiction",
        "system_voltage_min_v",
        ERROR,
    ),
    ("catalogue/controllers", 0, {"pv_input_max_v": "30"}, "contradiction", "charge_max_v", ERROR),
    ("catalogue/switches", 0, {"input_min_v": "60"}, "contradiction", "input_min_v", ERROR),
    ("catalogue/switches", 0, {"pse_kind": "none"}, "contradiction", "pse_kind", ERROR),
    ("catalogue/switches", 0, {"poe_budget_w": ""}, "missing-value", "poe_budget_w", ERROR),
    ("catalogue/switch_ports", 0, {"poe_class": ""}, "missing-value", "poe_class", ERROR),
    ("catalogue/switch_ports", 1, {"passive_v": ""}, "missing-value", "passive_v", ERROR),
    ("catalogue/switch_ports", 2, {"sku": "S-8#X"}, "unknown-reference", "sku", ERROR),
    ("catalogue/converters", 0, {"current_max_a": ""}, "missing-value", "current_max_a", ERROR),
    ("catalogue/converters", 0, {"kind": "dc_dc", "output_max_w": "60"}, "missing-value", "output_v", ERROR),
    ("catalogue/converters", 0, {"kind": "poe_injector"}, "missing-value", "poe_class", ERROR),
    ("catalogue/balance", 0, {"module_area_max_m2": ""}, "missing-value", "module_area_max_m2", ERROR),
    ("catalogue/balance", 1, {"volume_max_l": ""}, "missing-value", "volume_max_l", ERROR),
    (
        "catalogue/balance",
        0,
        {"tilt_min_deg": "60", "tilt_max_deg": "30"},
        "contradiction",
        "tilt_min_deg",
        ERROR,
    ),
    ("catalogue/prices", 2, {"sku": "B-AGM (1OO)"}, "unknown-reference", "sku", ERROR),
    ("catalogue/prices", 2, {"supplier": "nroth"}, "unknown-reference", "supplier", ERROR),
    ("catalogue/prices", 2, {"currency": "CHF"}, "missing-rate", "currency", ERROR),
    (
        "catalogue/prices",
        2,
        {"valid_from": "2027-02-01", "valid_to": "2027-01-01"},
        "contradiction",
        "valid_from",
        ERROR,
    ),
    ("catalogue/prices", 1, {"tier_kind": "incremental"}, "mixed-tiers", "tier_kind", ERROR),
    ("catalogue/prices", 1, {"currency": "NOK"}, "mixed-tiers", "currency", ERROR),
    ("catalogue/prices", 1, {"unit_price": "81"}, "rising-price", "unit_price", WARNING),
    (
        "catalogue/prices",
        1,
        {"min_qty": "1", "valid_from": "2026-06-01"},
        "overlapping-prices",
        "min_qty",
        ERROR,
    ),
    ("catalogue/stock", 0, {"sku": "M-100/63"}, "unknown-reference", "sku", ERROR),
    ("catalogue/stock", 0, {"min_order_qty": "3"}, "pack-mismatch", "min_order_qty", WARNING),
    ("catalogue/stock", 0, {"stock_qty": "1"}, "contradiction", "min_order_qty", WARNING),
    ("catalogue/fx", 0, {"date": "2026-01-01"}, "stale-rate", "date", WARNING),
    ("catalogue/fx", 0, {"date": "2026-11-26"}, "stale-rate", "date", WARNING),
]


@pytest.mark.parametrize(("name", "row", "cells", "code", "column", "severity"), CONTRADICTIONS)
def test_a_contradiction_is_named(
    tmp_path: Path, name: str, row: int, cells: dict[str, str], code: str, column: str, severity: Severity
) -> None:
    found = problems_of(tmp_path, tables=with_cell(name, row, **cells))
    problem = next((p for p in found if p.code == code and p.column == column), None)
    assert problem is not None, "\n".join(map(str, found))
    assert (problem.file, problem.line, problem.severity) == (f"{name}.csv", row + 2, severity)
    assert problem.remedy


def test_a_switch_of_passive_ports_without_a_budget_warns(tmp_path: Path) -> None:
    ports = [row for row in table("catalogue/switch_ports") if row["port_kind"] != "poe"]
    rows = with_cell("catalogue/switches", 0, poe_budget_w="") | {"catalogue/switch_ports": ports}
    found = [p for p in problems_of(tmp_path, tables=rows) if p.code == "no-budget"]
    assert [(p.file, p.line, p.column, p.severity) for p in found] == [
        ("catalogue/switches.csv", 2, "poe_budget_w", WARNING)
    ]


@pytest.mark.parametrize(
    ("cells", "words"),
    [
        ({"output_v": "115"}, "gives 200 to 250 V"),
        ({"output_hz": "60"}, "gives 50 Hz"),
        ({"output_max_w": "4"}, "largest inverter for sale of its voltage gives 4 W"),
        ({"surge_w": "35"}, "strongest inverter for sale of its voltage gives 35 W"),
        ({}, ""),
    ],
)
def test_what_the_inverters_for_sale_lack(tmp_path: Path, cells: dict[str, str], words: str) -> None:
    device = {
        "supply": "ac",
        "input_min_v": "200",
        "input_max_v": "250",
        "input_hz": "50",
        "average_w": "5",
        "max_w": "5",
        "surge_w": "40",
    }
    inverter = {"output_v": "230", "output_hz": "50", "output_max_w": "30", "surge_w": "60"} | cells
    tables = with_cell("devices", 2, **device) | with_cell(
        "catalogue/converters", 0, kind="inverter", **inverter
    )
    found = [p.message for p in problems_of(tmp_path, tables=tables) if p.code == "supply-not-served"]
    assert len(found) == bool(words)
    assert all(words in message for message in found)


def test_alternatives_are_one_step(tmp_path: Path) -> None:
    """An alternative names a device of the table that is no alternative itself."""
    first = table("devices")[0]
    for other, third, code in (
        (first["device"], first["device"], None),
        (first["device"], "b", "contradiction"),
        (first["device"], "c", "contradiction"),
        (first["device"], "nobody", "unknown-reference"),
    ):
        rows = more(
            "devices",
            first | {"device": "b", "alternative_to": other},
            first | {"device": "c", "alternative_to": third},
        )
        found = {(p.code, p.column) for p in problems_of(tmp_path, tables=rows)}
        assert found == ({(code, "alternative_to")} if code else set())


def test_a_positive_earth_asks_for_the_case_of_its_devices(tmp_path: Path) -> None:
    found = problems_of(tmp_path, tables=with_cell("sites", 0, bus_grounding="positive"))
    assert {(p.code, p.column, p.severity) for p in found} == {("not-stated", "case_ground", WARNING)}


def test_a_reference_names_the_nearest(tmp_path: Path) -> None:
    found = problems_of(tmp_path, tables=with_cell("sites", 0, load_profile="camrea"))
    problem = next(p for p in found if p.code == "unknown-reference")
    assert (problem.value, problem.remedy) == ("camrea", "did you mean 'camera'?")


def test_duplicate_keys_name_both_lines(tmp_path: Path) -> None:
    problem = only(problems_of(tmp_path, tables=more("sites", table("sites")[0])))
    assert (problem.code, problem.file, problem.line, problem.value) == (
        "duplicate-key",
        "sites.csv",
        4,
        "0012",
    )
    assert "line 2" in problem.message


def test_a_duplicate_key_and_another_fault_in_one_row_are_both_named(tmp_path: Path) -> None:
    found = problems_of(tmp_path, tables=more("sites", table("sites")[0] | {"latitude_deg": "north"}))
    assert {(p.code, p.line, p.column) for p in found} == {
        ("duplicate-key", 4, "site_id"), ("not-a-number", 4, "latitude_deg"),
    }  # fmt: skip
    # a blank quantity is one unit, as it is in a sound row, and 2026-1-1 is no key at all
    first = table("catalogue/prices")[0] | {"unit_price": "dear"}
    dated, blank = first | {"valid_from": "2026-1-1"}, first | {"min_qty": ""}
    found = problems_of(tmp_path, tables=more("catalogue/prices", dated, blank))
    last = len(table("catalogue/prices")) + 1
    assert {(p.code, p.line - last) for p in found if p.line} == {
        ("not-a-number", 1), ("not-a-date", 1), ("not-a-number", 2), ("duplicate-key", 2),
    }  # fmt: skip


def test_a_faulty_row_of_another_tables_sku_is_named_for_both(tmp_path: Path) -> None:
    rows = table("catalogue/balance")
    twin = rows[0] | {"sku": "M-100/36", "weight_kg": "heavy"}
    found = problems_of(tmp_path, tables={"catalogue/balance": [*rows, twin]})
    assert {(p.code, p.line) for p in found} == {("duplicate-sku", 4), ("not-a-number", 4)}


def test_ids_stay_text_so_that_zeros_tell_them_apart(tmp_path: Path) -> None:
    write_scenario(tmp_path, tables=more("sites", table("sites")[0] | {"site_id": "12"}))
    sites = read_scenario(tmp_path).tables.sites
    assert [site.site_id for site in sites] == ["0012", "12", "NA"]


def test_a_sku_stands_in_one_table_only(tmp_path: Path) -> None:
    rows = table("catalogue/balance")
    found = problems_of(tmp_path, tables={"catalogue/balance": [*rows, rows[0] | {"sku": "M-100/36"}]})
    problem = only(found)
    assert (problem.code, problem.file, problem.line) == ("duplicate-sku", "catalogue/balance.csv", 4)
    assert "catalogue/modules.csv, line 2" in problem.message


def test_a_part_without_a_valid_price_is_left_out_and_that_is_said(tmp_path: Path) -> None:
    cells = {"valid_from": "2025-01-01", "valid_to": "2025-12-31"}
    problem = only(problems_of(tmp_path, tables=with_cell("catalogue/prices", 2, **cells)))
    assert (problem.code, problem.severity) == ("not-for-sale", WARNING)
    assert (problem.file, problem.line, problem.value) == ("catalogue/batteries.csv", 2, "B-AGM (100)")


def test_no_valid_price_at_all_is_an_error(tmp_path: Path) -> None:
    rows = [row | {"valid_from": "2025-01-01", "valid_to": "2025-12-31"} for row in table("catalogue/prices")]
    assert "nothing-for-sale" in {p.code for p in problems_of(tmp_path, tables={"catalogue/prices": rows})}


def test_own_currency_is_worth_one(tmp_path: Path) -> None:
    rows = more("catalogue/fx", {"currency": "EUR", "rate": "1.1", "date": "2026-11-20"})
    problem = only(problems_of(tmp_path, tables=rows))
    assert (problem.code, problem.line, problem.column) == ("contradiction", 3, "rate")


def test_a_switch_without_ports_warns(tmp_path: Path) -> None:
    rows = more("catalogue/switches", table("catalogue/switches")[0] | {"sku": "S-0"})
    prices = more(
        "catalogue/prices", {"sku": "S-0", "supplier": "north", "unit_price": "9", "currency": "EUR"}
    )
    problem = only(problems_of(tmp_path, tables=rows | prices))
    assert (problem.code, problem.value, problem.severity) == ("no-ports", "S-0", WARNING)


def months(ghi: list[str], site_id: str = "0012") -> dict[str, Rows]:
    return {
        "site_months": [
            {"site_id": site_id, "month": str(m), "ghi_wh_m2_day": value}
            for m, value in enumerate(ghi, start=1)
        ]
    }


YEAR = ["1500", "2500", "3800", "4700", "5400", "6000", "6100", "5200", "4100", "2700", "1700", "1200"]


def test_a_full_year_of_irradiation_is_silent(tmp_path: Path) -> None:
    assert problems_of(tmp_path, tables=months(YEAR)) == []


def test_a_year_with_a_gap_is_an_error(tmp_path: Path) -> None:
    problem = only(problems_of(tmp_path, tables=months([*YEAR[:6], "", *YEAR[7:]])))
    assert (problem.code, problem.column, problem.value) == ("incomplete-year", "ghi_wh_m2_day", "0012")
    assert problem.message.endswith(": 7")


@pytest.mark.parametrize("factor", [1 / 1000, 30.4 / 1000, 3.6 / 1000])
def test_irradiation_in_kwh_a_monthly_sum_or_mj_warns(tmp_path: Path, factor: float) -> None:
    year = [f"{float(value) * factor:.1f}" for value in YEAR]
    problem = only(problems_of(tmp_path, tables=months(year)))
    assert (problem.code, problem.severity, problem.line) == ("implausible", WARNING, 8)
    assert problem.value == year[6]


def test_irradiation_beyond_the_sky_warns(tmp_path: Path) -> None:
    # Duffie and Beckman table 1.10.1: at 45 N December's H0 is 10.7 MJ/m2, 2970 Wh/m2,
    # so that 3000 cannot reach the ground.
    problem = only(problems_of(tmp_path, tables=months([*YEAR[:11], "3000"])))
    assert (problem.code, problem.severity, problem.line, problem.column) == (
        "implausible",
        WARNING,
        13,
        "ghi_wh_m2_day",
    )


def test_a_sum_over_the_month_is_out_of_range(tmp_path: Path) -> None:
    found = problems_of(tmp_path, tables=months([*YEAR[:5], "180000", *YEAR[6:]]))
    problem = next(p for p in found if p.code == "out-of-range")
    assert (problem.line, problem.value) == (7, "180000")
    assert "not a sum" in problem.remedy


def test_months_of_an_unknown_site(tmp_path: Path) -> None:
    found = problems_of(tmp_path, tables=months(YEAR, site_id="001"))
    assert {(p.code, p.line) for p in found} == {("unknown-reference", line) for line in range(2, 14)}


def test_a_horizon_of_one_point_warns(tmp_path: Path) -> None:
    rows = [{"site_id": "0012", "azimuth_deg": "180", "elevation_deg": "12"}]
    problem = only(problems_of(tmp_path, tables={"horizon": rows}))
    assert (problem.code, problem.severity, problem.line) == ("single-point", WARNING, 2)


def schedule(name: str, share: str) -> dict[str, Rows]:
    return {"schedules": [{"schedule": name} | {f"h{hour:02d}": share for hour in range(24)}]}


@pytest.mark.parametrize(
    ("name", "share", "code"), [("night", "1", "reserved-name"), ("lamp", "0", "never-on")]
)
def test_schedules(tmp_path: Path, name: str, share: str, code: str) -> None:
    assert only(problems_of(tmp_path, tables=schedule(name, share))).code == code


HEADER = "site_id,latitude_deg,longitude_deg,load_profile"
FILES = [
    # content of sites.csv, code, line, column, value
    ("", "empty-file", None, "", ""),
    ("\n\n", "empty-file", None, "", ""),
    (f"{HEADER}\n", "empty-table", None, "", ""),
    (f"{HEADER}\na,46,8\n", "too-few-cells", 2, "", "3"),
    (f"{HEADER}\na,46,8,camera\nb,46,5,8,camera\n", "too-many-cells", 3, "", "5"),
    (f"{HEADER},latitude_deg\na,46,8,camera,47\n", "duplicate-column", 1, "latitude_deg", ""),
    (f"{HEADER},elevaton_m\na,46,8,camera,1\n", "unknown-column", 1, "elevaton_m", ""),
    (f"{HEADER},\na,46,8,camera,1\n", "unnamed-column", 2, "", "1"),
    ("site_id,latitude_deg,longitude_deg\na,46,8\n", "missing-column", 1, "load_profile", ""),
    (f"{HEADER}\na,46,,camera\n", "missing-value", 2, "longitude_deg", ""),
    (f"{HEADER}\n,46,8,camera\n", "missing-value", 2, "site_id", ""),
    (f'{HEADER}\na,46,8,"camera\n', "broken-quotes", 2, "", ""),
    (f"{HEADER}\na,46,8,camera\nb,46,\x008,camera\n", "nul-byte", 3, "", ""),
    (f"{HEADER}\na,46,8,camera\nbør,46,8,camera\n".encode("latin-1"), "wrong-encoding", 3, "", "0xf8"),
    (f"{HEADER}\na,46,8,camera\n".encode("utf-16"), "wrong-encoding", None, "", ""),
    # A quoted cell over two lines: the fault below it stands on the physical line 5.
    (
        f'{HEADER},name\na,46,8,camera,"two\nlines"\n\nb,460,8,camera,x\n',
        "out-of-range",
        5,
        "latitude_deg",
        "460",
    ),
    # Lines that end in CR LF, and in CR alone.
    (f"{HEADER}\r\na,46,8,camera\r\nb,460,8,camera\r\n", "out-of-range", 3, "latitude_deg", "460"),
    (f"{HEADER}\ra,46,8,camera\rb,460,8,camera\r", "out-of-range", 3, "latitude_deg", "460"),
]


@pytest.mark.parametrize(("content", "code", "line", "column", "value"), FILES)
def test_a_faulty_file_is_named(
    tmp_path: Path, content: str | bytes, code: str, line: int | None, column: str, value: str
) -> None:
    found = problems_of(tmp_path, tables={"sites": content})
    errors = [p for p in found if p.severity is ERROR]
    problem = only(errors)
    assert (problem.code, problem.file, problem.line, problem.column, problem.value) == (
        code,
        "sites.csv",
        line,
        column,
        value,
    )


def test_spellings_that_are_accepted(tmp_path: Path) -> None:
    """A byte order mark, blanks around cells, trailing commas, blank lines, yes and no, 3.0 for 3."""
    content = f"\ufeff{HEADER},priority\n\n a , 46.5 ,8, camera ,3.0,,\n,,,,\n"
    rows = with_cell("catalogue/switches", 0, measured_allocation="yes")
    write_scenario(tmp_path, tables={"sites": content} | rows | {"loads": table("loads")[:2]})
    tables = read_scenario(tmp_path).tables
    assert [(site.site_id, site.latitude_deg, site.priority) for site in tables.sites] == [("a", 46.5, 3)]
    assert tables.switches[0].measured_allocation is True


def test_missing_required_file_names_the_nearest(tmp_path: Path) -> None:
    write_scenario(tmp_path)
    (tmp_path / "devices.csv").rename(tmp_path / "device.csv")
    found = check_scenario(tmp_path)
    assert [(p.code, p.file, p.severity) for p in found if p.severity is ERROR] == [
        ("missing-file", "devices.csv", ERROR)
    ]
    assert any("'device'" in p.remedy for p in found)
    assert ("file-not-read", "device.csv") in {(p.code, p.file) for p in found}


def test_another_kind_of_file_is_named_in_the_remedy(tmp_path: Path) -> None:
    write_scenario(tmp_path)
    (tmp_path / "devices.csv").rename(tmp_path / "devices.ods")
    assert "devices.ods" in only(check_scenario(tmp_path)).remedy


def test_a_misplaced_table_warns(tmp_path: Path) -> None:
    write_scenario(tmp_path)
    write_rows(tmp_path / "prices.csv", table("catalogue/prices"))
    problem = only(check_scenario(tmp_path))
    assert (problem.code, problem.file, problem.severity) == ("file-not-read", "prices.csv", WARNING)


def test_csv_beside_parquet_is_refused(tmp_path: Path) -> None:
    write_scenario(tmp_path)
    (tmp_path / "sites.parquet").write_bytes(b"PAR1")
    assert only(check_scenario(tmp_path)).code == "two-files"


def test_a_folder_or_a_pipe_instead_of_a_file(tmp_path: Path) -> None:
    write_scenario(tmp_path)
    (tmp_path / "sites.csv").unlink()
    (tmp_path / "sites.csv").mkdir()
    (tmp_path / "loads.csv").unlink()
    os.mkfifo(tmp_path / "loads.csv")
    found = [(p.code, p.file) for p in check_scenario(tmp_path)]
    assert found == [("not-a-file", "sites.csv"), ("not-a-file", "loads.csv")]


def test_links_may_not_lead_out_of_the_folder(tmp_path: Path) -> None:
    folder = write_scenario(tmp_path / "scenario")
    (folder / "sites.csv").rename(tmp_path / "sites.csv")
    (folder / "sites.csv").symlink_to(tmp_path / "sites.csv")
    (folder / "catalogue" / "fx.csv").unlink()
    (folder / "catalogue" / "fx.csv").symlink_to("/etc/passwd")
    found = {(p.code, p.file) for p in check_scenario(folder) if p.code != "missing-rate"}
    assert found == {("outside-folder", "sites.csv"), ("outside-folder", "catalogue/fx.csv")}


def test_links_that_lead_nowhere(tmp_path: Path) -> None:
    write_scenario(tmp_path)
    for name, target in (("sites.csv", "sites.csv"), ("loads.csv", "gone.csv")):
        (tmp_path / name).unlink()
        (tmp_path / name).symlink_to(target)
    codes = {p.file: p.code for p in check_scenario(tmp_path)}
    assert codes["sites.csv"] in ("outside-folder", "unreadable-file")
    assert codes["loads.csv"] == "unreadable-file"


@pytest.mark.parametrize("name", ["x" * 5000, "a\0b", "\udcff"])
def test_names_no_file_system_takes(tmp_path: Path, name: str) -> None:
    assert only(check_scenario(Path(name))).code == "missing-folder"
    folder = write_scenario(tmp_path)
    found = check_scenario(folder, overrides={"catalogue": name})
    assert "missing-folder" in {p.code for p in found}
    assert {p.column for p in found} == {"catalogue"}


def test_links_within_the_folder_are_followed(tmp_path: Path) -> None:
    write_scenario(tmp_path)
    (tmp_path / "sites.csv").rename(tmp_path / "sites-2026.txt")
    (tmp_path / "sites.csv").symlink_to("sites-2026.txt")
    assert check_scenario(tmp_path) == []


def test_the_catalogue_may_stand_elsewhere(tmp_path: Path) -> None:
    folder = write_scenario(tmp_path / "scenario", settings=SETTINGS.replace('"catalogue"', '"../shared"'))
    (folder / "catalogue").rename(tmp_path / "shared")
    assert check_scenario(folder) == []


def test_a_missing_folder_and_a_missing_settings_file(tmp_path: Path) -> None:
    assert only(check_scenario(tmp_path / "none")).code == "missing-folder"
    write_scenario(tmp_path)
    (tmp_path / "scenario.toml").unlink()
    missing = [p for p in check_scenario(tmp_path) if p.file == "scenario.toml"]
    assert "missing-file" in {p.code for p in missing}


def test_nothing_is_lost(tmp_path: Path) -> None:
    """Faults in many tables and settings are all reported in one go, and raised as one error."""
    tables = (
        with_cell("sites", 0, latitude_deg="91")
        | with_cell("loads", 2, device="radio-42")
        | with_cell("devices", 0, max_w="x")
        | with_cell("catalogue/modules", 0, v_oc_v="17")
        | with_cell("catalogue/batteries", 0, cells="5")
        | with_cell("catalogue/prices", 3, unit_price="-1")
        | with_cell("catalogue/stock", 0, pack_qty="0")
        | {"catalogue/fx": "currency,rate;date\nNOK,1;2026-11-20\n"}
        | with_cell("catalogue/balance", 0, module_area_max_m2="")
    )
    write_scenario(tmp_path, settings=SETTINGS + "array_to_load_rato = 2\n", tables=tables)
    planted = {
        ("unknown-setting", "scenario.toml", 8),
        ("out-of-range", "sites.csv", 2),
        ("unknown-reference", "loads.csv", 4),
        ("not-a-number", "devices.csv", 2),
        ("contradiction", "catalogue/modules.csv", 2),
        ("contradiction", "catalogue/batteries.csv", 2),
        ("out-of-range", "catalogue/prices.csv", 5),
        ("out-of-range", "catalogue/stock.csv", 2),
        ("mixed-delimiters", "catalogue/fx.csv", 1),
        ("missing-value", "catalogue/balance.csv", 2),
    }
    with pytest.raises(InputError) as caught:
        read_scenario(tmp_path)
    found = {(p.code, p.file, p.line) for p in caught.value.problems}
    assert found == planted
    assert list(caught.value.problems) == check_scenario(tmp_path)


def test_one_faulty_row_does_not_make_its_references_look_wrong(tmp_path: Path) -> None:
    tables = with_cell("devices", 0, max_w="x") | with_cell("catalogue/modules", 0, v_oc_v="0")
    found = {(p.file, p.code) for p in problems_of(tmp_path, tables=tables)}
    assert found == {("devices.csv", "not-a-number"), ("catalogue/modules.csv", "out-of-range")}


def ladder(*tiers: tuple[str, str, str, str], kind: str = "all_units") -> dict[str, Rows]:
    """Prices of the only module: (min_qty, unit_price, valid_from, valid_to); the rest as they are."""
    names = ("min_qty", "unit_price", "valid_from", "valid_to")
    others = [row for row in table("catalogue/prices") if row["sku"] != "M-100/36"]
    first = {"sku": "M-100/36", "supplier": "north", "currency": "EUR", "tier_kind": kind}
    rows = [first | dict(zip(names, tier, strict=True)) for tier in tiers]
    return {"catalogue/prices": [*rows, *others]}


def test_increments_that_rise_are_refused(tmp_path: Path) -> None:
    """With increments, units beyond a threshold must not cost more: else none would buy them there."""
    tables = ladder(("1", "80", "", ""), ("10", "80", "", ""), ("20", "81", "", ""), kind="incremental")
    problem = only(problems_of(tmp_path, tables=tables))
    assert (problem.code, problem.severity, problem.line, problem.value) == (
        "rising-increment",
        ERROR,
        4,
        "81",
    )
    assert "all_units" in problem.remedy


@pytest.mark.parametrize(("kind", "severity"), [("all_units", WARNING), ("incremental", ERROR)])
def test_a_ladder_whose_lowest_tier_has_ended_is_named(tmp_path: Path, kind: str, severity: Severity) -> None:
    tables = ladder(("1", "80", "2026-01-01", "2026-06-30"), ("10", "72", "2026-01-01", ""), kind=kind)
    problem = only(problems_of(tmp_path, tables=tables))
    assert (problem.code, problem.severity, problem.line, problem.value) == (
        "broken-ladder",
        severity,
        3,
        "10",
    )
    assert "line 2, ended on 2026-06-30" in problem.message


def test_a_new_ladder_after_an_old_one_is_whole(tmp_path: Path) -> None:
    old, new = ("2026-01-01", "2026-06-30"), ("2026-07-01", "2026-12-31")
    tables = ladder(("1", "80", *old), ("10", "72", *old), ("5", "75", *new), ("50", "70", *new))
    assert problems_of(tmp_path, tables=tables) == []


@pytest.mark.parametrize(
    ("days", "words"),
    [
        (("2025-01-01", "2025-12-31"), "line 2 of catalogue/prices.csv ended on 2025-12-31"),
        (("2027-01-01", ""), "line 2 of catalogue/prices.csv begins on 2027-01-01"),
    ],
)
def test_a_part_with_prices_of_other_days_alone_says_which(
    tmp_path: Path, days: tuple[str, str], words: str
) -> None:
    problem = only(problems_of(tmp_path, tables=ladder(("1", "80", *days))))
    assert (problem.code, problem.severity, problem.value) == ("not-for-sale", WARNING, "M-100/36")
    assert words in problem.message
    assert "M-100/36" not in make_market(read_scenario(tmp_path)).skus


def test_a_missing_rate_names_file_line_and_remedy(tmp_path: Path) -> None:
    """Also where there is no table of rates at all, and at the first price in that currency alone."""
    write_scenario(tmp_path)
    (tmp_path / "catalogue" / "fx.csv").unlink()
    problem = only(check_scenario(tmp_path))
    assert (problem.code, problem.file, problem.line, problem.value) == (
        "missing-rate",
        "catalogue/prices.csv",
        5,
        "NOK",
    )
    assert problem.remedy == "add a row for NOK to catalogue/fx.csv"
    with pytest.raises(InputError, match="missing-rate"):
        read_scenario(tmp_path)
