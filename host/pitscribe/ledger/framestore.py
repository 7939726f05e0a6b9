"""Frames in the ledger: exactly once by their key, as they came; and what could not be taken in, aside."""

import hashlib
import json
import struct
from collections.abc import Iterable, Sequence
from typing import Any

from pitscribe.ledger.store import Store, plain_text
from pitscribe.ledger.values import Aside, BootSpan, LoggerInfo, StoreCount, StoredFrame
from pitscribe.wire.frames import TICKS, Channel, FrameKey, Head, decode_ticks
from pitscribe.wire.layout import channel

ASIDE_MOST_BYTES = 65536  # of one item
ASIDE_REASON_BYTES = 16 << 20  # of one reason; after that they are only counted, so that rubbish cannot fill the disk

RECENT_ROWS = 20_000
LONGEST_FRAME_MS = 255 * 60_000  # ticks and period at their most (WIRE.md section 2)

_PERIOD_TICKS = struct.Struct("<HB")  # WIRE.md section 2, at offset 20

FRAME_COLUMNS = "logger, boot, sequence, kind, uptime_ms, last_uptime_ms, received_ms, road, frame"
_INSERT = (
    f"INSERT INTO frames ({FRAME_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) "
    "ON CONFLICT (logger, boot, sequence) DO NOTHING"
)
_SELECT = "SELECT id, logger, boot, sequence, kind, uptime_ms, last_uptime_ms, received_ms, frame FROM frames WHERE "


