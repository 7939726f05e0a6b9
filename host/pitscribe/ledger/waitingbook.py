"""Frames that wait here for the process that keeps their logger: held as durably as any, until it has stored them."""

from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

from pitscribe.ledger.framestore import FrameStore
from pitscribe.wire.frames import FrameKey

Range = tuple[int, int, int]  # boot, first sequence, last sequence


class Waiting(NamedTuple):
    """A frame that waits. ``row`` grows with every one that is held."""

    row: int
    logger: int
    frame: bytes


class WaitingCount(NamedTuple):
    """What waits for one process: frames, and since when the oldest (ms UTC)."""

    frames: int
    since_ms: int


class Waitingbook(FrameStore):
    """The part of the ledger that holds frames for others."""

    def hold(self, frames: Iterable[tuple[FrameKey, str, bytes]]) -> None:
        """Hold (key, keeper, frame), in one durable commit; what is held already is left alone.

        Other bytes under a key that waits are kept aside as a clash, as in ``store_frames``.
        """
        sql = (
            "INSERT INTO waiting_frames (keeper, logger, boot, sequence, held_ms, frame) VALUES (?, ?, ?, ?, ?, ?) "
            "ON CONFLICT DO NOTHING"
        )
        kept = "SELECT frame FROM waiting_frames WHERE logger = ? AND boot = ? AND sequence = ?"
        with self._write() as db:
            now = self.now_ms()
            for key, keeper, frame in frames:
                if db.execute(sql, (keeper, *key, now, frame)).rowcount:
                    continue
                if db.execute(kept, key).fetchone()[0] != frame:
                    detail = f"boot {key.boot} sequence {key.sequence} waits with other bytes"
                    self.set_aside([(frame, f"{key.logger:08x}", "clash", detail)], must_keep=True)

    def waiting(self, keeper: str, most: int) -> list[Waiting]:
        """The first ``most`` frames that wait for a process, the oldest first."""
        sql = "SELECT id, logger, frame FROM waiting_frames WHERE keeper = ? ORDER BY id LIMIT ?"
        return [Waiting(*row) for row in self._read(sql, (keeper, most))]

    def let_go(self, keeper: str, logger: int, ranges: Sequence[Range]) -> int:
        """Let go of the frames that their keeper has; returns how many waited. Those of another keeper stay."""
        sql = "DELETE FROM waiting_frames WHERE keeper = ? AND logger = ? AND boot = ? AND sequence BETWEEN ? AND ?"
        with self._write() as db:
            return sum(db.execute(sql, (keeper, logger, *one)).rowcount for one in ranges)

    def waiting_counts(self) -> dict[str, WaitingCount]:
        """What waits, by the process that is to have it."""
        # Counted in the index alone: a million frames may wait.
        first = "SELECT held_ms FROM waiting_frames o WHERE o.keeper = w.keeper ORDER BY id LIMIT 1"
        sql = f"SELECT keeper, count(*), ({first}) FROM waiting_frames w GROUP BY keeper ORDER BY keeper"
        return {row[0]: WaitingCount(*row[1:]) for row in self._read(sql)}

    def keep_by(self, keeper_of: Callable[[int], str]) -> None:
        """Have each logger's frames wait for the process that keeps it now: who keeps what was set anew."""
        rows = self._read("SELECT DISTINCT keeper, logger FROM waiting_frames")
        changed = [(new, logger, old) for old, logger in rows if (new := keeper_of(logger)) != old]
        if changed:
            with self._write() as db:
                db.executemany("UPDATE waiting_frames SET keeper = ? WHERE logger = ? AND keeper = ?", changed)
