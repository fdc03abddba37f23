"""What the plan's tables say of a fleet: ports, links, limits, money, and the types of empty tables."""

import csv
from collections import Counter
from decimal import Decimal
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from planner.plan import Plan, write_plan
from planner.tables.plan_rows import PLAN_TABLES
from tests.plan.fleets import Cut

# a hub of several devices, one with a device that needs a data port, and one on lead-acid batteries
SITES = ("cairnwell", "haukeli", "ustaoset")


@pytest.fixture(scope="module")
def cut(tmp_path_factory: pytest.TempPathFactory) -> Cut:
    cut = Cut(tmp_path_factory.mktemp("ports") / "fleet", SITES)
    # without adapters a hub's passive radio needs a second switch, so that there are links
    adapters = {row["sku"] for row in cut.rows("catalogue/converters") if row["kind"] == "poe_adapter"}
    cut.change("catalogue/prices", lambda rows: [row for row in rows if row["sku"] not in adapters])
    # lead-acid that may be equalised at its greatest charging voltage, so that the column is filled
    return cut.change(
        "catalogue/batteries",
        lambda rows: [
            row | {"equalise_v": row["charge_max_v"]} if row["chemistry"] != "lfp" else row for row in rows
        ],
    )


@pytest.fixture(scope="module")
def plan(cut: Cut) -> Plan:
    return cut.plan(solver__gap="0.05")


def rows(plan: Plan, name: str) -> list[dict[str, Any]]:
    columns = plan.tables[name]
    return [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]


def test_every_port_is_taken_once_and_exists(plan: Plan, cut: Cut) -> None:
    offered: dict[str, list[dict[str, str]]] = {}
    for row in cut.rows("catalogue/switch_ports"):
        offered.setdefault(row["sku"], []).extend([row] * int(row["quantity"]))
    on_switch = [row for row in rows(plan, "port_assignments") if row["switch_sku"]]
    taken = [
        (row["site_id"], row["switch_sku"], row["switch_unit"], row["port"].removesuffix(" + injector"))
        for row in on_switch
    ]
    assert len(taken) == len(set(taken))
    for _, sku, _, port in taken:
        kind, number = port.split()[0], int(port.rsplit("#", 1)[1])
        assert offered[sku][number - 1]["port_kind"].startswith(kind)


def test_every_device_is_powered_once_and_has_its_data_ports(plan: Plan, cut: Cut) -> None:
    profile = {row["site_id"]: row["load_profile"] for row in cut.rows("sites")}
    data_ports = {row["device"]: int(row["data_ports"]) for row in cut.rows("devices")}
    ports = rows(plan, "port_assignments")
    for site_id, name in profile.items():
        loads: Counter[str] = Counter()
        for load in cut.rows("loads"):
            if load["load_profile"] == name:
                loads[load["device"]] += int(load["quantity"])
        mine = [row for row in ports if row["site_id"] == site_id]
        assert Counter(row["device"] for row in mine if row["role"] == "power") == loads
        for device, number in loads.items():
            lines = [row for row in mine if row["device"] == device and row["switch_sku"]]
            assert len(lines) == data_ports[device] * number
        switches = {(row["switch_sku"], row["switch_unit"]) for row in mine if row["switch_sku"]}
        assert sum(row["role"] == "uplink" for row in mine) == 1  # policy.uplink_ports
        ends = Counter(row["link"] for row in mine if row["role"] == "link")
        assert ends == dict.fromkeys(range(1, len(switches)), 2)
    assert any(row["role"] == "data" for row in ports)
    assert any(row["role"] == "link" for row in ports)


def test_limits_of_a_design_follow_from_its_parts(plan: Plan, cut: Cut) -> None:
    batteries = {row["sku"]: row for row in cut.rows("catalogue/batteries")}
    modules = {row["sku"]: row for row in cut.rows("catalogue/modules")}
    for row in rows(plan, "site_designs"):
        battery = batteries[row["battery_sku"]]
        short = float(modules[row["module_sku"]]["i_sc_a"]) * row["modules_parallel"]
        # NEC 690.8: 125 % for bright skies, 125 % for hours on end
        assert row["array_circuit_a"] == pytest.approx(short * 1.25 * 1.25, abs=0.006)
        amp_hours = float(battery["capacity_ah"]) * row["batteries_parallel"]
        assert row["charge_rate"] == pytest.approx(row["charge_current_a"] / amp_hours, abs=1e-3)
        assert row["temp_battery_min_c"] == pytest.approx(row["temp_air_min_c"] + 12, abs=0.11)  # damping
        assert row["temp_air_min_c"] < row["temp_battery_hot_c"] < row["temp_air_max_c"] + 5
        if battery["equalise_v"]:
            assert row["equalise_v"] == pytest.approx(float(battery["equalise_v"]) * row["batteries_series"])
            assert row["bus_high_v"] >= row["equalise_v"]
        else:
            assert row["equalise_v"] is None
    assert any(plan.tables["site_designs"]["equalise_v"])


def test_money_adds_up_by_site_and_by_category(plan: Plan) -> None:
    orders, bill = rows(plan, "procurement"), rows(plan, "bill_of_materials")
    for row in rows(plan, "site_designs"):
        mine = sum(line["line_cost"] for line in bill if line["site_id"] == row["site_id"])
        assert row["equipment_cost"] == mine
        parts = ("equipment_cost", "freight_cost", "access_cost", "installation_cost")
        assert row["site_cost"] == sum(row[name] for name in parts)
    costs = {name: Decimal(amount) for name, amount in plan.manifest["costs"].items()}
    for category in {line["category"] for line in orders}:
        lines = (line["line_cost"] for line in orders if line["category"] == category)
        assert costs[category] == sum(lines)
    assert sum(costs.values()) == Decimal(plan.manifest["total_cost"])


def test_tables_without_rows_keep_columns_and_types(tmp_path: Path) -> None:
    """No sun at 68.9 N in December, so the site has no design and all tables but `problems` are empty."""
    cut = Cut(tmp_path / "fleet", ["finse"])
    cut.change("site_months", lambda _: [])
    cut.change("sites", lambda rows: [rows[0] | {"latitude_deg": "68.9", "longitude_deg": "23.0"}])
    plan = cut.plan()
    assert list(plan.unserved) == ["finse"]
    write_plan(plan, tmp_path / "plan")
    for name, model in PLAN_TABLES.items():
        schema = pq.read_schema(tmp_path / "plan" / f"{name}.parquet")
        assert schema.names == list(model.model_fields)
        with (tmp_path / "plan" / f"{name}.csv").open(encoding="utf-8", newline="") as stream:
            assert next(csv.reader(stream)) == schema.names
    designs = pq.read_table(tmp_path / "plan" / "site_designs.parquet")
    assert designs.num_rows == 0
    assert designs.schema.field("array_w").type == pa.float64()
    assert designs.schema.field("mounts").type == pa.int64()
    assert pa.types.is_decimal(designs.schema.field("site_cost").type)
    assert designs.schema.field("site_id").type == pa.string()


def test_lead_acid_charged_at_under_a_twentieth_is_named(plan: Plan) -> None:
    """C/20 of 220 Ah are 11 A: an array that gives less is a warning, never of lithium cells."""
    slow = {row["site_id"]: row for row in rows(plan, "problems") if row["code"] == "charge-slow"}
    for design in rows(plan, "site_designs"):
        lead = "AK" in design["battery_sku"]  # the example's maker of lead-acid batteries
        assert (design["site_id"] in slow) == (lead and design["charge_rate"] < 0.05)
