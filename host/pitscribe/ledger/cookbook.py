"""What belongs to cooks in the ledger: placements, notes, anchors, imported tables."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pitscribe.errors import ConfigError, NotFoundError
from pitscribe.ledger.checks import checked_text, checked_time
from pitscribe.ledger.cooks import Cooks
from pitscribe.ledger.probebook import Probebook
from pitscribe.ledger.store import plain_text
from pitscribe.ledger.values import (
    NOTE_KINDS,
    PLACE_KINDS,
    Cook,
    Note,
    Placement,
    Probe,
    Sheet,
    ToldAnchor,
)

Whereabouts = tuple[str, str, str]  # place, kind, type letter

_NOTE = "SELECT id, cook_id, at_ms, kind, text FROM notes "
_PLACEMENT = (
    "SELECT l.id, l.cook_id, p.id, p.name, p.tc, p.tolerance, l.logger, l.channel, l.place, l.kind, l.since_ms, "
    "l.until_ms FROM placements l JOIN probes p ON p.id = l.probe_id "
)


class Cookbook(Cooks, Probebook):
    """The part of the ledger that people write in. Every ``at``, ``since`` and ``until`` is whole ms UTC."""

    # placements

    def place(
        self,
        cook_id: int,
        probe: Probe | str,
        logger: int,
        channel: int,
        place: str,
        kind: str,
        since: int | None = None,
        until: int | None = None,
    ) -> Placement:
        """Say that in a cook the tip of the probe on this channel is at a place, from ``since`` to ``until``.

        ``probe`` may be a type letter: then a probe with the channel's name is written down, if there is none yet.
        ConfigError if another probe is on the same channel at a time that overlaps, or a letter is of a type that
        cannot be turned into degC yet.
        """
        place = checked_text(place, "the place", 200)
        if kind not in PLACE_KINDS:
            raise ConfigError(f"place {place!r}: kind {kind!r} is not one of {', '.join(PLACE_KINDS)}")
        if not 0 <= channel <= 7:
            raise ConfigError(f"place {place!r}: channel {channel} is not one of 0 to 7")
        for name, at in (("begin", since), ("end", until)):
            if at is not None:
                checked_time(f"place {place!r}: its {name}", at)
        if since is not None and until is not None and until < since:
            raise ConfigError(f"place {place!r}: ends before it begins")
        with self._write() as db:
            cook = self.cook(cook_id)
            for other in self.placements(cook.id):
                if other.place == place and other.kind != kind and not _taken_back(other):
                    raise ConfigError(f"{place!r} is a place in the {other.kind} already; give this one another name")
                if (other.logger, other.channel) == (logger, channel) and _overlap(other, since, until):
                    raise ConfigError(
                        f"channel {channel} of {logger:08x} is at {other.place!r} then; end that placement first"
                    )
            used = self.channel_probe(probe, logger, channel) if isinstance(probe, str) else probe
            db.execute("INSERT INTO loggers (logger) VALUES (?) ON CONFLICT DO NOTHING", (logger,))
            made = db.execute(
                "INSERT INTO placements (cook_id, probe_id, logger, channel, place, kind, since_ms, until_ms) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (cook.id, used.id, logger, channel, place, kind, since, until),
            )
            return Placement(int(made.lastrowid or 0), cook.id, used, logger, channel, place, kind, since, until)

    def end_placement(self, placement_id: int, until: int | None = None) -> Placement:
        """A probe was taken out or moved: its placement ends, now unless ``until`` is given."""
        ended = checked_time("a placement's end", self.now_ms() if until is None else until)
        with self._write() as db:
            rows = self._read(_PLACEMENT + "WHERE l.id = ?", (placement_id,))
            if not rows:
                raise NotFoundError(f"there is no placement {placement_id}")
            old = _placement(rows[0])
            if old.since_ms is not None and ended < old.since_ms:
                raise ConfigError(f"place {old.place!r}: ends before it begins")
            db.execute("UPDATE placements SET until_ms = ? WHERE id = ?", (ended, placement_id))
            return _placement(self._read(_PLACEMENT + "WHERE l.id = ?", (placement_id,))[0])

    def correct_places(self, cook_id: int, wanted: Mapping[tuple[int, int], Whereabouts]) -> list[Placement]:
        """Say where the probe of each channel really is, and was: raw is the truth, so the past is corrected as well.

        wanted : (logger, channel) -> (place, kind, type letter of a channel without a probe yet), of all channels in
            use. One that is left out was in no place; of a channel whose probe was moved in the cook, its last place
            is meant.
        All of it or nothing; returns the placements that there are then. ConfigError where two would be one place.
        """
        names = [place for place, _, _ in wanted.values()]
        if double := next((name for name in names if names.count(name) > 1), None):
            raise ConfigError(f"the place {double!r} is given twice; each place needs a name of its own")
        with self._write() as db:
            cook = self.cook(cook_id)
            last = {(p.logger, p.channel): p for p in self.placements(cook.id) if p.until_ms is None}
            for old in last.values():
                begin = cook.started_ms if old.since_ms is None else old.since_ms
                db.execute("UPDATE placements SET since_ms = ?, until_ms = ? WHERE id = ?", (begin, begin, old.id))
            for where, (place, kind, tc) in wanted.items():
                held = last.get(where)
                probe, since = (tc, None) if held is None else (held.probe, held.since_ms)
                self.place(cook.id, probe, *where, place, kind, since)
            return [p for p in self.placements(cook.id) if p.until_ms is None]

    def placements(self, cook_id: int) -> list[Placement]:
        """The placements of a cook, in the order in which they were given."""
        return [_placement(row) for row in self._read(_PLACEMENT + "WHERE l.cook_id = ? ORDER BY l.id", (cook_id,))]

    def cook_loggers(self) -> dict[int, tuple[int, ...]]:
        """The loggers that have a placement in each cook, for who looks through all cooks; no key: none has."""
        found: dict[int, tuple[int, ...]] = {}
        for cook_id, logger in self._read("SELECT DISTINCT cook_id, logger FROM placements ORDER BY cook_id, logger"):
            found[cook_id] = (*found.get(cook_id, ()), logger)
        return found

    # notes

    def add_note(
        self, cook_id: int, at: int | None, kind: str, text: str = "", *, frame_id: int | None = None
    ) -> Note:
        """Write a note into a cook; ``at`` None means now; ``frame_id``: it stands for the one in that frame."""
        kind, text = _note(kind, text)
        when = checked_time("a note's time", self.now_ms() if at is None else at)
        with self._write() as db:
            cook = self.cook(cook_id)
            made = db.execute(
                "INSERT INTO notes (cook_id, at_ms, kind, text, made_ms, frame_id) VALUES (?, ?, ?, ?, ?, ?)",
                (cook.id, when, kind, text, self.now_ms(), frame_id),
            )
            return Note(int(made.lastrowid or 0), cook.id, when, kind, text)

    def notes(self, cook_id: int) -> list[Note]:
        """The notes that people wrote into a cook, in order of time, without those that were withdrawn.

        Those that its loggers journalled are in their frames: ``series.notes`` has both.
        """
        sql = _NOTE + "WHERE cook_id = ? AND withdrawn_ms IS NULL ORDER BY at_ms, id"
        return [Note(*row) for row in self._read(sql, (cook_id,))]

    def frames_with_notes(self) -> set[int]:
        """The rows of frames whose notes a person has changed or withdrawn: the ledger's note stands for them."""
        return {int(row[0]) for row in self._read("SELECT frame_id FROM notes WHERE frame_id IS NOT NULL")}

    def change_note(
        self, note_id: int, *, at: int | None = None, kind: str | None = None, text: str | None = None
    ) -> Note:
        """Change what is given; what the note said before is kept."""
        with self._write() as db:
            old = self._note(note_id)
            new_kind, new_text = _note(old.kind if kind is None else kind, old.text if text is None else text)
            new_at = old.at_ms if at is None else checked_time("a note's time", at)
            db.execute(
                "INSERT INTO note_past (note_id, changed_ms, at_ms, kind, text) VALUES (?, ?, ?, ?, ?)",
                (old.id, self.now_ms(), old.at_ms, old.kind, old.text),
            )
            db.execute(
                "UPDATE notes SET at_ms = ?, kind = ?, text = ? WHERE id = ?", (new_at, new_kind, new_text, old.id)
            )
            return Note(old.id, old.cook_id, new_at, new_kind, new_text)

    def remove_note(self, note_id: int) -> None:
        """Withdraw a note: it is no longer shown, and it is kept."""
        with self._write() as db:
            note = self._note(note_id)
            db.execute("UPDATE notes SET withdrawn_ms = ? WHERE id = ?", (self.now_ms(), note.id))

    def _note(self, note_id: int) -> Note:
        rows = self._read(_NOTE + "WHERE id = ? AND withdrawn_ms IS NULL", (note_id,))
        if not rows:
            raise NotFoundError(f"there is no note {note_id}, or it was withdrawn")
        return Note(*rows[0])

    # anchors, sheets

    def tell_anchor(self, logger: int, boot: int, uptime_ms: int, utc_ms: int, err_ms: int, source: str) -> None:
        """Keep a person's word that this uptime was UTC ``utc_ms``; a second word on the same uptime replaces it."""
        with self._write() as db:
            db.execute("INSERT INTO loggers (logger) VALUES (?) ON CONFLICT DO NOTHING", (logger,))
            db.execute(
                "INSERT INTO anchors (logger, boot, uptime_ms, utc_ms, err_ms, source) VALUES (?, ?, ?, ?, ?, ?) "
                "ON CONFLICT DO UPDATE SET utc_ms = excluded.utc_ms, err_ms = excluded.err_ms",
                (logger, boot, uptime_ms, utc_ms, err_ms, source),
            )

    def anchors(self, logger: int, boot: int | None = None) -> list[ToldAnchor]:
        """The anchors that people gave for a logger, or for one boot of it."""
        sql = "SELECT logger, boot, uptime_ms, utc_ms, err_ms, source FROM anchors WHERE logger = ?"
        rows = self._read(sql + " ORDER BY id", (logger,))
        return [ToldAnchor(*row) for row in rows if boot is None or row[1] == boot]

    def add_sheet(
        self,
        cook_id: int,
        place: str,
        kind: str,
        t: NDArray[np.float64],
        celsius: NDArray[np.float64],
        source: str,
        digest: str,
    ) -> Sheet:
        """Keep one column of an imported table: t in UTC seconds, ascending, and degC, NaN for an empty cell."""
        place = checked_text(place, "the place", 200)
        if kind not in PLACE_KINDS or t.shape != celsius.shape or t.ndim != 1:
            raise ConfigError(f"place {place!r}: a sheet is one time and one degC a row, and {PLACE_KINDS}")
        if not (np.isfinite(t).all() and (np.diff(t) > 0).all()):
            raise ConfigError(f"place {place!r}: the times of a sheet must ascend")
        blobs = t.astype("<f8").tobytes(), celsius.astype("<f8").tobytes()
        with self._write() as db:
            cook = self.cook(cook_id)
            made = db.execute(
                "INSERT INTO sheets (cook_id, place, kind, source, digest, t, celsius) VALUES (?, ?, ?, ?, ?, ?, ?)",
                (cook.id, place, kind, source, digest, *blobs),
            )
            return Sheet(int(made.lastrowid or 0), cook.id, place, kind, source, digest, t, celsius)

    def sheets(self, cook_id: int) -> list[Sheet]:
        """The columns of an imported cook, in the order of the table."""
        sql = "SELECT id, cook_id, place, kind, source, digest, t, celsius FROM sheets WHERE cook_id = ? ORDER BY id"
        return [Sheet(*row[:6], *(np.frombuffer(b, "<f8") for b in row[6:])) for row in self._read(sql, (cook_id,))]

    def sheet_cook(self, digest: str) -> Cook | None:
        """The cook that was made from a table of this digest, if there is one."""
        rows = self._read("SELECT cook_id FROM sheets WHERE digest = ? ORDER BY id DESC LIMIT 1", (digest,))
        return self.cook(int(rows[0][0])) if rows else None


def _placement(row: Sequence[Any]) -> Placement:
    return Placement(row[0], row[1], Probe(*row[2:6]), *row[6:])


def _taken_back(placement: Placement) -> bool:
    return placement.since_ms is not None and placement.since_ms == placement.until_ms


def _overlap(other: Placement, since: int | None, until: int | None) -> bool:
    """Whether two half-open spans share time; an open end reaches as far as the cook does."""
    if _taken_back(other):
        return False
    starts_before_end = until is None or other.since_ms is None or other.since_ms < until
    ends_after_start = since is None or other.until_ms is None or other.until_ms > since
    return starts_before_end and ends_after_start


def _note(kind: str, text: str) -> tuple[str, str]:
    if kind not in NOTE_KINDS:
        raise ConfigError(f"note kind {kind!r} is not one of {', '.join(NOTE_KINDS)}")
    text = plain_text(text).strip()
    if len(text) > 4000:
        raise ConfigError(f"a note of {len(text)} characters is too long; 4000 are the most")
    if not "".join(text.split()).isprintable():
        raise ConfigError("a note may have letters, signs and line ends, and no control characters")
    if kind == "text" and not text:
        raise ConfigError("a note of the kind text needs a text")
    return kind, text
