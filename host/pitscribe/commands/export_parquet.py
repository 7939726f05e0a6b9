"""A cook as Parquet, for who goes on with it in another language: the table with its metadata in one file."""

import json
from typing import TYPE_CHECKING, Any, BinaryIO

from pitscribe.commands.export_about import NAME
from pitscribe.commands.export_table import FLAGS, Block, Column, Table
from pitscribe.errors import ConfigError

if TYPE_CHECKING:
    import pyarrow as pa


def write_parquet(table: Table, told: dict[str, Any], out: BinaryIO) -> None:
    """The columns of the CSV: ``time`` as a timestamp in ms, UTC; figures as float64, null where nothing can be said;
    flags as words, null where there is no sample.

    told : see ``export_about``; under the key "pitscribe" of the file's metadata, as JSON. Each column's own metadata
        has place, kind, quantity and unit.
    Raises ConfigError if pyarrow is not installed.
    """
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError:
        raise ConfigError(
            "pyarrow, which writes Parquet, is not installed: install pitscribe with its extra `parquet`, or export as "
            "csv"
        ) from None
    schema = pa.schema(
        [pa.field("time", pa.timestamp("ms", tz="UTC"), nullable=False), *(_field(one) for one in table.columns)],
        metadata={NAME: json.dumps(told, ensure_ascii=False)},
    )
    sink = pa.PythonFile(out, mode="w")  # sequential: a pipe will do
    with pq.ParquetWriter(sink, schema, compression="zstd") as writer:
        for block in table.blocks():
            writer.write_batch(_batch(block, schema))


def _field(column: Column) -> "pa.Field":
    import pyarrow as pa

    unit = {} if column.unit is None else {"unit": f"deg{column.unit}"}
    kind = pa.dictionary(pa.int32(), pa.string()) if column.quantity == FLAGS else pa.float64()
    told = {"place": column.place, "kind": column.kind, "quantity": column.quantity} | unit
    return pa.field(column.title, kind, metadata=told)


def _batch(block: Block, schema: "pa.Schema") -> "pa.RecordBatch":
    import pyarrow as pa

    columns = [pa.array(block.t_ms, type=schema.field(0).type)]
    for place, cells in enumerate(block.cells, 1):
        if isinstance(cells, list):
            columns.append(pa.array(cells, type=pa.string()).dictionary_encode())
        else:
            columns.append(pa.array(cells, type=schema.field(place).type, from_pandas=True))  # NaN becomes null
    return pa.record_batch(columns, schema=schema)
