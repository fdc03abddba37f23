"""Random small fleets over the shipped catalogue: every supply, schedule, setting; parts left out.

A fleet is a scenario folder, a function of its random stream alone. What the shipped catalogue has alike
everywhere (poles, budgets, terminals) is varied, so that the rules on it bite.
"""

from pathlib import Path
from random import Random

from tests.plan.fleets import CATALOGUE
from tests.plan.wires import CLASSES
from tests.support import Rows, read_rows, write_rows

#: Real places: latitude, longitude, elevation.
PLACES = (
    (60.602, 7.504, 1222), (46.5, 8.25, 1800), (37.1, -3.4, 900), (30.6, 34.8, 850), (38.7, -9.1, 90),
    (-0.3, 36.1, 1850), (-23.6, -68.2, 2400), (-33.9, 18.9, 300), (64.1, -19.0, 600), (52.4, -105.2, 520),
)  # fmt: skip
#: How many SKUs of a table have a price, least and most.
SOLD = {"modules": (3, 5), "batteries": (5, 8), "controllers": (4, 6), "switches": (5, 8), "balance": (5, 8)}
CONVERTERS = {
    "dc_dc": (4, 7), "poe_injector": (0, 2), "load_disconnect": (1, 3), "inverter": (3, 6),
    "poe_adapter": (0, 2), "sfp_module": (0, 2),
}  # fmt: skip
KEPT = {"balance": ("STV GF-4.4", "STV K240 ins")}  # so that few fleets fail for want of a mount


def write_fleet(folder: Path, rng: Random) -> Path:
    """A scenario of 2 to 4 sites."""
    (folder / "catalogue").mkdir(parents=True)
    for path in sorted(CATALOGUE.glob("*.csv")):
        write_rows(folder / "catalogue" / path.name, read_rows(path))
    devices = [device(rng, f"d{number}") for number in range(rng.randint(3, 6))]
    sites = [site(rng, f"s{number}") for number in range(rng.randint(2, 4))]
    vary(folder / "catalogue", rng)
    for name, rows in {
        "sites": sites,
        "devices": devices,
        "loads": loads(rng, devices, sorted({row["load_profile"] for row in sites})),
        "schedules": [schedule(rng)],
        "site_months": other_supply(rng, sites),
    }.items():
        if rows:
            write_rows(folder / f"{name}.csv", rows)
    (folder / "scenario.toml").write_text(settings(rng), encoding="utf-8")
    return folder


def maybe(rng: Random, value: object, share: float = 0.5) -> str:
    """A cell, or blank."""
    return str(value) if rng.random() < share else ""


def site(rng: Random, name: str) -> dict[str, str]:
    latitude, longitude, elevation = rng.choice(PLACES)
    return {
        "site_id": name, "latitude_deg": str(latitude), "longitude_deg": str(longitude),
        "elevation_m": str(elevation), "load_profile": rng.choice(("north", "south")),
        "autonomy_days": maybe(rng, rng.randint(1, 6)),
        "system_voltage_v": maybe(rng, rng.choice((12, 24, 48)), 0.25),
        "bus_grounding": rng.choice(("negative", "negative", "negative", "positive", "floating")),
        "array_to_load_ratio": maybe(rng, rng.choice((1.0, 1.2, 1.5)), 0.3),
        "recovery_days_max": maybe(rng, rng.choice((15, 40)), 0.2),
        "surface_tilt_deg": maybe(rng, rng.choice((20, 35, 60)), 0.2),
        "module_area_max_m2": maybe(rng, rng.choice((2, 5, 9)), 0.2),
        "wind_design_m_s": maybe(rng, rng.choice((40, 52)), 0.2),
        "temp_air_min_c": maybe(rng, rng.choice((-30, -18, -5)), 0.5),
        "temp_air_max_c": maybe(rng, rng.choice((28, 38, 44)), 0.3),
        "enclosure_damping_k": maybe(rng, rng.choice((3, 12)), 0.3),
    }  # fmt: skip


