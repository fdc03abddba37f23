"""Buying: published price breaks, order lines that reconcile."""

from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest

from planner.fleet import Market, make_market
from planner.procurement import SiteUse, order_lines, site_lines
from planner.scenario import read_scenario
from tests.support import write_scenario


def priced(tmp_path: Path, tiers: list[tuple[int, str]], kind: str) -> Market:
    """A market whose only module has the given tiers."""
    write_scenario(tmp_path)
    path = tmp_path / "catalogue" / "prices.csv"
    lines = path.read_text().splitlines()
    head = [*lines[0].split(","), *(["tier_kind"] if "tier_kind" not in lines[0] else [])]
    supplier = lines[1].split(",")[head.index("supplier")]
    blank = "," * (len(head) - len(lines[0].split(",")))
    rows = [line + blank for line in lines[1:] if not line.startswith("M-100/36")]
    for q, price in tiers:
        row = {
            "sku": "M-100/36",
            "supplier": supplier,
            "min_qty": str(q),
            "unit_price": price,
            "currency": "EUR",
            "tier_kind": kind,
        }
        rows.append(",".join(row.get(name, "") for name in head))
    path.write_text("\n".join([",".join(head), *rows]) + "\n")
    return make_market(read_scenario(tmp_path))


def units(market: Market, need: int) -> np.ndarray:
    one = np.zeros(len(market.skus), dtype=int)
    one[market.index["M-100/36"]] = need
    return one


@pytest.mark.parametrize(("need", "bought"), [(450, 450), (451, 500), (499, 500), (500, 500), (640, 640)])
def test_all_units_break_is_bought_up_to(tmp_path: Path, need: int, bought: int) -> None:
    # 10 each, 9 from 500: 500 x 9 = 4500, so any need of 451 to 499 is cheaper bought as 500 (recomputed).
    market = priced(tmp_path, [(1, "10"), (500, "9")], "all_units")
    (line,) = order_lines({"M-100/36": need}, market)
    assert line.quantity_ordered == bought
    assert line.quantity_surplus == bought - need
    assert market.cost(units(market, need)) == pytest.approx(float(line.line_cost))


def test_incremental_tiers_fill_in_order(tmp_path: Path) -> None:
    # 3.00 / 2.97 / 2.95 from 0 / 500 / 1500: units 1-499 at 3.00, 500-1499 at 2.97, the rest at 2.95.
    market = priced(tmp_path, [(1, "3.00"), (500, "2.97"), (1500, "2.95")], "incremental")
    lines = order_lines({"M-100/36": 1600}, market)
    assert [line.quantity_ordered for line in lines] == [499, 1000, 101]
    assert sum(line.line_cost for line in lines) == Decimal("4764.95")  # 1497.00 + 2970.00 + 297.95
    assert market.cost(units(market, 1600)) == pytest.approx(4764.95)
    totals = [market.cost(units(market, need)) for need in range(1, 1700, 7)]
    assert all(np.diff(totals) > 0)  # incremental totals never fall


def test_site_shares_add_up_to_the_cent(tmp_path: Path) -> None:
    market = priced(tmp_path, [(1, "3.00"), (500, "2.97")], "incremental")
    lines = order_lines({"M-100/36": 700}, market)
    seven = {"M-100/36": 7}
    uses = [SiteUse(site_id=f"s{i}", units=seven, bought=seven) for i in range(100)]
    shares = site_lines(uses, lines, market)
    assert sum(share.line_cost for share in shares) == sum(line.line_cost for line in lines)
