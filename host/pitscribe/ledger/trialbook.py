"""Trials in the ledger: what was asked, and what was drawn for whom. All of it is only ever added to."""

import json
from collections.abc import Sequence
from math import isfinite
from typing import Any

from pitscribe.errors import ConfigError, FieldError, NotFoundError, about
from pitscribe.ledger.checks import checked_text, name_of, time_words
from pitscribe.ledger.cooks import MOST_ID
from pitscribe.ledger.tastingbook import Tastingbook
from pitscribe.ledger.trialvalues import OUTCOMES, Piece, Trial
from pitscribe.ledger.values import Cook

MOST_LEVELS, MOST_PLANNED = 4, 200

_TRIAL = (
    "SELECT id, name, question, factor, levels, main, matters, planned, block, seed, seed_told, made_ms, closed_ms, "
    "closed_why FROM trials "
)
_PIECE = "SELECT id, trial_id, cook_id, place, level, slot, made_ms, dropped_ms, why FROM pieces "


class Trialbook(Tastingbook):
    """The part of the ledger that trials are in."""

    def new_trial(
        self, name: str, *, question: str, factor: str, levels: Sequence[str], main: str, matters: float,
        planned: int, block: int, seed: str, seed_told: bool = False,
    ) -> Trial:
        """Lay a trial down, once and for all. ConfigError for one that cannot be, or a name that there is already."""
        with about("name"):
            name = checked_text(name_of(name), "the trial's name", 200)
        with about("question"):
            question = checked_text(question, "the question", 1000)
        with about("factor"):
            factor = checked_text(factor, "the factor", 200)
        with about("levels"):
            levels = [checked_text(name_of(level), "a level", 200) for level in levels]
        seed = checked_text(seed, "the seed", 200)
        if not 2 <= len(levels) <= MOST_LEVELS or len(set(levels)) != len(levels):
            given = ", ".join(levels)
            raise FieldError("levels", f"levels {given!r}: give 2 to {MOST_LEVELS} different ones, the usual way first")
        if main not in OUTCOMES:
            raise FieldError("main", f"the main outcome {main!r} is not one of {', '.join(OUTCOMES)}")
        if not (isfinite(matters) and matters > 0):
            raise FieldError("matters", "say what difference would matter to you, more than nothing")
        if block % len(levels) or not block or planned % block or not len(levels) <= planned <= MOST_PLANNED:
            raise FieldError(
                "planned",
                f"{planned} in blocks of {block}: give at most {MOST_PLANNED}, a multiple of the block, and a block "
                f"that holds each of the {len(levels)} levels equally often",
            )
        with self._write() as db:
            if self._read(_TRIAL + "WHERE name = ?", (name,)):
                words = f"there is a trial {name!r} already, and what it laid down stays; give another name"
                raise FieldError("name", words)
            made = db.execute(
                "INSERT INTO trials (name, question, factor, levels, main, matters, planned, block, seed, seed_told, "
                "made_ms) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (name, question, factor, json.dumps(levels), main, matters, planned, block, seed, int(seed_told),
                 self.now_ms()),
            )
            return self.trial(int(made.lastrowid or 0))

    def trials(self) -> list[Trial]:
        """Every trial, the latest first."""
        return [_trial(row) for row in self._read(_TRIAL + "ORDER BY id DESC")]

    def trial(self, id_or_name: int | str) -> Trial:
        """A trial by its id or its name (a text of digits is an id first). NotFoundError if none."""
        rows = []
        if (isinstance(id_or_name, int) or id_or_name.isdecimal()) and int(id_or_name) <= MOST_ID:
            rows = self._read(_TRIAL + "WHERE id = ?", (int(id_or_name),))
        if not rows and isinstance(id_or_name, str):
            rows = self._read(_TRIAL + "WHERE name = ?", (name_of(id_or_name),))
        if not rows:
            raise NotFoundError(f"there is no trial {id_or_name!r}; see: pitscribe trial list")
        return _trial(rows[0])

    def close_trial(self, trial_id: int, why: str) -> Trial:
        """End a trial; before all that was planned is in it says ever after that it was ended early."""
        with about("why"):
            why = checked_text(why, "why it is ended", 1000)
        with self._write() as db:
            trial = self._open_trial(trial_id)
            db.execute("UPDATE trials SET closed_ms = ?, closed_why = ? WHERE id = ?", (self.now_ms(), why, trial.id))
            return self.trial(trial.id)

    def _open_trial(self, trial_id: int) -> Trial:
        trial = self.trial(trial_id)
        if trial.closed_ms is not None:
            when = time_words(trial.closed_ms)
            raise ConfigError(f"trial {trial.name!r} was ended, at {when}; make a new one")
        return trial

    # pieces

    def next_slot(self, trial_id: int) -> int:
        """How many pieces have been drawn: the number of the next one, from 0."""
        return int(self._read("SELECT count(slot) FROM pieces WHERE trial_id = ?", (trial_id,))[0][0])

    def enter(self, trial_id: int, cook_id: int, place: str, level: str, slot: int | None) -> Piece:
        """Enter a piece: with the number and the level of the draw, or (slot None) with a level that a person chose.

        ConfigError if it is in already, all are drawn, the number is not the next one, or it was drawn for a cook that
        is over, to which nothing can be done any more.
        """
        place = checked_text(name_of(place), "the place", 200) if place.strip() else ""
        with self._write() as db:
            trial, cook, now = self._open_trial(trial_id), self.cook(cook_id), self.now_ms()
            if level not in trial.levels:
                raise ConfigError(f"{level!r} is not a level of {trial.name!r}: {', '.join(trial.levels)}")
            self._check_room(trial, cook, place)
            if slot is not None:
                if slot != self.next_slot(trial.id):
                    raise ConfigError(f"number {slot} is not the next one of the draw of {trial.name!r}")
                if slot >= trial.planned:
                    raise ConfigError(
                        f"all {trial.planned} pieces of {trial.name!r} are drawn; going on until it looks well proves "
                        "nothing: ask again in a new trial"
                    )
                if cook.ended_ms is not None:
                    raise ConfigError(
                        f"cook {cook.name!r} is over: what was done to it was not drawn. Draw before you cook; to have "
                        "it in all the same, say its level yourself"
                    )
            made = db.execute(
                "INSERT INTO pieces (trial_id, cook_id, place, level, slot, made_ms) VALUES (?, ?, ?, ?, ?, ?)",
                (trial.id, cook.id, place, level, slot, now),
            )
            return Piece(int(made.lastrowid or 0), trial.id, cook.id, place, level, slot, now)

    def _check_room(self, trial: Trial, cook: Cook, place: str) -> None:
        for other in self.pieces(trial.id):
            if other.cook_id != cook.id:
                continue
            if other.place == place:
                where = f", {place}" if place else ""
                raise ConfigError(f"{cook.name!r}{where} is in {trial.name!r} already, as {other.level}: it stays so")
            if not other.place or not place:
                raise ConfigError(f"{cook.name!r} is in {trial.name!r} as a whole or by its places, not both")

    def pieces(self, trial_id: int) -> list[Piece]:
        """All pieces of a trial in the order in which they entered it, those that were dropped too."""
        return [Piece(*row) for row in self._read(_PIECE + "WHERE trial_id = ? ORDER BY id", (trial_id,))]

    def piece(self, trial_id: int, cook_id: int, place: str = "") -> Piece:
        """The piece that this cook, or this place of it, is in the trial. NotFoundError if it is none."""
        sql = _PIECE + "WHERE trial_id = ? AND cook_id = ? AND place = ?"
        rows = self._read(sql, (trial_id, cook_id, name_of(place)))
        if not rows:
            where = f", {place}," if place else ""
            raise NotFoundError(f"{self.cook(cook_id).name!r}{where} is not in trial {self.trial(trial_id).name!r}")
        return Piece(*rows[0])

    def drop_piece(self, piece_id: int, why: str) -> None:
        """Take a piece out, with the reason; it stays in the log. ConfigError if it is out already."""
        with about("why"):
            why = checked_text(why, "why it is taken out", 1000)
        with self._write() as db:
            sql = "UPDATE pieces SET dropped_ms = ?, why = ? WHERE id = ? AND dropped_ms IS NULL"
            if not db.execute(sql, (self.now_ms(), why, piece_id)).rowcount:
                raise ConfigError("it was taken out already; what was said then stays")


def _trial(row: Sequence[Any]) -> Trial:
    values = list(row)
    values[4], values[10] = tuple(json.loads(values[4])), bool(values[10])
    return Trial(*values)
