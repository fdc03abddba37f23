"""Parquet files: typed cells, null and NaN blank."""

import hashlib
import io

from planner.tables.raw import RawTable, Reading, Record, header_problems


def read_parquet(data: bytes, label: str) -> Reading:
    """Records of a Parquet file; null and NaN are blank."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        table = pq.ParquetFile(io.BytesIO(data)).read()  # `read_table` would load pandas first
        names = [str(name) for name in table.column_names]
        columns = [column.to_pylist() for column in table.columns]
    # A damaged file surfaces as any of these, depending on where it breaks.
    except (pa.ArrowException, OSError, ValueError, KeyError, TypeError, OverflowError) as error:
        return Reading().fail(
            code="broken-parquet",
            file=label,
            message=f"cannot be read as Parquet: {str(error)[:200]}",
            remedy="write it again",
        )
    reading = Reading(problems=header_problems(names, label, 1))
    records: list[Record] = [{} for _ in range(table.num_rows)]
    for name, values in reversed(list(zip(names, columns, strict=True))):
        for record, value in zip(records, values, strict=True):
            cell = value.strip() if isinstance(value, str) else value
            if cell is not None and cell != "" and cell == cell:  # NaN is unlike itself
                record[name] = cell
    reading.table = RawTable(
        file=label,
        header=tuple(dict.fromkeys(names)),
        records=records,
        lines=list(range(1, table.num_rows + 1)),
        hashes={label: hashlib.sha256(data).hexdigest()},
    )
    return reading
