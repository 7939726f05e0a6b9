"""What an analysis says: the answers as values, and as plain values for JSON."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pitscribe.cook.evenness import Evenness, SpreadAt
from pitscribe.cook.pit import PitNow
from pitscribe.cook.plain import iso, number
from pitscribe.cook.stall import Stall


@dataclass(frozen=True, slots=True)
class PlaceNow:
    """One place at the time of the analysis; None where ``why_no_value`` or ``why_no_rate`` says why."""

    place: str
    kind: str
    celsius: float | None  # degC
    u_k: float | None  # standard uncertainty, K
    u95_k: float | None  # half width of the interval that holds 95 %, K
    at: float | None  # UTC s of its newest good sample
    age_s: float | None  # how much older that is than the newest sample of the record
    flags: tuple[str, ...]  # words for what is wrong with its newest sample
    rate_k_h: float | None
    rate_u_k_h: float | None
    rate_window_s: float | None  # the rate is over so long, so half as old
    why_no_value: str | None
    why_no_rate: str | None
    to_target_k: float | None  # target less present value

    def as_json(self) -> dict[str, Any]:
        return {
            "place": self.place, "kind": self.kind, "celsius": number(self.celsius), "u_k": number(self.u_k),
            "u95_k": number(self.u95_k), "at": iso(self.at), "age_s": number(self.age_s), "flags": list(self.flags),
            "rate_k_h": number(self.rate_k_h), "rate_u_k_h": number(self.rate_u_k_h),
            "rate_window_s": number(self.rate_window_s), "why_no_value": self.why_no_value,
            "why_no_rate": self.why_no_rate, "to_target_k": number(self.to_target_k),
        }


@dataclass(frozen=True, slots=True)
class CannotSay:
    """Something that is not said, and why."""

    what: str
    why: str
    about: str | None = None  # which answer it concerns: "coldest", "pit", "spread", or a place's name

    def as_json(self) -> dict[str, Any]:
        return {"what": self.what, "why": self.why, "about": self.about}


@dataclass(frozen=True, slots=True)
class Analysis:
    """What can be said of a cook at the time of its newest sample."""

    cook: str
    at: float | None  # UTC s; None: no sample at all
    places: tuple[PlaceNow, ...]
    coldest: PlaceNow | None  # coldest meat place with a present value
    pit: PitNow | None
    evenness: Evenness
    stalls: tuple[Stall, ...]
    flag_counts: Mapping[str, Mapping[str, int]]  # place -> word -> samples
    cannot_say: tuple[CannotSay, ...]
    target_c: float | None
    missed: int
    unplaced: int

    def as_json(self) -> dict[str, Any]:
        """Plain values: ISO 8601 times in UTC, degC and K, None where nothing is known. No histories."""
        return {
            "cook": self.cook, "at": iso(self.at), "target_c": number(self.target_c),
            "places": [p.as_json() for p in self.places],
            "coldest": self.coldest.as_json() if self.coldest else None,
            "pit": self.pit.as_json() if self.pit else None,
            "evenness": evenness_json(self.evenness),
            "stalls": [stall_json(s) for s in self.stalls],
            "flags": {place: dict(counts) for place, counts in self.flag_counts.items()},
            "cannot_say": [c.as_json() for c in self.cannot_say],
            "missed": self.missed, "unplaced": self.unplaced,
        }


def spread_json(spread: SpreadAt | None) -> dict[str, Any] | None:
    """One spread as plain values."""
    if spread is None:
        return None
    return {
        "at": iso(spread.at), "spread_k": number(spread.spread_k), "u_k": number(spread.u_k),
        "hottest": spread.hottest, "hottest_c": number(spread.hottest_c),
        "coldest": spread.coldest, "coldest_c": number(spread.coldest_c), "places": spread.places,
    }


def evenness_json(even: Evenness) -> dict[str, Any]:
    """Evenness as plain values, without its history."""
    return {
        "now": spread_json(even.now), "greatest": spread_json(even.greatest), "limit_k": number(even.limit_k),
        "degree_hours_above": number(even.degree_hours_above), "hours_above": number(even.hours_above),
        "hours_known": number(even.hours_known), "leads_since": iso(even.leads_since),
        "lags_since": iso(even.lags_since), "why_not": even.why_not,
    }


def stall_json(stall: Stall) -> dict[str, Any]:
    """One stall as plain values."""
    return {
        "place": stall.place, "begin": iso(stall.begin), "noticed": iso(stall.noticed), "end": iso(stall.end),
        "end_noticed": iso(stall.end_noticed), "plateau_c": number(stall.plateau_c), "depth": number(stall.depth),
        "probability": number(stall.probability), "cause": stall.cause,
        "evidence": {name: number(value) for name, value in stall.evidence.items()},
    }
