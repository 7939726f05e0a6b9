"""From a record and its analysis to the JSON-able body of a snapshot. Pure functions.

Temperatures degC, times UTC s, rates K/h. Ages are not in it: whoever shows it knows what time it is. The parts that
``said.py`` lists are the analysis's own JSON, with its names and with times in ISO 8601.
"""

import zlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, replace
from typing import Any

import numpy as np

from pitscribe.cook.analysis import PRESENT_S
from pitscribe.cook.answers import Analysis
from pitscribe.cook.answers import PlaceNow as Analysed
from pitscribe.ledger.values import Cook, LoggerInfo, Note, Placement
from pitscribe.series import CookRecord, Series
from pitscribe.watch.around import Around
from pitscribe.watch.asks import by_urgency
from pitscribe.watch.freshness import as_mapping
from pitscribe.watch.said import NOTHING_SAID, said_of
from pitscribe.watch.snapshot import PlaceNow, Trouble
from pitscribe.watch.troubles import host_troubles, is_waiting, newest_reading, troubles
from pitscribe.watch.words import ASIDES, DOUBTS, REMEDIES


def readings_number(record: CookRecord, placements: Sequence[Placement]) -> int:
    """A number that changes whenever any reading may have, older ones too (a backlog, a boot placed in time late)."""
    places = [(s.place, s.kind, s.t.size, zlib.crc32(np.ascontiguousarray(s.t).data)) for s in record.places]
    return zlib.crc32(repr((places, placements)).encode())


def fingerprint(record: CookRecord, readings: int) -> tuple[Any, ...]:
    """Changes whenever what is said of the record may change."""
    return record.cook, record.notes, record.missed, record.unplaced, record.contradictions, readings


def empty_body(around: Around) -> dict[str, Any]:
    """The body where there is no cook."""
    nothing: dict[str, Any] = dict.fromkeys(("cook", "coldest", "pit", "spread", "newest", "why_no_spread"))
    lists: dict[str, Any] = {key: [] for key in ("places", "notes", "cannot_say")}
    counts = {"readings": 0, "missed": 0, "unplaced": 0, "waiting": False}
    wrongs = {"troubles": [asdict(t) for t in host_troubles(around)]}
    return nothing | lists | counts | NOTHING_SAID | wrongs | _host(around)


def lame_body(
    old: Mapping[str, Any], cook: Cook, placements: Sequence[Placement], notes: Sequence[Note], around: Around
) -> dict[str, Any]:
    """The body for a cook whose analysis failed: what is written of it, and what ``old`` last said of its places."""
    known = {p["place"]: p for p in old["places"]}
    nothing = (None, None, None, None, False, None, None, "none", "")
    blank = {
        p.place: asdict(PlaceNow(p.place, p.kind, *nothing, around.limits.of_place(p.place)))
        for p in placements
    }
    logs = {"loggers": [_logger(info, around) for info in around.loggers], "photos": _photos(around)}
    places = list((blank | known).values())
    return {**old, **logs, "cook": cook.as_json(), "places": places, "notes": [_note(n) for n in notes]}


def _note(note: Note) -> dict[str, Any]:
    return {"id": note.id, "at": note.at_ms / 1000, "kind": note.kind, "text": note.text}


def with_trouble(body: Mapping[str, Any], trouble: Trouble) -> dict[str, Any]:
    """The same body with a trouble in front, and nothing in it fresh any more."""
    others = [t for t in body["troubles"] if t["key"] != trouble.key]
    old = {key: body[key] and {**body[key], "fresh": False} for key in ("coldest", "pit", "spread")}
    places = [{**p, "fresh": False} for p in body["places"]]
    return {**body, **old, "places": places, "troubles": [asdict(trouble), *others]}


def body(record: CookRecord, analysis: Analysis, around: Around, readings: int) -> dict[str, Any]:
    """The body for a cook: answers, places, notes, troubles, and what the analysis says besides.

    readings : a number that changes whenever any reading may have, older ones too: then the chart is to be read anew
    """
    running = record.cook.ended_ms is None
    places = [
        _there(_place(series, said, running, around), said, around)
        for series, said in zip(record.places, analysis.places, strict=True)
    ]
    present = [p for p in places if p.quality != "over"]
    found = troubles(record, present, around)
    return {
        "cook": record.cook.as_json(),
        "coldest": _coldest(present, analysis),
        "pit": _pit(present, analysis),
        "spread": _spread(present, analysis, running, around),
        "why_no_spread": analysis.evenness.why_not,
        "newest": newest_reading(record),
        "readings": readings,
        "places": [asdict(p) for p in places],
        "notes": [_note(n) for n in record.notes],
        "troubles": [asdict(t) for t in by_urgency(found, analysis, present if running else ())],
        "missed": record.missed,
        "unplaced": record.unplaced,
        "waiting": is_waiting(record),
        "cannot_say": [c.as_json() for c in analysis.cannot_say],
    } | said_of(analysis) | _host(around)


def _host(around: Around) -> dict[str, Any]:
    asides = [
        {"reason": reason, "count": count, "words": ASIDES.get(reason, f"items for another reason ({reason})")}
        for reason, count in around.asides.items()
        if count
    ]
    loggers = [_logger(info, around) for info in around.loggers]
    return {"loggers": loggers, "intake": _intake(around.intake), "asides": asides, "photos": _photos(around)}


def _photos(around: Around) -> list[dict[str, Any]]:
    return [photo.as_json() for photo in around.photos]


