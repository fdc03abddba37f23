"""Arrow's arrays made by hand against `pyarrow.array`, and that they load nothing they need not."""

import datetime
import io
import subprocess
import sys
from decimal import Decimal
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.tables.arrow import arrow_array
from tests.rerun.small import fleet_tables, plan_at

SCALE = 4
MONEY = st.decimals(-(10**30), 10**30, places=SCALE)
KINDS: dict[type, tuple[Any, st.SearchStrategy[Any]]] = {
    str: (pa.string(), st.text(st.characters(exclude_categories=["Cs"]))),
    bool: (pa.bool_(), st.booleans()),
    int: (pa.int64(), st.integers(-(2**63), 2**63 - 1)),
    float: (pa.float64(), st.floats(allow_nan=False)),
    datetime.date: (pa.date32(), st.dates()),
    Decimal: (pa.decimal128(38, SCALE), MONEY),
}


def written(array: Any) -> bytes:
    """A Parquet file of one column."""
    stream = io.BytesIO()
    pq.write_table(pa.table({"column": array}), stream, compression="zstd", version="2.6")
    return stream.getvalue()


@pytest.mark.parametrize("kind", KINDS)
@given(data=st.data())
def test_they_are_those_of_arrow_itself(kind: type, data: st.DataObject) -> None:
    arrow, cells = KINDS[kind]
    values = data.draw(st.lists(st.none() | cells, max_size=40))
    found = arrow_array(values, kind, scale=SCALE if kind is Decimal else 0)
    theirs = pa.array(values, arrow)
    found.validate(full=True)
    assert found.equals(theirs)
    assert written(found) == written(theirs)


@pytest.mark.parametrize(("kind", "value"), [(int, 2**63), (Decimal, Decimal(10) ** 34)])
def test_numbers_that_do_not_fit_are_refused(kind: type, value: Any) -> None:
    with pytest.raises(OverflowError):
        arrow_array([value], kind, scale=SCALE)


def test_a_plan_from_an_earlier_one_loads_no_pandas(tmp_path: Path) -> None:
    """Nor what loads it: together they take as long as a small plan's tables take to read and write."""
    plan_at(tmp_path, fleet_tables())
    code = (
        "import sys; from pathlib import Path; from planner.rerun import plan_again; "
        f"folder = Path({str(tmp_path)!r}); "
        "plan, _, _ = plan_again(folder / 'scenario', folder / 'two', earlier=folder / 'plan'); "
        "assert 'used again' in plan.reuse, plan.reuse; "
        "sys.exit(', '.join({'pandas', 'pvlib', 'pyarrow.dataset'} & sys.modules.keys()) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], check=False, capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")
