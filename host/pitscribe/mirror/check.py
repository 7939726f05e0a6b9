"""Whether the mirror holds what the ledger says: every value read back and compared, and a checksum of each series."""

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any

from pitscribe.cook.analysis import analyse
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.mirrorbook import Block, BlockName
from pitscribe.ledger.values import Cook
from pitscribe.mirror.found import compare
from pitscribe.mirror.points import HOUR_MS, Stream
from pitscribe.mirror.server import Server
from pitscribe.mirror.streams import streams_of
from pitscribe.series import Reader
from pitscribe.series.times import STEADY


@dataclass(frozen=True, slots=True)
class SeriesChecked:
    """One series on both sides.

    points : that should be there;  found : of them, whole and right;  doubled : that are there more than once, alike
    wrong_hours : hours in which something else is there as well;  ours, theirs : checksums
    """

    cook: int
    series: str
    points: int
    found: int
    doubled: int
    wrong_hours: int
    ours: str
    theirs: str

    @property
    def same(self) -> bool:
        """Whether both sides are the same."""
        return self.found == self.points and not self.wrong_hours and self.ours == self.theirs

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return asdict(self) | {"same": self.same}


def check(ledger: Ledger, mirror_id: int, server: Server, cook: Cook, name: str) -> Iterator[SeriesChecked]:
    """Compare the series of a cook, but for its forecasts; of one that goes on what was written of it so far.

    name : of the ledger, in the tags
    """
    reader = Reader(ledger, cook.id, fit=STEADY)
    record = reader.read()
    streams = streams_of(record, analyse(record), reader.stretches(), name)
    held = ledger.mirror_blocks(mirror_id, cook.id) if record.cook.ended_ms is None else None
    for stream in streams:
        yield _checked(cook.id, stream, server, held)


def _checked(
    cook_id: int, stream: Stream, server: Server, held: Mapping[BlockName, Block] | None
) -> SeriesChecked:
    series = stream.series.text
    points = found = doubled = wrong = ours = theirs = 0
    for hour, rows in stream.hours().items():
        block = stream.rows(rows)
        if held is not None:
            block = block.rows(slice(held.get(BlockName(series, hour), Block(0, 0, False)).points))
        if not block.t_ms.size:
            continue
        # Of an hour that still grows: what was written of it, and not what comes in while this is read.
        last = (hour + 1) * HOUR_MS - 1 if held is None else int(block.t_ms[-1])
        seen = compare(block, server.held(block, hour * HOUR_MS, last), texts=server.texts)
        points, found, doubled = points + seen.points, found + seen.found, doubled + seen.doubled
        wrong, ours, theirs = wrong + seen.wrong, ours ^ seen.ours, theirs ^ seen.theirs
    return SeriesChecked(cook_id, series, points, found, doubled, wrong, f"{ours:08x}", f"{theirs:08x}")