def other_supply(rng: Random, sites: Rows) -> Rows:
    """Energy from elsewhere over some months of some sites."""
    return [
        {
            "site_id": row["site_id"],
            "month": str(month),
            "other_supply_wh_day": str(rng.choice((30, 90, 400))),
        }
        for row in sites
        if rng.random() < 0.15
        for month in rng.sample(range(1, 13), 4)
    ]


def device(rng: Random, name: str) -> dict[str, str]:
    supply = rng.choice(("poe", "poe", "passive_poe", "passive_poe", "dc", "dc", "ac"))
    data_ports = rng.randint(0, 2) if supply == "dc" else rng.choice((1, 1, 1, 2))
    row = {
        "device": name, "supply": supply, "data_ports": str(data_ports),
        "schedule": rng.choice(("always", "always", "day", "night", "hours")),
    }  # fmt: skip
    most = round(rng.choice((2.0, 6.0, 12.0)) * rng.uniform(0.4, 1.0), 2)
    if supply == "poe":
        poe_class = rng.choice((0, 1, 2, 3, 3, 4, 4, 5, 6, 7, 8))
        most = round(CLASSES[poe_class].pd_w * rng.uniform(0.3, 1.0), 2)
        row |= {"poe_class": str(poe_class), "power_allocation": rng.choice(("class", "measured"))}
    elif supply == "passive_poe":
        volts = rng.choice((24, 48))
        row |= {"passive_v": str(volts), "case_ground": rng.choice(("", "negative", "positive", "floating"))}
        if rng.random() < 0.6:
            row |= {"input_min_v": str(volts * rng.choice((0.7, 0.9, 0.98)))}
            row |= {"input_max_v": str(round(volts * rng.choice((1.1, 1.3)), 2))}
    elif supply == "dc":
        low, high = rng.choice(
            ((9, 16), (10, 32), (10.8, 14.6), (20, 30), (22, 28), (11, 60), (40, 60), (46, 57))
        )
        row |= {"input_min_v": str(low), "input_max_v": str(high)}
        row |= {"case_ground": rng.choice(("", "negative", "positive", "floating"))}
    else:
        most = round(rng.uniform(5, 60), 1)
        row |= {"input_min_v": "207", "input_max_v": "253", "input_hz": rng.choice(("", "50"))}
        row |= {"surge_w": maybe(rng, round(most * rng.uniform(2, 9), 1), 0.8)}
    return row | {"max_w": str(most), "average_w": str(round(most * rng.uniform(0.05, 0.6), 2))}


def loads(rng: Random, devices: Rows, profiles: list[str]) -> Rows:
    """A few of the devices on every profile, with cables of any length that Ethernet allows."""
    return [
        {
            "load_profile": profile, "device": row["device"], "quantity": str(rng.choice((1, 1, 1, 2, 3))),
            "cable_m": str(rng.choice((1, 5, 20, 45, 90, 100))),
        }
        for profile in profiles
        for row in rng.sample(devices, rng.randint(1, min(3, len(devices))))
    ]  # fmt: skip


def schedule(rng: Random) -> dict[str, str]:
    hours = {f"h{hour:02d}": str(rng.choice((0, 0, 0.25, 0.5, 1))) for hour in range(24)}
    return (
        {"schedule": "hours"}
        | hours
        | {f"m{month:02d}": str(rng.choice((1, 1, 0.5))) for month in range(1, 13)}
    )


def settings(rng: Random) -> str:
    voltages = rng.choice(("12, 24", "24, 48", "12, 24, 48", "12, 24, 48"))
    return f"""\
name = "Random"
plan_date = 2026-11-20
currency = "EUR"
catalogue = "catalogue"

[policy]
autonomy_days = {rng.choice((1.5, 3, 5))}
array_to_load_ratio = {rng.choice((1.0, 1.1, 1.3))}
load_margin = {rng.choice((0.0, 0.1, 0.25))}
system_voltages_v = [{voltages}]
uplink_ports = {rng.choice((0, 1, 1, 2))}
uplink_medium = "{rng.choice(("any", "any", "copper", "fibre"))}"
switches_max = 2
enclosures_max = 3

[climate]
tilts_deg = [15, 45, 75]

[demand]
bus_cable_drop = {rng.choice((0.0, 0.03, 0.03, 0.08))}

[battery]
enclosure_damping_k = {rng.choice((3, 5, 14))}
daily_depth_max_lead_acid = {rng.choice((0.1, 0.2))}
equalise_required = {rng.choice(("false", "true"))}

[solver]
gap = 0.05
"""