def _place(series: Series, said: Analysed, running: bool, around: Around) -> PlaceNow:
    usable = series.good()
    good = np.flatnonzero(usable)
    limit = around.limits.of_place(series.place)
    if not good.size:
        words = _remedy(said) or said.why_no_value or "no reading"
        quality = "fault" if series.t.size else "none"
        return PlaceNow(series.place, series.kind, None, None, None, None, False, None, None, quality, words, limit)
    last = int(good[-1])
    celsius, u, t = said.celsius, float(series.u[last]), float(series.t[last])
    failed = celsius is None and last != series.t.size - 1
    if celsius is None:
        # The analysis does not speak of a place that has no present; the page still shows what it was, as such.
        window = slice(int(np.searchsorted(series.t, t - PRESENT_S)), last + 1)
        celsius = float(np.median(series.celsius[window][usable[window]]))
    # Of a cook that is over the present is its end: the analysis says which places had one.
    aged = around.now - t > limit if running else said.celsius is None
    over = series.place in around.over
    quality = "over" if over else "fault" if failed else "old" if aged else "good"
    words = _remedy(said) if failed else "" if said.rate_k_h is not None else said.why_no_rate or ""
    u95 = float(series.expanded()[last])
    return PlaceNow(series.place, series.kind, round(celsius, 3), round(u, 3), round(u95, 3), t, quality == "good",
                    said.rate_k_h, said.rate_u_k_h, quality, words, limit, _doubt(said) if quality == "good" else "")


def _there(place: PlaceNow, said: Analysed, around: Around) -> PlaceNow:
    """With the flags of its newest sample, and with the channel that its probe is on."""
    flags, spot = ", ".join(said.flags), around.spots.get(place.place)
    if spot is None:
        return replace(place, flags=flags)
    return replace(place, flags=flags, logger=f"{spot.logger:08x}", channel=spot.channel, placed=spot.placed)


def _remedy(said: Analysed) -> str:
    return "; ".join(REMEDIES[word] for word in said.flags if word in REMEDIES)


def _doubt(said: Analysed) -> str:
    return "; ".join(DOUBTS[word] for word in said.flags if word in DOUBTS)


def _coldest(places: Sequence[PlaceNow], analysis: Analysis) -> dict[str, Any] | None:
    """The coldest meat place among the fresh ones; if none is fresh, among the last values there were.

    ``of`` meat places out of ``total`` can be read; ``unread`` names the others.
    """
    meat = [p for p in places if p.kind == "meat" and p.celsius is not None]
    one = min([p for p in meat if p.fresh] or meat, key=lambda p: (p.celsius or 0.0, p.place), default=None)
    if one is None:
        return None
    since = next((s.begin for s in analysis.stalls if s.place == one.place and s.end is None), None)
    return asdict(one) | {"stalled_since": since} | _counted(places, {p.place for p in places if p.fresh})


def _counted(places: Sequence[PlaceNow], readable: Collection[str]) -> dict[str, Any]:
    """How many of the meat places an answer is taken over, and which it leaves out."""
    meat = [p.place for p in places if p.kind == "meat"]
    unread = [place for place in meat if place not in readable]
    return {"of": len(meat) - len(unread), "total": len(meat), "unread": unread}


def _pit(places: Sequence[PlaceNow], analysis: Analysis) -> dict[str, Any] | None:
    """The air place that the analysis takes for the pit, or what the first one was; the others are named beside it."""
    air = [p for p in places if p.kind == "air" and p.celsius is not None]
    if not air:
        return None
    said = analysis.pit
    one = next((p for p in air if said and p.place == said.place), air[0])
    return asdict(one) | {
        "direction": said and said.direction,
        "why_no_direction": said.why_no_direction if said else "no air place has a present value",
        "slope": said and said.slope_k_h,
        "slope_u": said and said.slope_u_k_h,
        "why_this": said and said.why_this,
        "level_c": _rounded(said.level_c, 2) if said else None,
        "swing_k": _rounded(said.swing_k, 2) if said else None,
        "places": [{"place": p.place, "celsius": p.celsius, "fresh": p.fresh} for p in air],
    }


def _spread(places: Sequence[PlaceNow], analysis: Analysis, running: bool, around: Around) -> dict[str, Any] | None:
    even = analysis.evenness
    at, greatest = even.now, even.greatest
    if at is None:
        return None
    limit = around.limits.of_place(*at.among)
    return {
        "kelvin": round(at.spread_k, 3),
        "u": round(at.u_k, 3),
        "leads": at.hottest,
        "lags": at.coldest,
        "alike": at.hottest == at.coldest,
        "since": even.leads_since,
        "t": at.at,
        "fresh": not running or around.now - at.at <= limit,
        "stale_after_s": limit,
        "greatest_k": greatest and round(greatest.spread_k, 3),
        "greatest_at": greatest and greatest.at,
    } | _counted(places, at.among)


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


def _logger(info: LoggerInfo, around: Around) -> dict[str, Any]:
    state = info.state or {}
    journal = as_mapping(state.get("journal"))
    following, cursor = journal.get("next"), journal.get("cursor")
    waiting = following - cursor if isinstance(following, int) and isinstance(cursor, int) else None
    return {
        "logger": f"{info.logger:08x}",
        "name": info.name,
        "online": state.get("online"),
        "last_seen": around.last_heard(info),
        "frames": info.frames,
        "waiting": waiting,
        "lost": journal.get("lost"),
    }


def _intake(intake: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """What of the intake's status is worth showing: plain numbers and words."""
    if intake is None:
        return None
    keys = ("connected", "queue", "store_ok", "clock_ok")
    return {key: intake[key] for key in keys if isinstance(intake.get(key), bool | int)}
