"""Cooks in the ledger: when they were, and what is wanted of them."""

import json
from collections.abc import Iterable, Sequence
from typing import Any, TypedDict, Unpack

from pitscribe.errors import ConfigError, NotFoundError
from pitscribe.ledger.checks import checked_text, checked_time, name_of, time_words
from pitscribe.ledger.store import Store
from pitscribe.ledger.values import BAND_C, MEAT_KINDS, TARGET_C, Cook

MOST_ID = 2**63 - 1  # SQLite's whole numbers
MOST_MEATS = 20

_COOK = "SELECT id, name, started_ms, ended_ms, target_c, meats, band_low_c, band_high_c, meat_kind FROM cooks "


class CookSettings(TypedDict, total=False):
    """What may be said of a cook when it begins, and changed at any time. None: nobody says so any more.

    target_c : what the coldest place is to reach [degC];  band_c : (low, high) that the fire is to be held in [degC]
    meats : what is cooked, a text for each piece: "packer, 6.4 kg"
    meat_kind : one of ``MEAT_KINDS``, which safety goes by; None: what the names in ``meats`` say
    """

    target_c: float | None
    band_c: tuple[float, float] | None
    meats: Sequence[str]
    meat_kind: str | None


class Cooks(Store):
    """The part of the ledger that knows cooks. Every ``at`` is whole ms UTC."""

    def start_cook(self, name: str, *, at: int | None = None, **settings: Unpack[CookSettings]) -> Cook:
        """Begin a cook, now unless ``at`` is given. It is whole whether or not anybody ever ends it."""
        columns = {"name": checked_text(name_of(name), "the cook's name", 200)} | _columns(settings)
        columns["started_ms"] = checked_time("a cook's start", self.now_ms() if at is None else at)
        marks = ", ".join("?" * len(columns))
        with self._write() as db:
            sql = f"INSERT INTO cooks ({', '.join(columns)}) VALUES ({marks})"
            made = db.execute(sql, tuple(columns.values()))
            return self.cook(int(made.lastrowid or 0))

    def set_cook(self, cook_id: int, *, name: str | None = None, **settings: Unpack[CookSettings]) -> Cook:
        """Change what is given of a cook, which may go on or be long over; the rest stays."""
        columns = _columns(settings)
        if name is not None:
            columns["name"] = checked_text(name_of(name), "the cook's name", 200)
        with self._write() as db:
            cook = self.cook(cook_id)
            if columns:
                changes = ", ".join(f"{column} = ?" for column in columns)
                db.execute(f"UPDATE cooks SET {changes} WHERE id = ?", (*columns.values(), cook.id))
            return self.cook(cook.id)

    def end_cook(self, cook_id: int, at: int | None = None) -> Cook:
        """End a cook, now unless ``at`` is given. Readings and notes after that stay where they are.

        ConfigError if it has ended already and ``at`` is not given.
        """
        ended = checked_time("a cook's end", self.now_ms() if at is None else at)
        with self._write() as db:
            cook = self.cook(cook_id)
            if cook.ended_ms is not None and at is None:
                was = time_words(cook.ended_ms)
                raise ConfigError(f"cook {cook.name!r} has ended already, at {was}; give a time to move its end")
            if ended < cook.started_ms:
                raise ConfigError(f"cook {cook.name!r} cannot end before it began; give a later time")
            db.execute("UPDATE cooks SET ended_ms = ? WHERE id = ?", (ended, cook.id))
            return self.cook(cook.id)

    def reopen_cook(self, cook_id: int) -> Cook:
        """Take back the end of a cook: it goes on, and what came in meanwhile is in it."""
        with self._write() as db:
            cook = self.cook(cook_id)
            db.execute("UPDATE cooks SET ended_ms = NULL WHERE id = ?", (cook.id,))
            return self.cook(cook.id)

    def cooks(self) -> list[Cook]:
        """Every cook, the latest first."""
        return [_cook(row) for row in self._read(_COOK + "ORDER BY started_ms DESC, id DESC")]

    def cook(self, id_or_name: int | str) -> Cook:
        """A cook by its id, or the latest one of a name (a text of digits is an id). NotFoundError if none."""
        rows = []
        if (isinstance(id_or_name, int) or id_or_name.isdecimal()) and int(id_or_name) <= MOST_ID:
            rows = self._read(_COOK + "WHERE id = ?", (int(id_or_name),))
        if not rows and isinstance(id_or_name, str):
            named = name_of(id_or_name)
            rows = self._read(_COOK + "WHERE name = ? ORDER BY started_ms DESC, id DESC LIMIT 1", (named,))
        if not rows:
            raise NotFoundError(f"there is no cook {id_or_name!r}; see the list of cooks for their names")
        return _cook(rows[0])


def _cook(row: Sequence[Any]) -> Cook:
    identity, name, started, ended, target, meats, low, high, kind = row
    band = None if low is None else (low, high)
    return Cook(identity, name, started, ended, target, tuple(json.loads(meats)), band, kind)


def _columns(settings: CookSettings) -> dict[str, Any]:
    """The settings that are given, checked, by the column that holds each. ConfigError for what cannot be."""
    columns: dict[str, Any] = {}
    if "target_c" in settings:
        columns["target_c"] = _target(settings["target_c"])
    if "band_c" in settings:
        columns["band_low_c"], columns["band_high_c"] = _band(settings["band_c"])
    if "meats" in settings:
        columns["meats"] = json.dumps(_meats(settings["meats"]))
    if "meat_kind" in settings:
        kind = settings["meat_kind"]
        if kind is not None and kind not in MEAT_KINDS:
            raise ConfigError(f"meat of kind {kind!r}: give one of {', '.join(MEAT_KINDS)}")
        columns["meat_kind"] = kind
    return columns


def _target(target_c: float | None) -> float | None:
    low, high = TARGET_C
    if target_c is not None and not low <= target_c <= high:
        raise ConfigError(f"target {_both(target_c)}: give {_both(low, high)} for the inside of a joint")
    return target_c


def _band(band_c: tuple[float, float] | None) -> tuple[float | None, float | None]:
    if band_c is None:
        return None, None
    (low, high), (least, most) = band_c, BAND_C
    if not least <= low < high <= most:
        raise ConfigError(f"band {_both(low, high)}: give a lower and a higher temperature within {_both(least, most)}")
    return low, high


def _both(*celsius: float) -> str:
    """One temperature or a range in both units: nobody here knows which one was typed."""
    c, f = (" to ".join(f"{t:.0f}" for t in some) for some in (celsius, [t * 1.8 + 32 for t in celsius]))
    return f"{c} degC ({f} F)"


def _meats(meats: Iterable[str]) -> list[str]:
    named = [checked_text(name_of(meat), "what is cooked", 200) for meat in meats]
    if len(named) > MOST_MEATS:
        raise ConfigError(f"{len(named)} pieces of meat are too many for one cook; {MOST_MEATS} are the most")
    return named
