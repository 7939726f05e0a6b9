"""From a record and its analysis to the JSON-able body of a snapshot. Pure functions.

Temperatures degC, times UTC s, rates K/h. Ages are not in it: whoever shows it knows what time it is.
"""

import zlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from pitscribe.cook.analysis import PRESENT_S
from pitscribe.cook.answers import Analysis
from pitscribe.cook.answers import PlaceNow as Analysed
from pitscribe.ledger.values import Cook, LoggerInfo, Note, Placement
from pitscribe.series import CookRecord, Series
from pitscribe.watch.around import Around
from pitscribe.watch.freshness import as_mapping
from pitscribe.watch.snapshot import PlaceNow, Trouble
from pitscribe.watch.troubles import host_troubles, is_waiting, newest_reading, troubles

# What to do about a flag; the words before the colon are the analysis's.
REMEDIES = {
    "open": "the probe is open: look at its plug and its cable",
    "short ground": "the probe touches ground: look at its tip and its cable",
    "short supply": "the probe touches the supply: look at its cable",
    "chip fault": "its chip names a fault: look at plug and cable",
    "no answer": "its chip does not answer: look at the board's wiring",
    "bad word": "its chip sends nonsense: look at the board's wiring",
    "out of range": "it reads what this wire cannot measure: wrong type, or reversed leads?",
    "no function": "there is no reference function here for its type of wire; what it reads is kept",
    "rate": "it jumped as nothing at such a place can",
    "reversed": "it falls when it should rise: its two leads are changed over at the plug or the board",
    "stuck": "its chip repeats one reading while other places move: cut its power and give it again",
    "no contact": "it follows the pit's air: it is not in the meat (any more); put it back, and mind the hot steel",
}

# The same where the value stands but something about it is to be known.
DOUBTS = {
    "swapped": "it and another probe seem to have each other's place: look where each tip is, and place them anew",
    "noisy": "it flickers more than its chip explains: look at its plug, and keep its cable away from motors and mains",
}


# What was kept aside, by the ledger's reason; a number follows: "frames cut off: 3".
ASIDES = {
    "short": "frames cut off",
    "mark": "frames that are none of ours",
    "length": "frames of a wrong length",
    "crc": "frames damaged on the way (check sum)",
    "kind": "frames of a kind that this version does not know",
    "body": "frames whose content does not fit their kind",
    "header": "frames with an uptime that cannot be",
    "foreign": "frames of another logger than their topic says",
    "clash": "frames with a number that was used before, for other content",
    "fault": "frames that set off a fault in pitscribe itself",
    "topic": "messages under a topic that this version does not know",
    "message": "messages that do not say what they should",
    "damaged": "stretches of an imported file that are no frame",
}


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
    lists: dict[str, Any] = {key: [] for key in ("places", "stalls", "notes", "cannot_say")}
    counts = {"readings": 0, "missed": 0, "unplaced": 0, "waiting": False}
    return nothing | lists | counts | {"troubles": [asdict(t) for t in host_troubles(around)]} | _host(around)


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
    logs = {"loggers": [_logger(info, around) for info in around.loggers]}
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
    """The body for a cook: answers, places, stalls, notes, troubles.

    readings : a number that changes whenever any reading may have, older ones too: then the chart is to be read anew
    """
    running = record.cook.ended_ms is None
    places = [
        _place(series, said, running, around) for series, said in zip(record.places, analysis.places, strict=True)
    ]
    present = [p for p in places if p.quality != "over"]
    stalls = [{"place": s.place, "begin": s.begin, "end": s.end} for s in analysis.stalls]
    return {
        "cook": record.cook.as_json(),
        "coldest": _coldest(present, stalls),
        "pit": _pit(present, analysis),
        "spread": _spread(present, analysis, running, around),
        "why_no_spread": analysis.evenness.why_not,
        "newest": newest_reading(record),
        "readings": readings,
        "places": [asdict(p) for p in places],
        "stalls": stalls,
        "notes": [_note(n) for n in record.notes],
        "troubles": [asdict(t) for t in troubles(record, present, around)],
        "missed": record.missed,
        "unplaced": record.unplaced,
        "waiting": is_waiting(record),
        "cannot_say": [{"what": c.what, "why": c.why, "about": c.about} for c in analysis.cannot_say],
    } | _host(around)


def _host(around: Around) -> dict[str, Any]:
    asides = [
        {"reason": reason, "count": count, "words": ASIDES.get(reason, f"items for another reason ({reason})")}
        for reason, count in around.asides.items()
        if count
    ]
    loggers = [_logger(info, around) for info in around.loggers]
    return {"loggers": loggers, "intake": _intake(around.intake), "asides": asides}


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


def _remedy(said: Analysed) -> str:
    return "; ".join(REMEDIES[word] for word in said.flags if word in REMEDIES)


def _doubt(said: Analysed) -> str:
    return "; ".join(DOUBTS[word] for word in said.flags if word in DOUBTS)


def _coldest(places: Sequence[PlaceNow], stalls: Sequence[Mapping[str, Any]]) -> dict[str, Any] | None:
    """The coldest meat place among the fresh ones; if none is fresh, among the last values there were.

    ``of`` meat places out of ``total`` can be read; ``unread`` names the others.
    """
    meat = [p for p in places if p.kind == "meat" and p.celsius is not None]
    one = min([p for p in meat if p.fresh] or meat, key=lambda p: (p.celsius or 0.0, p.place), default=None)
    if one is None:
        return None
    since = next((s["begin"] for s in stalls if s["place"] == one.place and s["end"] is None), None)
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
