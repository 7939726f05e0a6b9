"""What was told to somebody: the one thing that is remembered of the watch, so that nothing is told twice."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from pitscribe.errors import NotFoundError
from pitscribe.ledger.cooks import Cooks

_TOLD = "SELECT id, cook_id, key, kind, words, once, told_ms, sent_ms, seen_ms, over_ms FROM told "


@dataclass(frozen=True, slots=True)
class ToldRow:
    """One thing that was told. Times in ms UTC; None: not yet."""

    id: int
    cook_id: int
    key: str
    kind: str
    words: str
    once: bool
    told_ms: int
    sent_ms: int | None
    seen_ms: int | None
    over_ms: int | None

    def as_json(self) -> dict[str, Any]:
        """As page and command give it out: times in UTC seconds."""
        times = {name: getattr(self, f"{name}_ms") for name in ("told", "sent", "seen", "over")}
        return {
            "id": self.id, "cook": self.cook_id, "key": self.key, "kind": self.kind, "words": self.words,
        } | {name: None if ms is None else ms / 1000 for name, ms in times.items()}


class Toldbook(Cooks):
    """The part of the ledger that remembers what was told."""

    def tell(
        self, cook_id: int, items: Sequence[tuple[str, str, str, bool]], over: Sequence[str] = ()
    ) -> list[ToldRow]:
        """Write down what is told now, as (key, kind, words, once), and which keys are over; return the new rows.

        What is written down already and not over is left as it is, and not returned. Of a cook that was taken away
        meanwhile nothing is told.
        """
        with self._write() as db:
            now = self.now_ms()
            if not self._read("SELECT 1 FROM cooks WHERE id = ?", (cook_id,)):
                return []
            for key in over:
                db.execute("UPDATE told SET over_ms = ? WHERE cook_id = ? AND key = ? AND over_ms IS NULL",
                           (now, cook_id, key))
            ids = []
            for key, kind, words, once in items:
                made = db.execute(
                    "INSERT INTO told (cook_id, key, kind, words, once, told_ms) VALUES (?, ?, ?, ?, ?, ?) "
                    "ON CONFLICT DO NOTHING RETURNING id", (cook_id, key, kind, words[:2000], int(once), now),
                ).fetchone()
                if made:
                    ids.append(int(made[0]))
            return [self.told_row(row_id) for row_id in ids]

    def told(self, cook_id: int, *, lasting: bool = False) -> list[ToldRow]:
        """What was told of a cook, in that order; ``lasting``: only what is not over."""
        which = "AND over_ms IS NULL " if lasting else ""
        return [_row(r) for r in self._read(f"{_TOLD}WHERE cook_id = ? {which}ORDER BY id", (cook_id,))]

    def told_row(self, row_id: int) -> ToldRow:
        """One of them. NotFoundError."""
        rows = self._read(_TOLD + "WHERE id = ?", (row_id,))
        if not rows:
            raise NotFoundError(f"there is no alert {row_id}; see: pitscribe alerts show")
        return _row(rows[0])

    def unsent(self, since_ms: int) -> list[ToldRow]:
        """What was written down from then on and has not gone out."""
        return [_row(r) for r in self._read(_TOLD + "WHERE sent_ms IS NULL AND told_ms >= ? ORDER BY id", (since_ms,))]

    def sent(self, row_id: int) -> None:
        """It has gone out."""
        with self._write() as db:
            db.execute("UPDATE told SET sent_ms = ? WHERE id = ? AND sent_ms IS NULL", (self.now_ms(), row_id))

    def seen_by_person(self, row_id: int) -> ToldRow:
        """A person says that he knows. NotFoundError."""
        with self._write() as db:
            self.told_row(row_id)
            db.execute("UPDATE told SET seen_ms = ? WHERE id = ? AND seen_ms IS NULL", (self.now_ms(), row_id))
            return self.told_row(row_id)

    def quiet_until_ms(self) -> int:
        """Until when nothing is told; 0: nobody asked for that."""
        rows = self._read("SELECT until_ms FROM quiet")
        return int(rows[0][0]) if rows else 0

    def keep_quiet(self, until_ms: int) -> None:
        """Tell nothing until then."""
        with self._write() as db:
            db.execute("INSERT INTO quiet (id, until_ms) VALUES (1, ?) ON CONFLICT (id) DO UPDATE SET until_ms = ?",
                       (until_ms, until_ms))


def _row(row: Sequence[Any]) -> ToldRow:
    row_id, cook_id, key, kind, words, once, *times = row
    told_ms, sent_ms, seen_ms, over_ms = times
    return ToldRow(row_id, cook_id, key, kind, words, bool(once), told_ms, sent_ms, seen_ms, over_ms)