class FrameStore(Store):
    """The part of the ledger that takes frames in and gives them out."""

    def store_frames(self, frames: Sequence[tuple[Head, bytes]], road: str) -> StoreCount:
        """Store checked frames in one durable commit; when this returns, every one of them is on disk.

        A key that is known with the same bytes is left alone. A key that is known with other bytes is a clash: the
        newcomer is kept aside under the reason "clash", in the same commit.
        ``road`` says how they came ("mqtt", "folder", ...).
        """
        if not frames:
            return StoreCount(0, 0, 0)
        received = self.now_ms()
        rows = [frame_row(head, frame, received, road) for head, frame in frames]
        with self._write() as db:
            self._know({row[0] for row in rows})
            new = db.executemany(_INSERT, rows).rowcount  # those that a conflict let fall are not among them
            clashes = self._clashes(rows) if new < len(rows) else []
            if clashes:
                self.set_aside(clashes, must_keep=True)
        return StoreCount(new, len(rows) - new - len(clashes), len(clashes))

    def _clashes(self, rows: Iterable[tuple[Any, ...]]) -> list[tuple[bytes, str, str, str]]:
        sql = "SELECT frame FROM frames WHERE logger = ? AND boot = ? AND sequence = ?"
        found = []
        for row in rows:
            (kept,) = self._writer.execute(sql, row[:3]).fetchone()
            if kept != row[-1]:
                detail = f"boot {row[1]} sequence {row[2]} is known with other bytes"
                found.append((row[-1], f"{row[0]:08x}", "clash", detail))
        return found

    def _know(self, loggers: Iterable[int]) -> None:
        sql = "INSERT INTO loggers (logger) VALUES (?) ON CONFLICT DO NOTHING"
        self._writer.executemany(sql, [(n,) for n in loggers])

    def frames(
        self,
        logger: int,
        *,
        after_row: int = 0,
        kind: int | None = None,
        boots: Iterable[int] | None = None,
        uptime_range: tuple[int, int] | None = None,
    ) -> list[StoredFrame]:
        """The frames of a logger in the order in which they were stored.

        after_row : only those stored after this row: a live reader asks for what is new
        kind, boots : only of this kind, of these boots
        uptime_range : only frames with a tick (or the event) within [first, last] ms of uptime, both ends included
        """
        # What is new is at the end of the table; "+" keeps SQLite from walking a whole logger's index for it.
        recent = after_row and self._newest_row() - after_row < RECENT_ROWS
        where, values = ["+logger = ?" if recent else "logger = ?"], [logger]
        if after_row:
            where.append("id > ?")
            values.append(after_row)
        if kind is not None:
            where.append(f"kind = {int(kind)}")  # a literal: only so is the index of events of use
        if boots is not None:
            listed = sorted(set(boots))
            where.append(f"boot IN ({','.join('?' * len(listed))})")
            values.extend(listed)
        if uptime_range is not None:
            # The first bound is for the index alone: no frame is longer than that.
            where.append("uptime_ms >= ? AND uptime_ms <= ? AND last_uptime_ms >= ?")
            values.extend((uptime_range[0] - LONGEST_FRAME_MS, uptime_range[1], uptime_range[0]))
        rows = self._read(f"{_SELECT}{' AND '.join(where)} ORDER BY id", values)
        return [StoredFrame(r[0], FrameKey(r[1], r[2], r[3]), *r[4:]) for r in rows]

    def _newest_row(self) -> int:
        return int(self._read("SELECT max(id) FROM frames")[0][0] or 0)

    def frame_count(self, logger: int | None = None) -> int:
        """How many frames are held, of one logger or of all."""
        if logger is None:
            return int(self._read("SELECT total(frames) FROM boots")[0][0])
        return int(self._read("SELECT total(frames) FROM boots WHERE logger = ?", (logger,))[0][0])

    def last_event(self, logger: int) -> int:
        """The row of a logger's newest event frame; 0 if there is none. Another one is the sign that there is news."""
        return int(self._read("SELECT coalesce(max(id), 0) FROM frames WHERE logger = ? AND kind = 2", (logger,))[0][0])

    def first_missing(self, after: FrameKey) -> int:
        """The first sequence number behind ``after`` whose frame, of the same boot, is not held."""
        sql = "SELECT sequence FROM frames WHERE logger = ? AND boot = ? AND sequence > ? ORDER BY sequence"
        number = after.sequence + 1
        for (held,) in self._read(sql, after):
            if held != number:
                break
            number += 1
        return number

    def held_between(self, logger: int, first: int, end: int) -> int:
        """How many sequence numbers from ``first`` to before ``end`` have a frame of that logger, whatever its boot."""
        sql = "SELECT count(DISTINCT sequence) FROM frames WHERE logger = ? AND sequence >= ? AND sequence < ?"
        return int(self._read(sql, (logger, first, end))[0][0])

    def missing_within(self, logger: int) -> int:
        """How many sequence numbers between a logger's first frame and its last one have none, boot by boot."""
        sql = (
            "SELECT max(sequence) - min(sequence) + 1 - count(*) FROM frames WHERE logger = ? GROUP BY boot"
        )
        return sum(row[0] for row in self._read(sql, (logger,)))

    def boots(self, logger: int) -> list[BootSpan]:
        """What is held of each boot of a logger, in the order in which the ledger first heard of them."""
        rows = self._read(
            "SELECT boot, first_uptime_ms, last_uptime_ms, frames, first_received_ms, last_received_ms, "
            "first_sequence, as_file FROM boots WHERE logger = ? ORDER BY first_received_ms, first_sequence, boot",
            (logger,),
        )
        return [BootSpan._make((*row[:7], bool(row[7]))) for row in rows]

    # loggers

    def saw_state(self, logger: int, state: dict[str, Any]) -> None:
        """Keep the last state message of a logger, and its name if the message has one.

        What SQLite does not take for JSON (nested too deep) is not kept.
        """
        name = state.get("name")
        with self._write() as db:
            self._know([logger])
            db.execute(
                "UPDATE loggers SET state = iif(json_valid(?1), ?1, state), last_seen_ms = ?2, "
                "name = coalesce(?3, name) WHERE logger = ?4",
                (json.dumps(state), self.now_ms(), plain_text(name) if isinstance(name, str) else None, logger),
            )

    def saw_now(self, logger: int, now: dict[str, Any]) -> None:
        """Keep the last ``now`` message of a logger."""
        with self._write() as db:
            self._know([logger])
            db.execute(
                "UPDATE loggers SET now = iif(json_valid(?1), ?1, now), last_seen_ms = ?2 WHERE logger = ?3",
                (json.dumps(now), self.now_ms(), logger),
            )

    def loggers(self) -> list[LoggerInfo]:
        """Every logger that was ever heard of, by number."""
        rows = self._read(
            "SELECT logger, name, last_seen_ms, state, now, "
            "(SELECT coalesce(sum(frames), 0) FROM boots b WHERE b.logger = l.logger) FROM loggers l ORDER BY logger"
        )
        return [LoggerInfo(row[0], row[1], row[2], _object(row[3]), row[5], _object(row[4])) for row in rows]

    def channels(self, logger: int) -> dict[int, str]:
        """Channel -> thermocouple letter: see ``channel_table``."""
        return {number: one.tc for number, one in self.channel_table(logger).items()}

    def channel_table(self, logger: int) -> dict[int, Channel]:
        """Channel -> chip and letter, by a logger's newest tick frame; before its first one, by its last words.

        A channel without a chip is left out. Empty for a logger that has said nothing yet.
        """
        frame = self._newest_ticks(logger)
        if frame is not None:
            table = list(decode_ticks([frame])[0].table)
        else:
            said = self._read("SELECT state, now FROM loggers WHERE logger = ?", (logger,))
            table = next((t for text in (said[0] if said else ()) if (t := _table(_object(text)))), [])
        return {number: one for number, one in enumerate(table) if one.chip != "none"}

    def _newest_ticks(self, logger: int) -> bytes | None:
        """The newest tick frame of the boot that was heard of last; by the index, however many there are."""
        boots = "SELECT boot FROM boots WHERE logger = ? ORDER BY last_received_ms DESC, first_sequence DESC"
        newest = "SELECT frame FROM frames WHERE logger = ? AND boot = ? AND kind = ? ORDER BY uptime_ms DESC LIMIT 1"
        for (boot,) in self._read(boots, (logger,)):
            for (frame,) in self._read(newest, (logger, boot, TICKS)):
                return bytes(frame)
        return None

    # aside

    def set_aside(self, items: Sequence[tuple[bytes, str, str, str]], *, must_keep: bool = False) -> None:
        """Keep what could not be taken in: (data, topic or path, reason, detail), in one durable commit.

        The same data from the same source under the same reason are kept once. Of one item the first 64 KB are kept,
        of one reason 16 MB; the rest is counted. ``must_keep`` lifts the second bound: for what is acknowledged,
        because then nobody else has it any more.
        """
        with self._write():
            for data, source, reason, detail in items:
                self._set_aside(data, source, reason, detail, must_keep)

    def _set_aside(self, data: bytes, source: str, reason: str, detail: str, must_keep: bool) -> None:
        db, now = self._writer, self.now_ms()
        source, detail = plain_text(source[:1000]), plain_text(detail[:1000])
        digest = hashlib.blake2b(data, digest_size=16).digest()
        again = db.execute(
            "UPDATE asides SET times = times + 1 WHERE reason = ? AND source = ? AND digest = ?",
            (reason, source, digest),
        )
        if again.rowcount:
            return
        db.execute("INSERT INTO aside_totals (reason) VALUES (?) ON CONFLICT DO NOTHING", (reason,))
        (held,) = db.execute("SELECT kept_bytes FROM aside_totals WHERE reason = ?", (reason,)).fetchone()
        kept = data[:ASIDE_MOST_BYTES]
        if held + len(kept) > ASIDE_REASON_BYTES and not must_keep:
            db.execute("UPDATE aside_totals SET let_go = let_go + 1 WHERE reason = ?", (reason,))
            return
        db.execute(
            "INSERT INTO asides (reason, source, digest, detail, data, size, received_ms) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (reason, source, digest, detail, kept, len(data), now),
        )
        db.execute(
            "UPDATE aside_totals SET kept = kept + 1, kept_bytes = kept_bytes + ? WHERE reason = ?", (len(kept), reason)
        )

    def asides(self) -> dict[str, int]:
        """How many different items were set aside for each reason, those only counted included."""
        return dict(self._read("SELECT reason, kept + let_go FROM aside_totals ORDER BY reason"))

    def aside_items(self, reason: str, limit: int = 100) -> list[Aside]:
        """The latest items that are kept aside for a reason, newest first."""
        rows = self._read(
            "SELECT reason, source, detail, data, size, times, received_ms FROM asides "
            "WHERE reason = ? ORDER BY id DESC LIMIT ?",
            (reason, limit),
        )
        return [Aside(*row) for row in rows]


def frame_row(head: Head, frame: bytes, received_ms: int, road: str) -> tuple[Any, ...]:
    """What FRAME_COLUMNS hold of a checked frame."""
    last = head.uptime_ms
    if head.kind == TICKS:
        period, ticks = _PERIOD_TICKS.unpack_from(frame, 20)
        last += period * (ticks - 1)
    return (*head.key, head.kind, head.uptime_ms, last, received_ms, road, frame)


def _table(said: dict[str, Any] | None) -> list[Channel]:
    """The channel table in a ``state`` or ``now``, which was checked when it came; the last will has none."""
    return [channel(code) for code in (said or {}).get("table", [])]


def _object(text: str | None) -> dict[str, Any] | None:
    return None if text is None else json.loads(text)
