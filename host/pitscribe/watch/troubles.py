"""Degraded states, told plainly: what keeps the numbers from being fresh or whole, and what to do. Pure functions."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from pitscribe.ledger.values import LoggerInfo
from pitscribe.series import CookRecord
from pitscribe.watch.around import Around
from pitscribe.watch.snapshot import PlaceNow, Trouble

_LOOK = "look who is on the Wi-Fi."
FULL_H = 2  # of journal left: time enough to fetch a laptop (our own judgement, no source)


def troubles(record: CookRecord, places: Sequence[PlaceNow], around: Around) -> list[Trouble]:
    """All troubles of a cook that goes on, the gravest first; of one that is over, what is wrong with its record."""
    found = list(_record(record))
    if record.cook.ended_ms is None:
        for info in around.loggers:
            found += _logger(info, around)
        found += _readings(record, around)
        found += _places(places)
        found += host_troubles(around)
    return sorted(found, key=lambda t: t.grade != "bad")


def host_troubles(around: Around) -> list[Trouble]:
    """What is wrong with the host itself, whether or not a cook runs."""
    return sorted(_intake(around.intake), key=lambda t: t.grade != "bad")


def is_waiting(record: CookRecord) -> bool:
    """Whether a running cook has no frame yet, of probes that it has."""
    begun = newest_reading(record) is not None or record.unplaced > 0
    return record.cook.ended_ms is None and bool(record.places) and not begun


def _logger(info: LoggerInfo, around: Around) -> Iterator[Trouble]:
    name, state = info.name or f"{info.logger:08x}", info.state or {}
    seen = around.last_heard(info)
    key = f"logger-{info.logger:08x}"
    if state.get("online") is False:
        words = f"The logger {name} is away. If it has power, it goes on recording; look at its power and the network."
        yield Trouble(f"{key}-away", "bad", words, seen)
    elif seen is None:
        words = f"The logger {name} has never been heard of."
        if info.frames:
            words = (
                f"Frames of the logger {name} are here, but it has not said how it is: they came as files, or it "
                "speaks to another broker."
            )
        yield Trouble(f"{key}-unheard", "warn", words)
    elif info.logger in around.quiet or around.now - seen > around.limits.of_logger(info.logger):
        words = f"Nothing is heard of the logger {name}. If it has power, it goes on recording and sends it later."
        yield Trouble(f"{key}-silent", "bad", words, seen)
    journal = state.get("journal")
    if isinstance(journal, Mapping):
        yield from _journal(key, name, journal)


def _journal(key: str, name: str, journal: Mapping[str, Any]) -> Iterator[Trouble]:
    if journal.get("ok") is False:
        words = f"The logger {name} cannot write its journal: what is not sent at once is lost. Look at its flash."
        yield Trouble(f"{key}-flash", "bad", words)
    hours = journal.get("hours")
    if isinstance(hours, int | float) and not isinstance(hours, bool) and 0 <= hours < FULL_H:
        words = f"The journal of the logger {name} is full in less than {FULL_H} h: it wants the host, or a pull."
        yield Trouble(f"{key}-full", "warn", words)
    lost = journal.get("lost")
    if isinstance(lost, int) and lost > 0:
        words = f"The logger {name} has lost {_frames(lost)}, for want of space or by its flash: the record has gaps."
        yield Trouble(f"{key}-lost", "warn", words)


def _readings(record: CookRecord, around: Around) -> Iterator[Trouble]:
    if not record.places:
        words = "No probe has a place in this cook yet. Say where they are with: pitscribe cook place"
        yield Trouble("no-places", "warn", words)
        return
    newest = newest_reading(record)
    if newest is None:
        # A logger sends its first frame when it is full: until then nothing is wrong.
        limit = around.limits.of_place(*(s.place for s in record.places))
        if around.now - record.cook.started_ms / 1000 > limit:
            yield Trouble("no-readings", "warn", "No reading of this cook has come yet.")
    elif all(around.now - s.t[-1] > around.limits.of_place(s.place) for s in record.places if s.t.size):
        yield Trouble("old", "bad", "No new readings. The numbers below are not the present ones.", newest)


def _places(places: Sequence[PlaceNow]) -> Iterator[Trouble]:
    for place in places:
        if place.quality == "fault":
            yield Trouble(f"place-{place.place}", "bad", f"{place.place}: {place.words}.", place.t)
        elif place.doubt:
            yield Trouble(f"doubt-{place.place}", "warn", f"{place.place}: {place.doubt}.")


def _record(record: CookRecord) -> Iterator[Trouble]:
    if record.unplaced:
        words = (
            f"No time is known yet for {_frames(record.unplaced)}, because the logger did not know it. They are kept, "
            "and shown as soon as it is."
        )
        yield Trouble("unplaced", "warn", words)
    if n := record.contradictions:
        words = (
            f"{n} of the times that its loggers were told {'contradicts' if n == 1 else 'contradict'} the others and "
            f"{'was' if n == 1 else 'were'} left out: readings may be shown too early or too late. Look at the clocks "
            "of the host and the router."
        )
        yield Trouble("contradictions", "warn", words)


def _intake(intake: Mapping[str, Any] | None) -> Iterator[Trouble]:
    if intake is None:
        return
    because, since = _wrongs(intake.get("errors"))
    if intake.get("connected") is False:
        words = f"The host has no contact with the broker{because('broker')}. Loggers keep what they read until it has."
        yield Trouble("intake-away", "bad", words, since("broker"))
    if intake.get("store_ok") is False:
        words = f"The host cannot write its ledger{because('store')}. Loggers keep what they read until it can."
        yield Trouble("store", "bad", words, since("store"))
    if intake.get("clock_ok") is False:
        words = f"The host's clock is not set{because('clock')}: no logger is told the time until it is."
        yield Trouble("clock", "bad", words, since("clock"))
    if because("mirror"):
        words = f"The copy in the time-series database waits{because('mirror')}. The record itself is whole."
        yield Trouble("mirror", "warn", words, since("mirror"))
    if because("page door"):
        words = f"Somebody tries to come in to this page{because('page door')}. If it is nobody of yours, {_LOOK}"
        yield Trouble("page-door", "warn", words, since("page door"))
    if because("broker door"):
        words = (
            f"Somebody tries to come in to the broker{because('broker door')}. If it is a logger of yours, its user "
            f"and password are not the right ones; else {_LOOK}"
        )
        yield Trouble("broker-door", "warn", words, since("broker door"))
    if because("fault"):
        words = f"A fault in pitscribe itself{because('fault')}. What it concerned was kept aside."
        yield Trouble("fault", "warn", words, since("fault"))
    errors: Mapping[str, Any] = intake.get("errors") or {}
    for kind in sorted(errors):
        if kind.startswith(("secret", "twin")):
            yield Trouble(kind.replace(" ", "-"), "bad", f"{errors[kind][0]}.", since(kind))
        elif kind.startswith("share"):
            words = f"Taking in together with other processes: {errors[kind][0]}."
            yield Trouble(kind.replace(" ", "-"), "bad", words, since(kind))
    if clashes := intake.get("clashes"):
        words = f"Kept aside: {_frames(clashes)} with a number that was used before for other content."
        yield Trouble("clash", "warn", words)


def _wrongs(errors: Any) -> tuple[Callable[[str], str], Callable[[str], float | None]]:
    """(words in brackets, since when) of what is wrong by kind, as the intake's status has it: (text, since)."""
    known = errors if isinstance(errors, Mapping) else {}

    def because(kind: str) -> str:
        return f" ({known[kind][0]})" if kind in known else ""

    return because, lambda kind: known[kind][1] if kind in known else None


def _frames(count: int) -> str:
    return f"{count} frame{'' if count == 1 else 's'}"


def newest_reading(record: CookRecord) -> float | None:
    """When the newest sample of any place was taken, good or not, UTC s."""
    return max((float(s.t[-1]) for s in record.places if s.t.size), default=None)
