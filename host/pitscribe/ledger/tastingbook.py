"""Blind tastings in the ledger: what was set out, who named what, and what was taken back. It is only ever added to."""

from collections.abc import Mapping
from sqlite3 import Connection

from pitscribe.errors import ConfigError, FieldError, NotFoundError
from pitscribe.ledger.checks import time_words
from pitscribe.ledger.scorebook import Scorebook
from pitscribe.ledger.trialvalues import ASPECTS, TASTINGS, Answer, Piece, Rated, Tasting, Undone

MOST_TASTERS = 100

_TASTING = "SELECT id, trial_id, kind, first, second, asks, expects, tasters, seed, made_ms, closed_ms FROM tastings "
_SCORES = "FROM scores s JOIN pieces p ON p.cook_id = s.cook_id AND p.place = s.place WHERE p.id IN (?, ?) "


class Tastingbook(Scorebook):
    """The part of the ledger that tastings are in."""

    def new_tasting(
        self, trial_id: int, kind: str, first: Piece, second: Piece, *, tasters: int, seed: str, asks: str = "",
        expects: Piece | None = None,
    ) -> Tasting:
        """Lay a blind tasting of two pieces down. ConfigError for one that cannot be."""
        if kind not in TASTINGS:
            raise FieldError("kind", f"a tasting of kind {kind!r}: give {', '.join(TASTINGS)}")
        if first.id == second.id or {first.trial_id, second.trial_id} != {trial_id}:
            raise FieldError("second", "a tasting is of two different pieces of one trial")
        if kind == "paired" and asks not in ASPECTS:
            raise FieldError("asks", f"a pair is compared in one thing: say which, of {', '.join(ASPECTS)}")
        if kind != "paired" and (asks or expects is not None):
            raise ConfigError("what is asked, and which is expected to have more of it, is for a paired tasting alone")
        if not 1 <= tasters <= MOST_TASTERS:
            raise FieldError("tasters", f"{tasters} tasters: give 1 to {MOST_TASTERS}")
        with self._write() as db:
            made = db.execute(
                "INSERT INTO tastings (trial_id, kind, first, second, asks, expects, tasters, seed, made_ms) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (trial_id, kind, first.id, second.id, asks, None if expects is None else expects.id, tasters, seed,
                 self.now_ms()),
            )
            return self.tasting(int(made.lastrowid or 0))

    def tastings(self, trial_id: int) -> list[Tasting]:
        """The tastings of a trial, in their order."""
        return [Tasting(*row) for row in self._read(_TASTING + "WHERE trial_id = ? ORDER BY id", (trial_id,))]

    def open_tastings(self) -> list[Tasting]:
        """Those of all trials that are not closed, in their order."""
        return [Tasting(*row) for row in self._read(_TASTING + "WHERE closed_ms IS NULL ORDER BY id")]

    def tasting(self, tasting_id: int) -> Tasting:
        """A tasting by its number. NotFoundError if there is none."""
        rows = self._read(_TASTING + "WHERE id = ?", (tasting_id,))
        if not rows:
            raise NotFoundError(f"there is no tasting {tasting_id}")
        return Tasting(*rows[0])

    def close_tasting(self, tasting_id: int) -> Tasting:
        """End a tasting with the answers that are in. ConfigError if it is closed already."""
        with self._write() as db:
            self._open_tasting(tasting_id)
            db.execute("UPDATE tastings SET closed_ms = ? WHERE id = ?", (self.now_ms(), tasting_id))
            return self.tasting(tasting_id)

    def _open_tasting(self, tasting_id: int, taster: int = 1) -> Tasting:
        tasting = self.tasting(tasting_id)
        if tasting.closed_ms is not None:
            raise ConfigError(f"tasting {tasting.id} was closed, at {time_words(tasting.closed_ms)}: its answers stay")
        if not 1 <= taster <= tasting.tasters:
            raise ConfigError(f"taster {taster}: this tasting has 1 to {tasting.tasters}")
        return tasting

    # answers of triangles and pairs

    def answer(self, tasting: Tasting, taster: int, code: str, *, instead: bool = False) -> Answer:
        """Write down which code a taster named. ``instead``: of one that was typed wrongly, which is kept.

        ConfigError if this taster has answered, and ``instead`` is not given; and if the tasting is closed.
        """
        with self._write() as db:
            now = self.now_ms()
            self._open_tasting(tasting.id, taster)
            given = next((a for a in self.answers(tasting.id) if a.taster == taster), None)
            if given is not None and not instead:
                raise ConfigError(f"taster {taster} has answered {given.code}; if that was typed wrongly, say so")
            _withdraw(db, tasting, taster, now)
            db.execute(
                "INSERT INTO answers (tasting_id, taster, code, made_ms) VALUES (?, ?, ?, ?)",
                (tasting.id, taster, code, now),
            )
            return Answer(taster, code, now)

    def answers(self, tasting_id: int) -> list[Answer]:
        """The answers of a tasting that count, by taster."""
        sql = "SELECT taster, code, made_ms FROM answers WHERE tasting_id = ? AND withdrawn_ms IS NULL ORDER BY taster"
        return [Answer(*row) for row in self._read(sql, (tasting_id,))]

    # scores of ratings

    def rate(self, tasting: Tasting, taster: int, piece: Piece, given: Mapping[str, float]) -> None:
        """Write down what a taster gave one of the two pieces: blind scores of it. ConfigError as ``answer``."""
        if tasting.kind != "rating" or piece.id not in (tasting.first, tasting.second):
            raise ConfigError("scores are for a rating, and for one of its two pieces")
        with self.together():
            self._open_tasting(tasting.id, taster)
            for aspect, value in given.items():
                self.score(piece.cook_id, aspect, value, place=piece.place, taster=tasting.taster(taster), blind=True)

    def rated(self, tasting: Tasting) -> list[Rated]:
        """What the tasters of a rating gave, as far as it counts, by taster."""
        names, sql = _names(tasting), f"SELECT s.taster, p.id, s.aspect, s.value {_SCORES} AND s.withdrawn_ms IS NULL"
        rows = self._read(sql, (tasting.first, tasting.second))
        found = [Rated(names[row[0]], *row[1:]) for row in rows if row[0] in names]
        return sorted(found, key=lambda one: (one.taster, one.piece, one.aspect))

    # what is taken back

    def withdraw_answer(self, tasting: Tasting, taster: int) -> None:
        """Take back what a taster said, a code or all the scores: it is kept, and counts no more.

        ConfigError if there is nothing to take back, or the tasting is closed.
        """
        with self._write() as db:
            self._open_tasting(tasting.id, taster)
            done = _withdraw(db, tasting, taster, self.now_ms())
            if tasting.kind == "rating":
                sql = (f"UPDATE scores SET withdrawn_ms = ? WHERE id IN (SELECT s.id {_SCORES} AND s.taster = ? AND "
                       "s.withdrawn_ms IS NULL)")
                whose = tasting.first, tasting.second, tasting.taster(taster)
                done = db.execute(sql, (self.now_ms(), *whose)).rowcount
            if not done:
                raise ConfigError(f"taster {taster} has said nothing yet that could be taken back")

    def undone(self, tasting: Tasting) -> list[Undone]:
        """What was taken back, or said anew, in the order of that."""
        sql = "SELECT taster, code, made_ms, withdrawn_ms FROM answers WHERE tasting_id = ? "
        found = [Undone(*row) for row in self._read(sql + "AND withdrawn_ms IS NOT NULL", (tasting.id,))]
        names = _names(tasting)
        sql = (f"SELECT s.taster, s.aspect || ' ' || printf('%g', s.value), s.made_ms, s.withdrawn_ms {_SCORES} AND "
               "s.withdrawn_ms IS NOT NULL")
        rows = self._read(sql, (tasting.first, tasting.second))
        found += [Undone(names[row[0]], *row[1:]) for row in rows if row[0] in names]
        return sorted(found, key=lambda one: (one.withdrawn_ms, one.taster))


def _withdraw(db: Connection, tasting: Tasting, taster: int, now: int) -> int:
    return db.execute(
        "UPDATE answers SET withdrawn_ms = ? WHERE tasting_id = ? AND taster = ? AND withdrawn_ms IS NULL",
        (now, tasting.id, taster),
    ).rowcount


def _names(tasting: Tasting) -> dict[str, int]:
    """The tasters' numbers by the names under which their scores are kept."""
    return {tasting.taster(number): number for number in range(1, tasting.tasters + 1)}
