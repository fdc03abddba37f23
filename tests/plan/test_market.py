"""Buying: published price breaks, order lines that reconcile."""

from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest

from planner.fleet import Market, make_market
from planner.procurement import SiteUse, order_lines, site_lines
from planner.scenario import read_scenario
from tests.support import Rows, table, write_scenario

MODULE = "M-100/36"


def priced(
    tmp_path: Path,
    tiers: list[tuple[int, str]],
    kind: str,
    *,
    more: Rows | None = None,
    stock: Rows | None = None,
    rules: Rows | None = None,
) -> Market:
    """A market whose only module has the given tiers, and perhaps further offers, terms and rules."""
    own = [
        {"sku": MODULE, "supplier": "north", "min_qty": str(q), "unit_price": price}
        | {"currency": "EUR", "tier_kind": kind}
        for q, price in tiers
    ]
    others = [row for row in table("catalogue/prices") if row["sku"] != MODULE]
    suppliers = [*table("catalogue/suppliers"), {"supplier": "south"}]
    tables: dict[str, Rows] = {
        "catalogue/prices": [*others, *own, *(more or [])],
        "catalogue/suppliers": suppliers,
        "catalogue/stock": stock or [{"sku": MODULE, "supplier": "north"}],
    }
    write_scenario(tmp_path, tables=tables | ({"category_rules": rules} if rules else {}))
    return make_market(read_scenario(tmp_path))


def cost(market: Market, need: int) -> float:
    """What a need of the module costs."""
    k = market.index[MODULE]
    most = np.zeros(len(market.skus))
    most[k] = need
    return float(market.needs(most).curve(k)[need])


@pytest.mark.parametrize(("need", "bought"), [(450, 450), (451, 500), (499, 500), (500, 500), (640, 640)])
def test_all_units_break_is_bought_up_to(tmp_path: Path, need: int, bought: int) -> None:
    # 10 each, 9 from 500: 500 x 9 = 4500, so any need of 451 to 499 is cheaper bought as 500 (recomputed).
    market = priced(tmp_path, [(1, "10"), (500, "9")], "all_units")
    (line,) = order_lines({MODULE: need}, market)
    assert line.quantity_ordered == bought
    assert line.quantity_surplus == bought - need
    assert cost(market, need) == pytest.approx(float(line.line_cost))


def test_incremental_tiers_fill_in_order(tmp_path: Path) -> None:
    # 3.00 / 2.97 / 2.95 from 0 / 500 / 1500: units 1-499 at 3.00, 500-1499 at 2.97, the rest at 2.95.
    market = priced(tmp_path, [(1, "3.00"), (500, "2.97"), (1500, "2.95")], "incremental")
    lines = order_lines({MODULE: 1600}, market)
    assert [line.quantity_ordered for line in lines] == [499, 1000, 101]
    assert sum(line.line_cost for line in lines) == Decimal("4764.95")  # 1497.00 + 2970.00 + 297.95
    assert cost(market, 1600) == pytest.approx(4764.95)
    totals = [cost(market, need) for need in range(1, 1700, 70)]
    assert all(np.diff(totals) > 0)  # incremental totals never fall


def test_an_order_is_split_where_stock_ends(tmp_path: Path) -> None:
    """Spares a tenth; the units of sites come first on the lines, then spares, then what the pack adds."""
    # 40 + 4 = 44: 30 at 10 are all that north has, the other 14 take 3 packs of 6 at 11 in the south; beside
    # these 18, 26 of the north will do: 260 + 198 = 458
    market = priced(
        tmp_path,
        [(1, "10")],
        "all_units",
        more=[{"sku": MODULE, "supplier": "south", "min_qty": "1", "unit_price": "11", "currency": "EUR"}],
        stock=[
            {"sku": MODULE, "supplier": "north", "stock_qty": "30"},
            {"sku": MODULE, "supplier": "south", "pack_qty": "6"},
        ],
        rules=[{"category": "modules", "spares_share": "0.1"}],
    )
    lines = order_lines({MODULE: 40}, market)
    parts = [
        (line.offer.supplier, line.quantity_sites, line.quantity_spares, line.quantity_surplus)
        for line in lines
    ]
    assert parts == [("north", 26, 0, 0), ("south", 14, 4, 0)]
    assert [line.quantity_ordered for line in lines] == [26, 18]
    assert sum(line.line_cost for line in lines) == Decimal(458)
    assert cost(market, 40) == pytest.approx(458)


def test_site_shares_add_up_to_the_cent(tmp_path: Path) -> None:
    market = priced(tmp_path, [(1, "3.00"), (500, "2.97")], "incremental")
    lines = order_lines({MODULE: 700}, market)
    seven = {MODULE: 7}
    uses = [SiteUse(site_id=f"s{i}", units=seven, bought=seven) for i in range(100)]
    shares = site_lines(uses, lines, market)
    assert sum(share.line_cost for share in shares) == sum(line.line_cost for line in lines)
