"""A new ledger out of a damaged one: what is good of it, and aside what is not.

Frames are taken from the bytes of the file (``carve``), for each proves itself; what people wrote is read as far as
SQLite can (``rows``) and must pass the schema of the new ledger. A cook that is lost, but not its notes, gets one that
stands for it. A row that has no place, because what it belongs to is gone, is kept aside as JSON under the reason
"recovered": nothing that could be read is thrown away. What is counted or copied from elsewhere (boots, the mirror's
progress) is made anew.
"""

import json
import shutil
import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

from pitscribe.clock import Clock
from pitscribe.ledger.carve import Carved, carved
from pitscribe.ledger.framestore import FRAME_COLUMNS, frame_row
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.rows import Row, Rows
from pitscribe.ledger.values import TIMES_MS

# In this order: what a row belongs to comes before it.
TABLES = (
    "loggers", "cooks", "probes", "placements", "notes", "note_past", "anchors", "sheets", "asides", "probe_records",
    "scores", "weights", "trials", "pieces", "tastings", "answers", "told", "quiet", "photos", "waiting_frames",
)
REASON = "recovered"
_INSERT = f"INSERT INTO frames (id, {FRAME_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
_BATCH = 500
_HIGHEST = 1 << 32  # number of a row that can be


@dataclass(slots=True)
class Recovered:
    """What was found. ``rows``: by table, how many were taken over;  ``aside``: how many were kept aside.

    cooks : the names of those that stand for cooks of which only what was written down in them was left
    """

    frames: int = 0
    mended: str = ""  # "header", "first page" or "list of tables", if it had to be replaced
    rows: dict[str, int] = field(default_factory=dict)
    aside: dict[str, int] = field(default_factory=dict)
    cooks: list[str] = field(default_factory=list)


def recover(damaged: Path, fresh: Path, clock: Clock) -> Recovered:
    """Make ``fresh`` of ``damaged``, which stays as it is. Raises StoreError, OSError if the new one cannot be written.

    Needs room for two copies beside ``fresh``.
    """
    copy, donor = fresh.with_name(f"{fresh.name}.copy"), fresh.with_name(f"{fresh.name}.donor")
    Ledger(donor, clock).close()
    try:
        for end in ("", "-wal"):
            if (part := damaged.with_name(damaged.name + end)).exists():
                shutil.copyfile(part, f"{copy}{end}")
        ledger = _Recovery(fresh, clock)
        try:
            return ledger.fill(damaged, copy, donor)
        finally:
            ledger.close()
    finally:
        for made in (copy, donor):
            for end in ("", "-wal", "-shm"):
                made.with_name(made.name + end).unlink(missing_ok=True)


