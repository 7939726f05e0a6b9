"""Notes that loggers journalled: somebody pressed a button there, or made a note on the logger's own page.

They are read from the event frames each time, as temperatures are: when they were follows from the boot's anchors, and
moves with a better one. A note in a boot that nothing places in time is in no cook until something does. One that a
person changed or withdrew here is a note of the ledger's from then on.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from pitscribe.errors import NotFoundError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import NOTE_KINDS, Cook, Note, StoredFrame
from pitscribe.series.known import NOW
from pitscribe.series.spans import Key, key_of
from pitscribe.series.times import FOREVER_MS, told_anchors, told_by
from pitscribe.wire.frames import EVENT, Event, decode_event
from pitscribe.wire.timebase import Timebase


class LoggerNote(NamedTuple):
    """A note in a logger's journal: the row of its frame, the logger, when it was [ms UTC], and what it says."""

    row: int
    logger: int
    at_ms: int
    kind: str
    text: str


def notes_in(events: Sequence[StoredFrame], bases: Mapping[int, Timebase]) -> list[LoggerNote]:
    """The notes among event frames, of boots that have a time."""
    found = []
    for stored in events:
        base = bases.get(stored.key.boot)
        if base is None:
            continue
        event = decode_event(stored.frame)
        if event.name == "note" and (said := _said(event)):
            at = round(1000 * float(base.utc(stored.uptime_ms)))
            found.append(LoggerNote(stored.row, stored.key.logger, at, *said))
    return found


def _said(event: Event) -> tuple[str, str] | None:
    """Kind and text; a kind that the ledger does not know (of a later firmware) becomes a text. None: says nothing."""
    kind, text = event.fields.get("kind"), event.fields.get("text", "")
    if not isinstance(kind, str) or not isinstance(text, str):
        return None
    text = "".join(sign if sign.isprintable() else " " for sign in text).strip()
    if kind not in NOTE_KINDS:
        kind, text = "text", f"{kind} {text}".strip()
    return None if kind == "text" and not text else (kind, text)


def merged(ledger: Ledger, cook: Cook, key: Key, heard: Iterable[LoggerNote]) -> tuple[Note, ...]:
    """A cook's notes in order of time: the ledger's, and those of its loggers while they had a place in it.

    The ``id`` of a logger's note is minus the row of its frame.
    """
    stands = ledger.frames_with_notes()
    told = [
        Note(-one.row, cook.id, one.at_ms, one.kind, one.text)
        for one in heard
        if one.row not in stands
        and any(s.placement.logger == one.logger and s.first_ms <= one.at_ms < s.end_ms for s in key.spans)
    ]
    return tuple(sorted([*ledger.notes(cook.id), *told], key=lambda note: (note.at_ms, note.id)))


class CookNotes:
    """The notes of cooks, for who does not read their series; what a logger journalled is read once.

    ``loggers``: those that have a place in each cook, as ``ledger.cook_loggers`` has them.
    """

    def __init__(self, ledger: Ledger) -> None:
        self._ledger, self.loggers = ledger, ledger.cook_loggers()
        self._heard: dict[int, list[LoggerNote]] = {}  # in order of time

    def of(self, cook: Cook) -> tuple[Note, ...]:
        """As ``merged``."""
        last = FOREVER_MS if cook.ended_ms is None else cook.ended_ms
        heard = []
        for number in self.loggers.get(cook.id, ()):
            every = self._of_logger(number)
            heard += every[bisect_left(every, cook.started_ms, key=_when) : bisect_right(every, last, key=_when)]
        if not heard:  # most cooks: what a placement's span hangs on need not be read
            return tuple(self._ledger.notes(cook.id))
        return merged(self._ledger, cook, key_of(self._ledger, cook, NOW), heard)

    def _of_logger(self, number: int) -> list[LoggerNote]:
        if number not in self._heard:
            ledger = self._ledger
            events = ledger.frames(number, kind=EVENT)
            bases = told_by(events, told_anchors(ledger, number)).times(ledger.boots(number)).bases
            self._heard[number] = sorted(notes_in(events, bases), key=_when)
        return self._heard[number]


def _when(note: LoggerNote) -> int:
    return note.at_ms


def own(ledger: Ledger, note_id: int) -> int:
    """The id of the ledger's note that stands for this one, made now if it is still the logger's alone.

    Raises NotFoundError if no cook has it.
    """
    if note_id >= 0:
        return note_id
    notes = CookNotes(ledger)
    for cook in reversed(ledger.cooks()):
        for note in notes.of(cook):
            if note.id == note_id:
                return ledger.add_note(cook.id, note.at_ms, note.kind, note.text, frame_id=-note_id).id
    raise NotFoundError(f"there is no note {note_id}, or it was withdrawn")
