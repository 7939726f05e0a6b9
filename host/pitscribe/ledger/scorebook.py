"""What a cook's meat weighed, and how it was found: scores by place, aspect and taster."""

from collections.abc import Sequence
from itertools import pairwise
from math import isfinite
from typing import Any

from pitscribe.errors import ConfigError
from pitscribe.ledger.checks import checked_text, name_of
from pitscribe.ledger.cookbook import Cookbook
from pitscribe.ledger.store import plain_text
from pitscribe.ledger.trialvalues import ASPECTS, MOST_POINTS, Score, Weights

WEIGHTS_KG = (0.02, 250.0)  # a slice of sausage, a whole hog: our allowance, no source
LEAST_SHARE = 0.2  # of the weight that goes on, less never comes off: an error of typing (our allowance, no source)

_SCORE = "SELECT id, cook_id, place, aspect, value, taster, blind, remark, made_ms FROM scores "
_WEIGHTS = "SELECT cook_id, place, raw_kg, trimmed_kg, cooked_kg FROM weights "


class Scorebook(Cookbook):
    """The part of the ledger that says how a cook turned out."""

    def score(
        self, cook_id: int, aspect: str, value: float, *, place: str = "", taster: str = "", blind: bool = False,
        remark: str = "",
    ) -> Score:
        """Write a score down. It stands for an earlier one of the same taster, place and aspect, which is kept."""
        if aspect not in ASPECTS:
            raise ConfigError(f"{aspect!r} is not one of {', '.join(ASPECTS)}")
        if not 0.0 <= value <= MOST_POINTS:
            raise ConfigError(f"{aspect} {value:g}: give 0 (the worst) to {MOST_POINTS:g} (the best)")
        place, taster = _optional(place, "the place"), _optional(taster, "the taster's name")
        remark = plain_text(remark).strip()
        if len(remark) > 4000 or not "".join(remark.split()).isprintable():
            raise ConfigError("a remark may have 4000 letters, signs and line ends, and no control characters")
        with self._write() as db:
            cook, now = self.cook(cook_id), self.now_ms()
            db.execute(
                "UPDATE scores SET withdrawn_ms = ? WHERE withdrawn_ms IS NULL AND cook_id = ? AND place = ? AND "
                "aspect = ? AND taster = ?", (now, cook.id, place, aspect, taster),
            )
            made = db.execute(
                "INSERT INTO scores (cook_id, place, aspect, value, taster, blind, remark, made_ms) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?)", (cook.id, place, aspect, value, taster, int(blind), remark, now),
            )
            return Score(int(made.lastrowid or 0), cook.id, place, aspect, value, taster, blind, remark, now)

    def withdraw_score(self, cook_id: int, aspect: str, *, place: str = "", taster: str = "") -> None:
        """Take a score back: it counts no more, and is kept. ConfigError if there is none."""
        with self._write() as db:
            done = db.execute(
                "UPDATE scores SET withdrawn_ms = ? WHERE withdrawn_ms IS NULL AND cook_id = ? AND place = ? AND "
                "aspect = ? AND taster = ?", (self.now_ms(), cook_id, name_of(place), aspect, name_of(taster)),
            )
            if not done.rowcount:
                whose = (f" at {place!r}" if place else "") + (f" by {taster!r}" if taster else "")
                raise ConfigError(f"there is no score of {aspect}{whose} to take back")

    def scores(self, cook_id: int) -> list[Score]:
        """The scores of a cook that count, in the order in which they were given."""
        rows = self._read(_SCORE + "WHERE cook_id = ? AND withdrawn_ms IS NULL ORDER BY id", (cook_id,))
        return [_score(row) for row in rows]

    def weigh(
        self, cook_id: int, place: str = "", *, raw_kg: float | None = None, trimmed_kg: float | None = None,
        cooked_kg: float | None = None,
    ) -> Weights:
        """Write weights down; what is not given stays as it was. ConfigError for weights that cannot be."""
        place = _optional(place, "the place")
        with self._write() as db:
            cook, now = self.cook(cook_id), self.now_ms()
            none = Weights(cook.id, place, None, None, None)
            old = next((w for w in self.weights(cook.id) if w.place == place), none)
            new = Weights(
                cook.id, place, old.raw_kg if raw_kg is None else raw_kg,
                old.trimmed_kg if trimmed_kg is None else trimmed_kg, old.cooked_kg if cooked_kg is None else cooked_kg,
            )
            _check(new)
            db.execute(
                "UPDATE weights SET withdrawn_ms = ? WHERE withdrawn_ms IS NULL AND cook_id = ? AND place = ?",
                (now, cook.id, place),
            )
            db.execute(
                "INSERT INTO weights (cook_id, place, raw_kg, trimmed_kg, cooked_kg, made_ms) "
                "VALUES (?, ?, ?, ?, ?, ?)",
                (cook.id, place, new.raw_kg, new.trimmed_kg, new.cooked_kg, now),
            )
            return new

    def weights(self, cook_id: int) -> list[Weights]:
        """The weights of a cook, by place."""
        rows = self._read(_WEIGHTS + "WHERE cook_id = ? AND withdrawn_ms IS NULL ORDER BY place", (cook_id,))
        return [Weights(*row) for row in rows]


def _score(row: Sequence[Any]) -> Score:
    values = list(row)
    values[6] = bool(values[6])  # blind
    return Score(*values)


def _optional(value: str, what: str) -> str:
    value = name_of(value)
    return checked_text(value, what, 200) if value else ""


def _check(w: Weights) -> None:
    low, high = WEIGHTS_KG
    names = {"as bought": w.raw_kg, "as it went on": w.trimmed_kg, "as it came off": w.cooked_kg}
    for name, kg in names.items():
        if kg is not None and not (isfinite(kg) and low <= kg <= high):
            raise ConfigError(f"{kg:g} kg {name}: give {low:g} to {high:g} kg; mind the unit")
    known = [(name, kg) for name, kg in names.items() if kg is not None]
    for (before, heavier), (after, lighter) in pairwise(known):
        if lighter > heavier:
            raise ConfigError(
                f"{lighter:.2f} kg {after} is more than {heavier:.2f} kg {before}; weigh again, and if it was injected "
                "give the weights after that"
            )
    if known and known[-1][1] < LEAST_SHARE * known[0][1]:
        raise ConfigError(
            f"{known[-1][1]:.2f} kg {known[-1][0]} of {known[0][1]:.2f} kg {known[0][0]}: that little is an error of "
            "typing, or of the unit"
        )