class _Recovery(Ledger):
    """The new ledger while it is filled."""

    def __init__(self, path: Path, clock: Clock) -> None:
        super().__init__(path, clock)
        self._closed_tastings: list[tuple[object, object]] = []
        self._begun: dict[int, int] = {}  # cook -> the earliest time of what is written down in it
        self._stood_in: list[str] = []

    def fill(self, damaged: Path, copy: Path, donor: Path) -> Recovered:
        out = Recovered()
        with self._write():
            self._take_frames(carved(damaged))
            rows = Rows(copy, donor)
            try:
                out.mended = rows.mended
                self._look_when(rows)
                for table in TABLES:
                    self._take_table(table, rows, out)
                self._take_numbers(rows)
            finally:
                rows.close()
            self._count_asides()
        out.frames, out.cooks = self.frame_count(), self._stood_in
        return out

    def _take_frames(self, found: Iterable[Carved]) -> None:
        """Frames with their rows first, in the order in which they were stored; then those of which no row was left."""
        bare: list[Carved] = []
        for some in _batches(found):
            self._know({one.head.key.logger for one in some})
            for one in some:
                if one.row is None or not self._put_frame(one):
                    bare.append(one)
        for some in _batches(bare):  # when those came is not known any more, as with a journal's files
            self.store_frames([(one.head, one.frame) for one in some], "folder")

    def _put_frame(self, one: Carved) -> bool:
        """Whether it is held now, under its own number."""
        values = (one.row, *frame_row(one.head, one.frame, one.received_ms or 0, one.road or ""))
        return self._writer.execute(_INSERT, values).rowcount == 1

    def _take_table(self, table: str, rows: Rows, out: Recovered) -> None:
        mine = [row[1] for row in self._writer.execute(f"PRAGMA table_info({table})")]
        known = [name for name in rows.columns(table) if name in mine]
        for row in rows.read(table):
            if (why := self._take_row(table, {name: row[name] for name in known})) is None:
                out.rows[table] = out.rows.get(table, 0) + 1
            else:
                out.aside[table] = out.aside.get(table, 0) + 1
                text = json.dumps(row, default=lambda value: value.hex() if isinstance(value, bytes) else str(value))
                self.set_aside([(text.encode("utf-8", "backslashreplace"), table, REASON, why)], must_keep=True)

    def _take_row(self, table: str, row: Row) -> str | None:
        """Put a row in its place; or say why it has none."""
        if table == "asides":
            del row["id"]  # some may be there already, of what was found on the way
        closed_ms = row.pop("closed_ms", None) if table == "tastings" else None  # a closed one takes no answers
        names, clash = ", ".join(row), ""
        if table == "loggers":  # its frames have made it known
            clash = "ON CONFLICT (logger) DO UPDATE SET " + ", ".join(f"{name} = excluded.{name}" for name in row)
        sql = f"INSERT INTO {table} ({names}) VALUES ({', '.join('?' * len(row))}) {clash}"
        try:
            self._writer.execute(sql, list(row.values()))
        except sqlite3.IntegrityError as error:
            cook = row.get("cook_id")
            if isinstance(cook, int) and cook in self._begun and self._stand_in(cook):
                return self._take_row(table, row)
            if table == "notes" and row.get("frame_id") is not None:  # what the logger journalled is lost, this is not
                return self._take_row(table, {**row, "frame_id": None})
            return str(error)
        if closed_ms is not None:
            self._closed_tastings.append((closed_ms, row["id"]))
        return None

    def _stand_in(self, cook: int) -> bool:
        """Whether a cook that is lost was put back now, under its number: what was written down in it is its too."""
        if self._writer.execute("SELECT 1 FROM cooks WHERE id = ?", (cook,)).fetchone():
            return False
        name = f"cook {cook}, {REASON}"
        values = (cook, name, self._begun[cook])
        self._writer.execute("INSERT INTO cooks (id, name, started_ms) VALUES (?, ?, ?)", values)
        self._stood_in.append(name)
        return True

    def _look_when(self, rows: Rows) -> None:
        """Since when there was something to write down in each cook."""
        for table, column in (("notes", "at_ms"), ("placements", "since_ms"), ("photos", "at_ms")):
            for row in rows.read(table):
                cook, at = row.get("cook_id"), row.get(column)
                if isinstance(cook, int) and isinstance(at, int) and TIMES_MS[0] <= at < TIMES_MS[1]:
                    self._begun[cook] = min(at, self._begun.get(cook, at))

    def _take_numbers(self, rows: Rows) -> None:
        """Close the tastings that were, and give no number again that was given once."""
        self._writer.executemany("UPDATE tastings SET closed_ms = ? WHERE id = ?", self._closed_tastings)
        for row in rows.read("sqlite_sequence"):
            if isinstance(number := row.get("seq"), int) and number < _HIGHEST:
                sql = "UPDATE sqlite_sequence SET seq = max(seq, ?) WHERE name = ?"
                self._writer.execute(sql, (number, row.get("name")))

    def _count_asides(self) -> None:
        self._writer.execute("DELETE FROM aside_totals")
        self._writer.execute(
            "INSERT INTO aside_totals (reason, kept, kept_bytes) "
            "SELECT reason, count(*), sum(length(data)) FROM asides GROUP BY reason"
        )


def _batches(found: Iterable[Carved]) -> Iterator[list[Carved]]:
    rest = iter(found)
    while some := list(islice(rest, _BATCH)):
        yield some
