"""A minimal valid scenario with its own catalogue, written to a folder; tests change one thing at a time.

Values are invented; they are plausible data-sheet values, so that the checks stay silent.
"""

import csv
import io
from collections.abc import Mapping, Sequence
from pathlib import Path

Rows = list[dict[str, str]]

SETTINGS = """\
name = "Minimal"
plan_date = 2026-11-25
currency = "EUR"
catalogue = "catalogue"

[policy]
autonomy_days = 4
"""

_TABLES = {
    "sites": """\
site_id,name,latitude_deg,longitude_deg,elevation_m,load_profile,autonomy_days
0012,Ridge,46.5,8.25,1800,camera,
NA,"Valley, lower",47.25,9.5,450,radio,6
""",
    "loads": """\
load_profile,device,quantity,cable_m
camera,cam-4,1,20
camera,gauge,1,5
radio,radio-24,1,30
""",
    "devices": """\
device,supply,poe_class,passive_v,input_min_v,input_max_v,average_w,max_w,data_ports,schedule
cam-4,poe,4,,,,8,20,1,always
radio-24,passive_poe,,24,,,4,7,1,always
gauge,dc,,,10,30,0.5,2,0,night
""",
    "catalogue/modules": """\
sku,maker,weight_kg,nameplate_w,v_oc_v,i_sc_a,v_mp_v,i_mp_a,length_m,width_m
M-100/36,Ostrel,7.5,100,22.0,6.1,18.0,5.56,1.0,0.67
""",
    "catalogue/batteries": """\
sku,maker,weight_kg,chemistry,nominal_v,cells,capacity_ah,charge_v,charge_min_v,charge_max_v,temp_compensation_v_per_k,\
disconnect_v,charge_current_max_a,discharge_current_max_a,depth_of_discharge_max,round_trip_efficiency,volume_l
B-AGM (100),Ostrel,30,agm,12,6,100,14.4,14.1,14.7,-0.02,11.6,25,100,0.6,0.85,12
""",
    "catalogue/controllers": """\
sku,maker,weight_kg,kind,system_voltage_min_v,system_voltage_max_v,pv_input_max_v,pv_input_max_a,output_max_a,efficiency,\
own_draw_w,charge_max_v,load_terminal_max_a,volume_l
C-20+L,Ostrel,1.2,mppt,12,24,100,25,20,0.96,0.3,31,20,1
""",
    "catalogue/switches": """\
sku,maker,weight_kg,input_min_v,input_max_v,own_draw_w,pse_kind,pse_efficiency,poe_budget_w,volume_l
S-8#W,Ostrel,0.8,9,60,3,regulated,0.9,60,1
""",
    "catalogue/switch_ports": """\
sku,port_kind,quantity,poe_class,passive_v,port_max_w
S-8#W,poe,4,4,,
S-8#W,passive_poe,2,,24,20
S-8#W,data,2,,,
""",
    "catalogue/converters": """\
sku,maker,weight_kg,kind,input_min_v,input_max_v,output_v,output_max_w,current_max_a,volume_l
D-30,Ostrel,0.3,load_disconnect,8,60,,,30,0.3
""",
    "catalogue/balance": """\
sku,maker,weight_kg,kind,module_area_max_m2,volume_max_l
MT-4,Ostrel,20,mount,4,
EN-60,Ostrel,12,enclosure,,60
""",
    "catalogue/suppliers": """\
supplier,name,country
north,North Supply,NO
""",
    "catalogue/prices": """\
sku,supplier,min_qty,unit_price,currency,valid_from,valid_to
M-100/36,north,1,80,EUR,2026-01-01,2026-12-31
M-100/36,north,10,72.50,EUR,2026-01-01,2026-12-31
B-AGM (100),north,1,250,EUR,,
C-20+L,north,1,120,NOK,,
S-8#W,north,1,310,EUR,,
D-30,north,1,35,EUR,,
MT-4,north,1,90,EUR,,
EN-60,north,1,140,EUR,,
""",
    "catalogue/stock": """\
sku,supplier,stock_qty,lead_time_weeks,min_order_qty,pack_qty
M-100/36,north,200,3,2,2
""",
    "catalogue/fx": """\
currency,rate,date,source
NOK,0.085,2026-11-20,invented
""",
}

TABLE_PATHS = tuple(_TABLES)


def table(name: str) -> Rows:
    """Rows of a table of the minimal scenario; `name` as in `catalogue/prices`."""
    return list(csv.DictReader(io.StringIO(_TABLES[name])))


def read_rows(path: Path) -> Rows:
    """Rows of a CSV file as text."""
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def write_rows(path: Path, rows: Sequence[Mapping[str, str]]) -> None:
    """Write rows as CSV; columns are those of all rows, in order of appearance."""
    header = list(dict.fromkeys(name for row in rows for name in row))
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, header, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def write_scenario(
    folder: Path, *, settings: str = SETTINGS, tables: Mapping[str, Rows | str | bytes] | None = None
) -> Path:
    """Write the minimal scenario to a folder; `tables` replaces tables by rows, text or bytes."""
    (folder / "catalogue").mkdir(parents=True, exist_ok=True)
    (folder / "scenario.toml").write_text(settings, encoding="utf-8")
    for name, content in (_TABLES | dict(tables or {})).items():
        path = folder / f"{name}.csv"
        if isinstance(content, list):
            write_rows(path, content)
        else:
            path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
    return folder


def with_cell(name: str, row: int, /, **cells: str) -> dict[str, Rows]:
    """A replacement of table `name` in which one row (from 0) has other cells; blank clears one."""
    rows = table(name)
    rows[row] |= cells
    return {name: rows}
