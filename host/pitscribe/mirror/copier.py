"""Brings a server to what streams say, and remembers in the ledger how far it is: an hour of a series at a time.

A block (an hour of a series) is *sure* when all of it was read back and found. Until then it is *known* while this
process has had every answer since it wrote there, and otherwise in *doubt*: the server or we may have ended in between.
What is in doubt is read back first, and only what is missing is written, so nothing is lost or written twice. What is
no longer so is deleted and written anew. A server that cannot be read is written to again instead: that is idempotent
by series and time.
"""

import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import NamedTuple

from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.mirrorbook import Block, BlockName
from pitscribe.mirror.found import Compared, compare
from pitscribe.mirror.points import HOUR_MS, SeriesName, Stream
from pitscribe.mirror.server import RefusedError, Server

BATCH = 5000  # points in one write (InfluxData's advice for batches, from memory)
CONFIRM_S = 30.0  # after so long any server has its memory on disk
TRIES = 3  # of a block that is never found whole
EMPTY = Block(0, 0, False)

_Part = Callable[[str], bool]


class _Wanted(NamedTuple):
    """A block as it should be, and whether its hour is over."""

    name: BlockName
    points: Stream
    over: bool


class Brought(NamedTuple):
    """What was done: points written; series whose points were deleted; whether all is there, and sure."""

    written: int
    deleted: int
    sure: bool


class Copier:
    """``bring`` is to be called by one thread."""

    def __init__(
        self, ledger: Ledger, mirror_id: int, server: Server, *, real: Callable[[], float] = time.monotonic,
        confirm_s: float = CONFIRM_S, pause: Callable[[float], None] = lambda took: None,
    ) -> None:
        """real : real seconds that never jump

        confirm_s : real seconds after a write when it is read back, if the server does not rest sooner

        pause : called after each batch with the seconds that it took, so that others get the processor
        """
        self.ledger, self.mirror_id, self.server = ledger, mirror_id, server
        self._real, self._pause = real, pause
        self.confirm_s = min(confirm_s, server.rests_s)
        self._known: dict[BlockName, float] = {}  # when it was last written to
        self._vain: dict[BlockName, int] = {}  # how often it was not found whole

    def doubt_all(self) -> None:
        """The server was away, or may have been: what is not sure must be looked at."""
        self._known.clear()

    def bring(
        self, cook_id: int, streams: Sequence[Stream], now_ms: int, part: _Part = lambda measurement: True
    ) -> Brought:
        """Bring the server to what a cook's streams say. AwayError, RefusedError; what was done until then counts.

        part : the measurements that the streams are all of; others are left alone
        """
        held = {
            name: block for name, block in self.ledger.mirror_blocks(self.mirror_id, cook_id).items()
            if part(name.series.partition(",")[0])
        }
        wanted = [
            _Wanted(BlockName(series, hour), stream.rows(rows), (hour + 1) * HOUR_MS <= now_ms)
            for stream in streams
            for series in (stream.series.text,)
            for hour, rows in stream.hours().items()
        ]
        work = _Work(self, cook_id, held)
        try:
            work.drop_gone({one.name for one in wanted})
            return work.bring(wanted)
        except Exception:
            self.doubt_all()
            raise

    # what _Work asks

    def in_doubt(self, name: BlockName, block: Block) -> bool:
        return not block.sure and name not in self._known

    def wrote(self, names: Iterable[BlockName]) -> None:
        now = self._real()
        self._known.update(dict.fromkeys(names, now))

    def forget(self, names: Iterable[BlockName]) -> None:
        for name in names:
            self._known.pop(name, None)

    def settled(self, name: BlockName) -> bool:
        return self._real() - self._known.get(name, float("inf")) >= self.confirm_s

    def in_vain(self, name: BlockName) -> None:
        """A block was not found as it was written. RefusedError if that goes on."""
        self._vain[name] = self._vain.get(name, 0) + 1
        if self._vain[name] >= TRIES:
            del self._vain[name]
            raise RefusedError(
                f"{self.server.address.url} took points of hour {name.hour} of {name.series} {TRIES} times and has not "
                "got them: does its retention reach back so far, and does nobody else write there?"
            )

    def found_whole(self, name: BlockName) -> None:
        self._vain.pop(name, None)
        self._known.pop(name, None)

    def pause(self, took: float) -> None:
        self._pause(took)