def vary(catalogue: Path, rng: Random) -> None:
    """Leave prices out, and change what parts have alike."""

    def edit(name: str, **cells: object) -> None:
        rows = read_rows(catalogue / f"{name}.csv")
        for row in rows:
            row.update({column: str(choose(row)) for column, choose in cells.items()})  # type: ignore[operator]
        write_rows(catalogue / f"{name}.csv", rows)

    def between(row: dict[str, str], share: float) -> str:
        """A voltage in a switch's input window; blank without a PoE budget."""
        low, high = float(row["input_min_v"]), float(row["input_max_v"])
        return f"{low + share * (high - low):.1f}" if float(row["poe_budget_w"]) else ""

    def of(column: str, *values: object) -> object:
        return lambda row: rng.choice(values) if row[column] else ""

    def over(column: str) -> object:
        return lambda row: row[column] and rng.choice(("", float(row[column]) * rng.choice((1.0, 1.5))))

    def often(column: str, *others: str, share: float = 0.25) -> object:
        return lambda row: rng.choice(others) if rng.random() < share else row.get(column, "")

    edit(
        "switches",
        case_ground=often("case_ground", "floating", "positive"),
        isolated=often("isolated", "true", "false"),
        poe_budget_w=lambda row: round(float(row["poe_budget_w"]) * rng.choice((1, 1, 0.7)), 1),
        input_max_v=lambda row: "60" if row["pse_kind"] == "passthrough" else row["input_max_v"],
        poe_budget_low_w=lambda row: round(float(row["poe_budget_w"]) / 2, 1) or "",
        poe_budget_low_below_v=lambda row: between(row, rng.choice((0.3, 0.5))),
        poe_derate_above_c=often("poe_derate_above_c", "25"),
    )
    edit("switches", poe_derate_w_per_k=of("poe_derate_above_c", 1, 3))
    edit("controllers", common_terminal=often("common_terminal", "none", "positive", "negative", share=0.6),
         temp_compensated=often("temp_compensated", "false"),
         load_terminal_max_a=of("load_terminal_max_a", 2, 5, 20))  # fmt: skip
    edit("controllers", load_terminal_surge_a=over("load_terminal_max_a"))
    edit("converters", isolated=often("isolated", "true", "false"),
         case_ground=often("case_ground", "floating", "negative"),
         poe_class=lambda row: rng.choice((3, 4)) if row["kind"] == "poe_adapter" else row["poe_class"],
         current_max_a=of("current_max_a", 3, 10, 30))  # fmt: skip
    edit("converters", surge_a=over("current_max_a"))
    edit("batteries", equalise_v=lambda row: "" if row["chemistry"] == "lfp" else rng.choice(("", "15.2")),
         charge_temp_min_c=often("charge_temp_min_c", "-15", share=0.1),
         discharge_current_max_a=often("discharge_current_max_a", "2", "4"))  # fmt: skip
    sold: set[str] = set()
    for name, (least, most) in SOLD.items():
        skus = [row["sku"] for row in read_rows(catalogue / f"{name}.csv")]
        sold.update(rng.sample(skus, rng.randint(least, min(most, len(skus)))), KEPT.get(name, ()))
    for kind, (least, most) in CONVERTERS.items():
        skus = [row["sku"] for row in read_rows(catalogue / "converters.csv") if row["kind"] == kind]
        sold.update(rng.sample(skus, rng.randint(least, min(most, len(skus)))))
    prices = [row for row in read_rows(catalogue / "prices.csv") if row["sku"] in sold]
    write_rows(catalogue / "prices.csv", prices)
