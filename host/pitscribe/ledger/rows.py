"""The rows of a damaged ledger, as far as SQLite can read them: by its own list of tables, or by that of a new one.

The first page has the file's header and the root of the list of tables. Where the header alone is spoilt (nothing of a
home is in its 100 bytes) it is replaced by a new ledger's; if that is not enough the whole page is, and then all pages
of the list. That finds the tables of a ledger that was begun with the present version: those of one that grew from an
earlier version lie elsewhere. What is read is held to the ledger's own rules before it is believed.
"""

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from pitscribe.ledger.carve import PAGE

Row = dict[str, int | float | str | bytes | None]

_HEADER, _INNER = 100, 5  # bytes of the file's header; first byte of an inner page of a table
_FARTHEST = 200_000  # row that is looked for where nothing says how many there are
_FAILURES = (sqlite3.Error, UnicodeDecodeError)  # SQLite's own words may quote what is damaged
_FIRST = ("loggers", "cooks", "probes", "placements", "notes", "anchors", "sheets", "asides")
_MOST_FAILURES = 20_000  # of one table; then it is given up


class Rows:
    """What can be read of ``path``, a copy that may be changed; ``donor`` is a new, empty, closed ledger."""

    def __init__(self, path: Path, donor: Path) -> None:
        self._path = path
        self.mended = ""  # what had to be replaced to read it
        self._db = self._opened()
        best = self._legible()
        for mended, parts in _parts(donor.read_bytes(), path.stat().st_size // PAGE):
            if best == len(_FIRST):
                break
            before = self._replace(parts)
            if (found := self._legible()) > best:
                best, self.mended = found, mended
            else:  # as of a ledger that grew from an earlier version
                self._replace(before)

    def _replace(self, parts: list[tuple[int, bytes]]) -> list[tuple[int, bytes]]:
        """Write (offset, bytes) into the file, and return what was there."""
        self._db.close()
        before = []
        with self._path.open("r+b") as file:
            for at, part in parts:
                file.seek(at)
                before.append((at, file.read(len(part))))
                file.seek(at)
                file.write(part)
        self._db = self._opened()
        return before

    def _opened(self) -> sqlite3.Connection:
        db = sqlite3.connect(self._path, isolation_level=None)
        with contextlib.suppress(*_FAILURES):
            db.execute("PRAGMA writable_schema = ON")  # a file that was cut short is read all the same
        return db

    def _legible(self) -> int:
        """Of how many of the tables that every version has the beginning can be read."""
        found = 0
        for table in _FIRST:
            with contextlib.suppress(*_FAILURES):
                self._db.execute(f"SELECT * FROM {table} LIMIT 1").fetchone()
                found += 1
        return found

    def columns(self, table: str) -> list[str]:
        """The columns of a table; none if it is not there or cannot be read."""
        try:
            return [row[1] for row in self._db.execute(f"PRAGMA table_info({table})")]
        except _FAILURES:
            return []

    def read(self, table: str) -> Iterator[Row]:
        """Every row of a table that has row numbers, past those that cannot be read."""
        if not self.columns(table):
            return
        yield from self._between(table, 1, self._last(table), [_MOST_FAILURES])

    def _last(self, table: str) -> int:
        for sql in (f"SELECT max(rowid) FROM {table}", f"SELECT seq FROM sqlite_sequence WHERE name = '{table}'"):
            try:
                if (found := self._db.execute(sql).fetchone()) and isinstance(found[0], int):
                    return found[0]
            except _FAILURES:
                continue
        return _FARTHEST

    def _between(self, table: str, first: int, last: int, patience: list[int]) -> Iterator[Row]:
        """Rows ``first`` to ``last``; a stretch that fails is read in halves, and a row that fails alone is lost."""
        if first > last or patience[0] < 0:
            return
        at = first
        try:
            found = self._db.execute(f"SELECT rowid, * FROM {table} WHERE rowid BETWEEN ? AND ?", (first, last))
            names = [column[0] for column in found.description][1:]
            for number, *values in found:
                if not at <= number <= last:
                    raise sqlite3.DatabaseError("rows out of order")
                at = number + 1
                yield dict(zip(names, values, strict=True))
        except _FAILURES:
            patience[0] -= 1
            if at >= last:
                return
            middle = (at + last) // 2
            yield from self._between(table, at, middle, patience)
            yield from self._between(table, middle + 1, last, patience)

    def close(self) -> None:
        """Let go of the copy."""
        self._db.close()


def _parts(donor: bytes, pages: int) -> Iterator[tuple[str, list[tuple[int, bytes]]]]:
    """What of a new ledger may stand in for what is lost, the least first: its name, and (offset, bytes)."""
    # Size in pages at 28, free pages at 32 and 36; of an inner page from its header on the number of cells at 3, the
    # last child at 8, then where the cells are, each of which begins with a child (fileformat2.html, 1.3 and 1.6).
    first = donor[:28] + pages.to_bytes(4, "big") + bytes(8) + donor[40:PAGE]
    yield "header", [(0, first[:_HEADER])]
    yield "first page", [(0, first)]
    count = int.from_bytes(first[_HEADER + 3 : _HEADER + 5], "big") if first[_HEADER] == _INNER else 0
    cells = [int.from_bytes(first[at : at + 2], "big") for at in range(_HEADER + 12, _HEADER + 12 + 2 * count, 2)]
    children = [int.from_bytes(first[at : at + 4], "big") - 1 for at in [_HEADER + 8, *cells]] if count else []
    yield "list of tables", [(0, first), *((n * PAGE, donor[n * PAGE : (n + 1) * PAGE]) for n in children)]
