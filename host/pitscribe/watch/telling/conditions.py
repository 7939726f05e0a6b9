"""What holds of a cook now that somebody should know of: read from a snapshot's body, with hysteresis. Pure functions.

A body is what ``facts.body`` makes: the page shows the same, so that nobody is told what he cannot look up.
"""

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from pitscribe.watch.telling import words
from pitscribe.watch.telling.words import Said

Body = Mapping[str, Any]

# kind: (what it is about, how long it has to hold before it is told [s]). Our own judgement, no source: a lid is shut
# again in five minutes, a logger's network comes back in two.
KINDS: Mapping[str, tuple[str, float]] = {
    "fire": ("the fire fades or goes out", 0.0),
    "band": ("the pit is out of the band that the cook was given", 600.0),
    "target": ("a place, or every place, has reached the target", 60.0),
    "stall": ("a stall has begun or ended", 0.0),
    "spread": ("the meat is less even than the limit", 600.0),
    "probe": ("a probe cannot be read", 120.0),
    "logger": ("a logger is away, or its readings are old", 120.0),
    "journal": ("a logger's journal is nearly full, or failing", 0.0),
    "safety": ("a published limit of food safety was passed", 0.0),
    "host": ("the host cannot do its work", 60.0),
}
BAND_BACK_K = 3.0  # so far inside the band again, it is in it
SPREAD_BACK_K = 1.0
GATHER_S = 300.0  # a stall lasts for hours: so long is waited for places that begin with the first (our own judgement)
NEWS_S = 1800.0  # what happened longer ago is no news: a host that starts in the middle of a cook does not tell it
# The first word of a trouble's key, and its kind; those of places and loggers are told apart below.
TROUBLES = {
    "fire": "fire", "safety": "safety", "place": "probe", "old": "logger", "watch": "host", "intake": "host",
    "store": "host", "clock": "host", "twin": "logger",
}
_LOGGER_ENDS = {"away": "logger", "silent": "logger", "flash": "journal", "lost": "journal", "full": "journal"}


@dataclass(frozen=True, slots=True)
class Condition:
    """Something that holds, or has just happened.

    key : the same while it lasts;  kind : one of ``KINDS``;  words : the message, for a ``Reader``
    since : when it began, UTC s, if that is known
    once : it happened, and cannot be over: it is told once in a cook
    """

    key: str
    kind: str
    words: str
    since: float | None = None
    once: bool = False


def conditions_of(
    body: Body,
    now: float,
    told: Collection[str] = (),
    *,
    spread_limit_k: float | None = None,
) -> list[Condition]:
    """All that holds, of a cook that goes on; nothing of one that is over.

    now : UTC s;  told : keys that were told and were not over since: their limits are those of leaving
    spread_limit_k : None: the spread is not watched
    """
    cook = body.get("cook")
    if not cook or cook["ended"] is not None:
        return []
    found = [*_troubles(body), *_band(body, told), *_targets(body), *_stalls(body, now)]
    return [*found, *_spread(body, told, spread_limit_k)]


def _troubles(body: Body) -> Iterator[Condition]:
    for trouble in body["troubles"]:
        kind = _kind_of(trouble["key"])
        if kind is not None:
            yield Condition(trouble["key"], kind, words.trouble(trouble, body), trouble["since"])


def _kind_of(key: str) -> str | None:
    first, _, rest = key.partition("-")
    if first == "logger":
        return _LOGGER_ENDS.get(rest.rpartition("-")[2])
    return TROUBLES.get(first)


def _band(body: Body, told: Collection[str]) -> Iterator[Condition]:
    """Only of a band that the cook was given, once the fire has been up: its own usual is no promise to anybody."""
    fire, pit = body["fire"], body["pit"]
    band = fire and fire["band"]
    if not (band and band["given"] and pit and pit["fresh"]) or fire["state"] in ("not up yet", "over", "unknown"):
        return
    level = pit["celsius"] if fire["level_c"] is None else fire["level_c"]
    low, high = (band[end] for end in ("low_c", "high_c"))
    if level < low + (BAND_BACK_K if "band-low" in told else 0.0):
        yield Condition("band-low", "band", words.band("under", level, low, high))
    if level > high - (BAND_BACK_K if "band-high" in told else 0.0):
        yield Condition("band-high", "band", words.band("over", level, low, high))


def _targets(body: Body) -> Iterator[Condition]:
    target = body["cook"]["target_c"]
    meat = [p for p in body["places"] if p["kind"] == "meat" and p["quality"] != "over"]
    if target is None or not meat:
        return
    there = [p for p in meat if p["fresh"] and p["celsius"] is not None and p["celsius"] >= target]
    for place in there:
        name = place["place"]
        yield Condition(f"target-{name}", "target", words.target(name, place["celsius"], target), None, True)
    if len(there) == len(meat) > 1:
        yield Condition("all-at-target", "target", words.all_there(target), None, True)


def _stalls(body: Body, now: float) -> Iterator[Condition]:
    """Stalls that begin within ``GATHER_S`` are told in one message, those of half an hour in one more; ends alike."""
    ended = [s for s in body["stalls"] if s["end"] is not None]
    yield from _told("stall", body["stalls"], lambda s: words.seconds(s["noticed"]), words.stalls, now)
    yield from _told("stall-end", ended, lambda s: words.seconds(s["end_noticed"] or s["end"]), words.stalls_over, now)


def _told(
    key: str, stalls: Iterable[Said], noticed: Callable[[Said], float], say: Callable[..., str], now: float
) -> Iterator[Condition]:
    for wave in _waves(stalls, noticed):
        first = noticed(wave[0])
        with_it = [s for s in wave if noticed(s) <= first + GATHER_S]
        later = wave[len(with_it) :]
        if GATHER_S <= now - first <= NEWS_S:
            yield Condition(f"{key}-{first:.0f}", "stall", say(with_it), first, True)
        elif later and NEWS_S < now - first <= 2 * NEWS_S:
            yield Condition(f"{key}-more-{first:.0f}", "stall", say(later, too=True), first + NEWS_S, True)


def _waves(stalls: Iterable[Said], at: Callable[[Said], float]) -> list[list[Said]]:
    """Stalls in order of time, those within ``NEWS_S`` of the first together."""
    waves: list[list[Said]] = []
    for stall in sorted(stalls, key=at):
        if waves and at(stall) <= at(waves[-1][0]) + NEWS_S:
            waves[-1].append(stall)
        else:
            waves.append([stall])
    return waves


def _spread(body: Body, told: Collection[str], limit_k: float | None) -> Iterator[Condition]:
    spread = body["spread"]
    if limit_k is None or not spread or not spread["fresh"]:
        return
    if spread["kelvin"] > limit_k - (SPREAD_BACK_K if "spread" in told else 0.0):
        yield Condition("spread", "spread", words.spread(spread, limit_k))
