"""From a record and its analysis to the JSON-able body of a snapshot. Pure functions.

Temperatures degC, times UTC s, rates K/h. Ages are not in it: whoever shows it knows what time it is.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from pitscribe.cook.analysis import PRESENT_S, Analysis
from pitscribe.cook.analysis import PlaceNow as Analysed
from pitscribe.ledger.values import Cook, LoggerInfo
from pitscribe.series import CookRecord, Series
from pitscribe.watch.snapshot import PlaceNow, Trouble
from pitscribe.watch.troubles import newest_reading, troubles

STEADY_K_H = 12.0  # a pit that drifts by less than 2 K in ten minutes is steady: splits alone swing it by more
# What to do about a flag; the words before the colon are the analysis's.
REMEDIES = {
    "open": "the probe is open: look at its plug and its cable",
    "short ground": "the probe touches ground: look at its tip and its cable",
    "short supply": "the probe touches the supply: look at its cable",
    "chip fault": "its chip names a fault: look at plug and cable",
    "no answer": "its chip does not answer: look at the board's wiring",
    "bad word": "its chip sends nonsense: look at the board's wiring",
    "out of range": "it reads what this wire cannot measure: wrong type, or reversed leads?",
    "rate": "it jumped as nothing at such a place can",
}


def fingerprint(record: CookRecord) -> tuple[Any, ...]:
    """Changes whenever the record may have changed (readings of a place are only ever added)."""
    places = tuple((s.place, s.kind, s.t.size, float(s.t[-1]) if s.t.size else 0.0) for s in record.places)
    return record.cook, record.notes, record.missed, record.unplaced, places


def empty_body(
    stale_after_s: float, loggers: Sequence[LoggerInfo] = (), intake: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """The body where there is no cook."""
    nothing: dict[str, Any] = dict.fromkeys(("cook", "coldest", "pit", "spread", "newest"))
    lists: dict[str, Any] = {key: [] for key in ("places", "stalls", "notes", "troubles")}
    rest = {"loggers": [_logger(i) for i in loggers], "intake": _intake(intake), "missed": 0, "unplaced": 0}
    return nothing | lists | rest | {"why_no_spread": None, "stale_after_s": stale_after_s}


def with_trouble(body: Mapping[str, Any], trouble: Trouble) -> dict[str, Any]:
    """The same body with a trouble in front, and nothing in it fresh any more."""
    others = [t for t in body["troubles"] if t["key"] != trouble.key]
    old = {key: body[key] and {**body[key], "fresh": False} for key in ("coldest", "pit", "spread")}
    places = [{**p, "fresh": False} for p in body["places"]]
    return {**body, **old, "places": places, "troubles": [asdict(trouble), *others]}


def body(
    record: CookRecord,
    analysis: Analysis,
    loggers: Sequence[LoggerInfo],
    intake: Mapping[str, Any] | None,
    now: float,
    stale_after_s: float,
    over: Collection[str] = (),
) -> dict[str, Any]:
    """The body for a cook: answers, places, stalls, notes, troubles.

    loggers : those of this cook;  intake : None if there is none to ask;  now : UTC s
    over : places whose probe was taken out; they are listed, and neither an answer nor a trouble
    """
    running = record.cook.ended_ms is None
    places = _places(record, analysis, over, now, stale_after_s)
    present = [p for p in places if p.quality != "over"]
    stalls = [{"place": s.place, "begin": s.begin, "end": s.end} for s in analysis.stalls]
    return {
        "cook": record.cook.as_json(),
        "coldest": _coldest(present, stalls),
        "pit": _pit(present, analysis),
        "spread": _spread(analysis, running, now, stale_after_s),
        "why_no_spread": analysis.evenness.why_not,
        "newest": newest_reading(record),
        "places": [asdict(p) for p in places],
        "stalls": stalls,
        "notes": [{"id": n.id, "at": n.at_ms / 1000, "kind": n.kind, "text": n.text} for n in record.notes],
        "troubles": [asdict(t) for t in troubles(record, present, loggers, intake, now, stale_after_s)],
        "loggers": [_logger(info) for info in loggers],
        "intake": _intake(intake),
        "missed": record.missed,
        "unplaced": record.unplaced,
        "stale_after_s": stale_after_s,
    }


def _places(
    record: CookRecord, analysis: Analysis, over: Collection[str], now: float, stale_after_s: float
) -> list[PlaceNow]:
    return [
        _place(series, said, record.cook, series.place in over, now, stale_after_s)
        for series, said in zip(record.places, analysis.places, strict=True)
    ]


def _place(series: Series, said: Analysed, cook: Cook, over: bool, now: float, stale_after_s: float) -> PlaceNow:
    usable = series.good()
    good = np.flatnonzero(usable)
    if not good.size:
        words = _remedy(said) or said.why_no_value or "no reading yet"
        quality = "fault" if series.t.size else "none"
        return PlaceNow(series.place, series.kind, None, None, None, False, None, None, quality, words)
    last = int(good[-1])
    celsius, u, t = said.celsius, said.u_k, float(series.t[last])
    if celsius is None or u is None:
        # The analysis does not speak of a place that is long silent; the page still shows what it was, as such.
        window = slice(int(np.searchsorted(series.t, t - PRESENT_S)), last + 1)
        celsius, u = float(np.median(series.celsius[window][usable[window]])), float(series.u[last])
    failed = bool(last != series.t.size - 1 and series.t[-1] - t > PRESENT_S)
    aged = cook.ended_ms is None and now - t > stale_after_s
    quality = "over" if over else "fault" if failed else "old" if aged else "good"
    words = _remedy(said) if failed else "" if said.rate_k_h is not None else said.why_no_rate or ""
    return PlaceNow(series.place, series.kind, round(celsius, 3), round(u, 3), t, quality == "good",
                    said.rate_k_h, said.rate_u_k_h, quality, words)  # fmt: skip


def _remedy(said: Analysed) -> str:
    return "; ".join(REMEDIES[word] for word in said.flags if word in REMEDIES)


def _coldest(places: Sequence[PlaceNow], stalls: Sequence[Mapping[str, Any]]) -> dict[str, Any] | None:
    """The coldest meat place among the fresh ones; if none is fresh, among the last values there were."""
    meat = [p for p in places if p.kind == "meat" and p.celsius is not None]
    one = min([p for p in meat if p.fresh] or meat, key=lambda p: (p.celsius or 0.0, p.place), default=None)
    if one is None:
        return None
    since = next((s["begin"] for s in stalls if s["place"] == one.place and s["end"] is None), None)
    return asdict(one) | {"stalled_since": since}


def _pit(places: Sequence[PlaceNow], analysis: Analysis) -> dict[str, Any] | None:
    """The first air place that is fresh speaks for the pit; the others are named beside it."""
    air = [p for p in places if p.kind == "air" and p.celsius is not None]
    one = next((p for p in air if p.fresh), air[0] if air else None)
    if one is None:
        return None
    direction = None
    if one.rate is not None and one.rate_u is not None:
        moves = abs(one.rate) > max(STEADY_K_H, 2 * one.rate_u)
        direction = "steady" if not moves else "rising" if one.rate > 0 else "falling"
    level = analysis.pit if analysis.pit is not None and analysis.pit.place == one.place else None
    return asdict(one) | {
        "direction": direction,
        "level_c": level and round(level.level_c, 2),
        "swing_k": level and round(level.swing_k, 2),
        "places": [{"place": p.place, "celsius": p.celsius, "fresh": p.fresh} for p in air],
    }


def _spread(analysis: Analysis, running: bool, now: float, stale_after_s: float) -> dict[str, Any] | None:
    even = analysis.evenness
    at, greatest = even.now, even.greatest
    if at is None:
        return None
    return {
        "kelvin": round(at.spread_k, 3),
        "u": round(at.u_k, 3),
        "leads": at.hottest,
        "trails": at.coldest,
        "since": even.leads_since,
        "t": at.at,
        "fresh": not running or now - at.at <= stale_after_s,
        "greatest_k": None if greatest is None else round(greatest.spread_k, 3),
        "greatest_at": None if greatest is None else greatest.at,
    }


def _logger(info: LoggerInfo) -> dict[str, Any]:
    state = info.state or {}
    journal = state.get("journal")
    journal = journal if isinstance(journal, Mapping) else {}
    following, cursor = journal.get("next"), journal.get("cursor")
    waiting = following - cursor if isinstance(following, int) and isinstance(cursor, int) else None
    return {
        "logger": f"{info.logger:08x}",
        "name": info.name,
        "online": state.get("online"),
        "last_seen": None if info.last_seen_ms is None else info.last_seen_ms / 1000,
        "frames": info.frames,
        "waiting": waiting,
        "lost": journal.get("lost"),
    }


def _intake(intake: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """What of the intake's status is worth showing: plain numbers and words."""
    if intake is None:
        return None
    asides = intake.get("asides")
    kept = sum(asides.values()) if isinstance(asides, Mapping) else 0
    words = {"connected": intake.get("connected"), "queue": intake.get("queue"), "kept_aside": kept}
    return {key: value for key, value in words.items() if isinstance(value, bool | int)}
