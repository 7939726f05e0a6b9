"""A cook as Influx line protocol: the points that the mirror writes (docs/MIRROR.md), without its forecasts."""

import json
from collections.abc import Iterator, Sequence
from typing import Any, BinaryIO

from pitscribe.commands.export_about import NAME
from pitscribe.cook.analysis import analyse
from pitscribe.mirror.points import Stream
from pitscribe.mirror.streams import streams_of
from pitscribe.series import CookRecord, Stretch


def write_lines(
    record: CookRecord, stretches: Sequence[Stretch], ledger_name: str, told: dict[str, Any], out: BinaryIO
) -> None:
    """The points of a cook, times in ms, degC; what is told of them goes before, in comments (lines with ``#``).

    ledger_name : what the tag ``ledger`` says;  told : see ``export_about``
    """
    for name, value in told.items():
        out.write(f"# {NAME}.{name} {json.dumps(value, ensure_ascii=True)}\n".encode())
    for stream in streams_of(record, analyse(record), stretches, ledger_name):
        for part in _parts(stream):
            out.write("".join(f"{line}\n" for line in part.lines()).encode())


def _parts(stream: Stream) -> Iterator[Stream]:
    """A stream by the hour: the lines of one are made at a time."""
    return (stream.rows(rows) for rows in stream.hours().values())
