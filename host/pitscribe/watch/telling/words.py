"""What a message says: one or two plain sentences with their figures, in the reader's unit and time zone."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Any

Said = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Words:
    """``units`` "F" or "C"; ``zone`` None: this machine's time zone."""

    units: str = "F"
    zone: tzinfo | None = None

    def degrees(self, celsius: float) -> str:
        """A temperature [degC], to the whole degree."""
        return f"{celsius * 1.8 + 32 if self.units == 'F' else celsius:.0f} {self.units}"

    def difference(self, kelvin: float) -> str:
        """A difference [K], to the whole degree."""
        return f"{kelvin * 1.8 if self.units == 'F' else kelvin:.0f} {self.units}"

    @staticmethod
    def seconds(iso: str) -> float:
        """The analysis's ISO 8601 -> UTC s."""
        return datetime.fromisoformat(iso).timestamp()

    def clock(self, at: float) -> str:
        """UTC s -> "03:40"."""
        return f"{datetime.fromtimestamp(at, self.zone):%H:%M}"

    def trouble(self, trouble: Said, body: Said) -> str:
        """A trouble's own words, with the figures of the part that it is about."""
        fire = body["fire"]
        warning = fire and fire["warning"]
        if trouble.get("about") != "fire" or not warning:
            return str(trouble["words"])
        pit = body["pit"]
        now = f" The pit is at {self.degrees(pit['celsius'])}." if pit and pit["fresh"] else ""
        low = self.degrees(warning["trouble_c"])
        about = warning["about"]
        ahead = f" It is on the way to {low} by about {self.clock(self.seconds(about))}." if about else ""
        return f"{trouble['words']}{now}{ahead}"

    def band(self, side: str, level: float, low: float, high: float) -> str:
        """The pit is out of its band."""
        wanted = f"{self.degrees(low)} to {self.degrees(high)}"
        return f"The pit is {side} its band: it is at {self.degrees(level)}, and was to be held at {wanted}."

    def target(self, place: str, celsius: float, target: float) -> str:
        """A place has got there."""
        return f"{place} has reached its target: {self.degrees(celsius)} of {self.degrees(target)}."

    def all_there(self, target: float) -> str:
        """The coldest place has got there."""
        return f"Every meat place is at {self.degrees(target)} or above. Mind hot metal and steam as you take it off."

    def stalls(self, stalls: Sequence[Said], *, too: bool = False) -> str:
        """Stalls were noticed, of one place or of several; ``too``: after others that were told."""
        first, more = stalls[0], len(stalls) > 1
        since = self.clock(min(self.seconds(s["begin"]) for s in stalls))
        stall = f"{'stall' if more else 'stalls'}{' too' if too else ''}"
        head = f"{_and([self._where(s) for s in stalls])} {stall}, since about {since}"
        return f"{head}." if too else f"{head} ({first['probability']:.0%} sure): {first['cause']}."

    def stalls_over(self, stalls: Sequence[Said], *, too: bool = False) -> str:
        """Stalls are over, of one place or of several; ``too``: after others that were told."""
        last = self.clock(max(self.seconds(s["end"]) for s in stalls))
        left = "have left their stall" if len(stalls) > 1 else "has left its stall"
        return f"{_and([s['place'] for s in stalls])} {left}{' too' if too else ''}, at about {last}."

    def _where(self, stall: Said) -> str:
        held = stall["plateau_c"]
        return str(stall["place"]) if held is None else f"{stall['place']} (at about {self.degrees(held)})"

    @staticmethod
    def back(words: str) -> str:
        """What was told is over."""
        return f"Over: {words.partition('. ')[0].rstrip('.')}."

    def spread(self, spread: Said, limit_k: float) -> str:
        """The meat is uneven."""
        return (
            f"The meat is uneven: {spread['leads']} is {self.difference(spread['kelvin'])} ahead of {spread['lags']}, "
            f"and the limit is {self.difference(limit_k)}."
        )


def _and(names: Sequence[str]) -> str:
    """"flat", "flat and tip", "flat, point and tip"."""
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
