"""A cook as CSV, and beside it the file that says what its columns are.

Comments in the table itself would be rows to a spreadsheet, and RFC 4180 has none. So what is told stands in a file of
its own, by the W3C's Metadata Vocabulary for Tabular Data (Recommendation of 17 December 2015, from memory): of the
table's name with ``-metadata.json`` behind it, where a reader looks for it by itself. ``import`` and ``replay`` do.
"""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO
from urllib.parse import quote

from pitscribe.commands.export_table import FLAGS, Block, Column, Table, isos
from pitscribe.intake.tableabout import metadata_path as metadata_path
from pitscribe.intake.tablecells import guarded, quoted
from pitscribe.mirror.points import DIGITS


def write_csv(table: Table, out: BinaryIO) -> None:
    """One row a time; a place has its temperature, its standard uncertainty and its flags, the unit in the header.

    Behind them, what the junction read at those air places that are corrected for stem and lag.
    """
    out.write((",".join(["time", *(_cell(column) for column in table.columns)]) + "\n").encode())
    for block in table.blocks():
        out.write("".join(_lines(block)).encode())


def _cell(column: Column) -> str:
    return quoted(guarded(column.title))


def _lines(block: Block) -> Iterator[str]:
    columns = [isos(block.t_ms)]
    for cells in block.cells:
        if isinstance(cells, list):
            columns.append([word or "" for word in cells])
        else:
            columns.append(["" if value != value else f"{value:.{DIGITS}f}" for value in cells.tolist()])
    for row in zip(*columns, strict=True):
        yield ",".join(row) + "\n"


def metadata(told: dict[str, Any], table: Table, path: Path) -> bytes:
    """What stands in the file beside the table at ``path``; ``told``: see ``export_about``."""
    time = {"titles": "time", "datatype": {"base": "dateTime", "format": "yyyy-MM-ddTHH:mm:ss.SSSX"}, "required": True}
    said = {
        "@context": "http://www.w3.org/ns/csvw",
        "url": quote(path.name, safe=""),  # a reference (RFC 3986): a name may have "#" or ":" in it
        "dialect": {"encoding": "utf-8", "delimiter": ",", "lineTerminators": "\n", "header": True},
        "tableSchema": {"columns": [time, *(_described(column) for column in table.columns)]},
        "notes": [told],
    }
    return (json.dumps(said, indent=1, ensure_ascii=False) + "\n").encode()


def _described(column: Column) -> dict[str, Any]:
    unit = "" if column.unit is None else f", deg {column.unit}"
    return {
        "titles": guarded(column.title),
        "datatype": "string" if column.quantity == FLAGS else "number",
        "dc:description": f"{column.quantity} at {column.place} ({column.kind}){unit}",
    }
