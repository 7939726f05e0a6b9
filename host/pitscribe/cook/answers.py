"""What an analysis says: the answers as values, and as plain values for JSON."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pitscribe.cook.doneness import Doneness
from pitscribe.cook.evenness import Evenness
from pitscribe.cook.fire import Fire
from pitscribe.cook.forecast import Forecast
from pitscribe.cook.hints import Hint
from pitscribe.cook.interventions import Intervention
from pitscribe.cook.phases import Phase
from pitscribe.cook.pit import PitNow
from pitscribe.cook.plain import iso, number
from pitscribe.cook.safety import Safety
from pitscribe.cook.slow import Slowdown
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
    phases: tuple[Phase, ...]
    stalls: tuple[Stall, ...]
    slowdowns: tuple[Slowdown, ...]  # what else held heating back: the fire, a lid, a probe that moved
    fire: Fire
    interventions: tuple[Intervention, ...]
    hint: Hint | None
    safety: Safety
    doneness: Doneness
    forecasts: tuple[Forecast, ...]  # of each meat place and of the coldest; none if none were asked for
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
            "evenness": self.evenness.as_json(),
            "phases": [p.as_json() for p in self.phases],
            "stalls": [stall_json(s) for s in self.stalls],
            "slowdowns": [s.as_json() for s in self.slowdowns],
            "fire": self.fire.as_json(),
            "interventions": [i.as_json() for i in self.interventions],
            "hint": self.hint.as_json() if self.hint else None,
            "safety": self.safety.as_json(),
            "doneness": self.doneness.as_json(),
            "forecasts": [f.as_json() for f in self.forecasts],
            "flags": {place: dict(counts) for place, counts in self.flag_counts.items()},
            "cannot_say": [c.as_json() for c in self.cannot_say],
            "missed": self.missed, "unplaced": self.unplaced,
        }


def stall_json(stall: Stall) -> dict[str, Any]:
    """One stall as plain values."""
    return {
        "place": stall.place, "begin": iso(stall.begin), "noticed": iso(stall.noticed), "end": iso(stall.end),
        "end_noticed": iso(stall.end_noticed), "plateau_c": number(stall.plateau_c), "depth": number(stall.depth),
        "probability": number(stall.probability), "cause": stall.cause,
        "evidence": {name: number(value) for name, value in stall.evidence.items()},
    }
