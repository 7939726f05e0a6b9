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


class Heard:
    """What loggers journalled as notes, for who asks again and again: read anew when what came in could move one.

    A memo and no more: leaving it out would only cost time.
    """

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._held: dict[int, tuple[object, bool, list[LoggerNote]]] = {}

    def of_logger(self, number: int) -> list[LoggerNote]:
        """Its notes in boots that have a time, in order of time."""
        ledger = self._ledger
        people, boots = told_anchors(ledger, number), ledger.boots(number)
        held = self._held.get(number)
        # A boot without an anchor is placed by its neighbours, or not at all, as they grow; another stays where it is.
        floats = held is not None and held[1]
        key = ledger.last_event(number), tuple(people), tuple(boots) if floats else len(boots)
        if held is None or held[0] != key:
            events = ledger.frames(number, kind=EVENT)
            times = told_by(events, people).times(boots)
            floats = bool(times.between) or len(times.bases) < len(boots)
            key = max((e.row for e in events), default=0), tuple(people), tuple(boots) if floats else len(boots)
            held = self._held[number] = key, floats, sorted(notes_in(events, times.bases), key=_when)
        return held[2]


class CookNotes:
    """The notes of cooks, for who does not read their series; what a logger journalled is read once.

    heard : that of an earlier time, which knows most of it already
    ``loggers``: those that have a place in each cook, as ``ledger.cook_loggers`` has them.
    """

    def __init__(self, ledger: Ledger, heard: Heard | None = None) -> None:
        self._ledger, self.loggers = ledger, ledger.cook_loggers()
        self._heard = heard or Heard(ledger)
        self._by_logger: dict[int, list[LoggerNote]] = {}

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
        if number not in self._by_logger:
            self._by_logger[number] = self._heard.of_logger(number)
        return self._by_logger[number]


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