class _Work:
    """One cook, brought once."""

    def __init__(self, copier: Copier, cook_id: int, held: Mapping[BlockName, Block]) -> None:
        self._copier, self._cook_id, self._held = copier, cook_id, dict(held)
        self._ledger, self._mirror_id, self._server = copier.ledger, copier.mirror_id, copier.server
        self._written = self._deleted = 0

    def drop_gone(self, wanted: set[BlockName]) -> None:
        """Delete hours that are no longer in the cook; where a whole series goes with one, its rest comes anew."""
        gone = [name for name in self._held if name not in wanted]
        for name in gone:
            if self._held[name].points or self._copier.in_doubt(name, self._held[name]):
                self._delete(name)
        self._ledger.drop_blocks(self._mirror_id, gone)
        for name in gone:
            self._held.pop(name, None)

    def bring(self, wanted: Sequence[_Wanted]) -> Brought:
        self._look_at_doubts(wanted)
        stale = [one for one in wanted if self._is_stale(one)]
        for one in stale:
            if self._is_stale(one):  # a whole series may have gone with another of its hours
                self._delete(one.name)
        self._send(wanted)
        sure = self._confirm(wanted)
        return Brought(self._written, self._deleted, sure)

    def _is_stale(self, one: _Wanted) -> bool:
        block = self._held.get(one.name, EMPTY)
        n = one.points.t_ms.size
        return block.points > n or (block.points > 0 and block.digest != one.points.rows(slice(block.points)).digest())

    def _look_at_doubts(self, wanted: Sequence[_Wanted]) -> None:
        for one in wanted:
            block = self._held.get(one.name)
            if block is None or not self._copier.in_doubt(one.name, block):
                continue
            if not self._server.reads:
                self._keep({one.name: EMPTY})
                continue
            self._fill(one, self._compare(one))

    def _compare(self, one: _Wanted) -> Compared:
        first = one.name.hour * HOUR_MS
        held = self._server.held(one.points, first, first + HOUR_MS - 1)
        return compare(one.points, held, texts=self._server.texts)

    def _fill(self, one: _Wanted, seen: Compared) -> None:
        """Write what is missing of a block that was read back, or begin it anew if it is wrong."""
        if seen.wrong:
            self._delete(one.name)
            return
        lines = list(one.points.lines(seen.missing))
        self._write(lines)
        self._keep({one.name: Block(one.points.t_ms.size, one.points.digest(), False)})
        self._copier.wrote([one.name])

    def _delete(self, name: BlockName) -> None:
        """Delete a block at the server. Before that it is written down that nothing is there for certain."""
        names = [name]
        if self._server.deletes_series:
            names = [other for other in self._held if other.series == name.series]
        self._keep(dict.fromkeys(names, EMPTY))
        if self._server.reads:  # of another one it is not known whether it can delete; what has its time is replaced
            first = name.hour * HOUR_MS
            self._server.delete(SeriesName.of(name.series), first, first + HOUR_MS - 1)
            self._deleted += 1
        self._copier.wrote(names)

    def _send(self, wanted: Sequence[_Wanted]) -> None:
        """Write the ends of blocks that have grown, some blocks at a time."""
        batch: list[tuple[_Wanted, int]] = []
        size = 0
        for one in wanted:
            done = self._held.get(one.name, EMPTY).points
            if done < one.points.t_ms.size:
                batch.append((one, done))
                size += one.points.t_ms.size - done
            if size >= BATCH:
                self._send_batch(batch)
                batch, size = [], 0
        self._send_batch(batch)

    def _send_batch(self, batch: Sequence[tuple[_Wanted, int]]) -> None:
        if not batch:
            return
        began = time.monotonic()
        # Written down before: if we end between the write and its being written down, the block is in doubt.
        fresh = {
            one.name: self._held.get(one.name, EMPTY)._replace(sure=False) for one, _ in batch
            if self._held.get(one.name, Block(0, 0, True)).sure
        }
        self._keep(fresh)
        self._write([line for one, done in batch for line in one.points.rows(slice(done, None)).lines()])
        self._keep({one.name: Block(one.points.t_ms.size, one.points.digest(), False) for one, _ in batch})
        self._copier.wrote(one.name for one, _ in batch)
        self._copier.pause(time.monotonic() - began)

    def _write(self, lines: Sequence[str]) -> None:
        for i in range(0, len(lines), BATCH):
            self._server.write(lines[i : i + BATCH])
        self._written += len(lines)

    def _confirm(self, wanted: Sequence[_Wanted]) -> bool:
        """Read back what has rested for a while and will not grow. Returns whether all is sure."""
        sure = True
        for one in wanted:
            block = self._held.get(one.name, EMPTY)
            if block.sure:
                continue
            if not one.over or not self._copier.settled(one.name):
                sure = False
                continue
            seen = self._compare(one) if self._server.reads else None
            if seen is None or seen.same:
                self._keep({one.name: block._replace(sure=True)})
                self._copier.found_whole(one.name)
            else:
                sure = False
                self._copier.in_vain(one.name)
                self._fill(one, seen)
        return sure

    def _keep(self, blocks: Mapping[BlockName, Block]) -> None:
        if blocks:
            self._ledger.keep_blocks(self._mirror_id, self._cook_id, blocks)
            self._held.update(blocks)
